"""Tracks cut for the tiles: which stretches of a line can reach which tile.

Only consecutive segments are kept together, so that a tile buffers whole stretches of a walk and
not single segments, which is ten times slower.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.errors import InputError

# Buffering a line costs about the square of the number of times it crosses itself: a dwell of
# 600 fixes takes seconds as one line and 0.03 s in stretches of 8 segments. A smooth walk is
# cheapest in long stretches.
_SEGMENTS_PER_STRETCH = 512
# The round ends at a cut have their corners elsewhere than the round bend there had, by up to
# 6.3 cm² at a half width of 1 m; where the track goes straight on there is nothing to differ.
_STRAIGHT_WINDOW = 64
_SEGMENTS_PER_KNOT_STRETCH = 8
_KNOT_WINDOW = 16
_KNOT_RATIO = 3.0


@dataclass(frozen=True, kw_only=True)
class TileGrid:
    """Square tiles of one size, counted from a lower left corner."""

    x0_m: float
    y0_m: float
    size_m: float
    columns: int
    rows: int

    @classmethod
    def over(cls, bounds: NDArray[np.float64], size_m: float) -> "TileGrid":
        """Grid over bounds (4,), its lines at whole multiples of the size.

        Examples
        --------
        >>> grid = TileGrid.over(np.array([10.0, 10.0, 310.0, 90.0]), 100.0)
        >>> grid.x0_m, grid.columns, grid.rows
        (0.0, 4, 1)
        """
        low = np.floor(bounds[:2] / size_m)
        count = np.maximum(np.ceil(bounds[2:] / size_m) - low, 1)
        x0, y0 = (low * size_m).tolist()
        return cls(x0_m=x0, y0_m=y0, size_m=size_m, columns=int(count[0]), rows=int(count[1]))

    def x_m(self, column: NDArray[np.int64]) -> NDArray[np.float64]:
        """Left edge of columns (n,); the same float whichever tile asks."""
        return np.asarray(self.x0_m + column * self.size_m, dtype=np.float64)

    def y_m(self, row: NDArray[np.int64]) -> NDArray[np.float64]:
        """Lower edge of rows (n,)."""
        return np.asarray(self.y0_m + row * self.size_m, dtype=np.float64)


class Segments(NamedTuple):
    """Segments of many lines: the k-th runs from coordinate ``start[k]`` to the next one."""

    xy: NDArray[np.float64]
    start: NDArray[np.int64]
    stretch: NDArray[np.int64]


def split(lines: NDArray[np.object_]) -> Segments:
    """Segments of lines (n,), in order, each with the number of the stretch it belongs to.

    Stretches are bounded by the ends of lines, by a greatest number of segments (cut where the
    track is straightest), and are short where a line is knotted. Empty lines have no segments; a
    line of one repeated point has one.

    Raises
    ------
    InputError
        If a coordinate is not a finite number.

    Examples
    --------
    >>> split(shapely.linestrings([[[0, 0], [1, 0], [2, 0]], [[5, 5], [5, 5], [6, 5]]])).start
    array([0, 1, 3, 4])
    """
    xy, line = shapely.get_coordinates(lines, return_index=True)
    if not np.isfinite(xy).all():
        bad = line[np.flatnonzero(~np.isfinite(xy).all(axis=1))[0]]
        raise InputError(f"line {bad + 1} has a coordinate that is not a number: mend it")
    start = np.flatnonzero(line[:-1] == line[1:]).astype(np.int64)
    line = line[start].astype(np.int64)
    first = np.searchsorted(line, line)
    place = np.arange(len(start), dtype=np.int64) - first
    block = place // _SEGMENTS_PER_KNOT_STRETCH
    knotted = _knotted(xy, start, line)
    fresh = place == 0
    full = np.flatnonzero((place > 0) & (place % _SEGMENTS_PER_STRETCH == 0))
    fresh[_straightest(xy, start, full)] = True
    fresh[1:] |= (knotted[1:] | knotted[:-1]) & (block[1:] != block[:-1])
    return Segments(xy, start, np.cumsum(fresh, dtype=np.int64))


def _straightest(
    xy: NDArray[np.float64], start: NDArray[np.int64], last: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Segment (k,) that turns least from the one before it, of those up to each ``last`` (k,)."""
    window = last[:, None] - np.arange(_STRAIGHT_WINDOW)
    at = start[window]
    before, after = xy[at] - xy[start[window - 1]], xy[at + 1] - xy[at]
    cross = before[..., 0] * after[..., 1] - before[..., 1] * after[..., 0]
    turn = np.abs(np.arctan2(cross, (before * after).sum(axis=-1)))
    # A repeated point hides the turn of the walk.
    turn[(before == 0).all(axis=-1) | (after == 0).all(axis=-1)] = np.pi
    chosen: NDArray[np.int64] = window[np.arange(len(last)), turn.argmin(axis=1)]
    return chosen


def _knotted(
    xy: NDArray[np.float64], start: NDArray[np.int64], line: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Segments (n,) inside a window whose path is long for the ground it takes up."""
    out = np.zeros(len(start), dtype=bool)
    window = _KNOT_WINDOW
    if len(start) < window:
        return out
    walked = np.concatenate([[0.0], np.cumsum(np.hypot(*(xy[start + 1] - xy[start]).T))])
    path = walked[window:] - walked[:-window]
    whole = line[window - 1 :] == line[: len(start) - window + 1]
    head = start[: len(path)]
    chord = np.hypot(*(xy[start[window - 1 :] + 1] - xy[head]).T)
    # The chord is a lower bound of the extent: most windows of a walk are dismissed by it.
    maybe = np.flatnonzero(whole & (path > _KNOT_RATIO * chord))
    points = xy[head[maybe, None] + np.arange(window + 1)]
    extent = np.hypot(*(points.max(axis=1) - points.min(axis=1)).T)
    knots = maybe[path[maybe] > _KNOT_RATIO * extent]
    mark = np.zeros(len(start) + 1, dtype=np.int64)
    np.add.at(mark, knots, 1)
    np.add.at(mark, knots + window, -1)
    out[:] = np.cumsum(mark)[:-1] > 0
    return out


class Bins(NamedTuple):
    """Segments by tile: those of tile t are ``segment[offset[t]:offset[t + 1]]``, ascending."""

    segment: NDArray[np.int64]
    offset: NDArray[np.int64]


def bin_segments(segments: Segments, grid: TileGrid, reach_m: float) -> Bins:
    """Segments that come within reach of each tile, tiles numbered along rows.

    A stretch cut off at a tile ends at a vertex out of reach of it, so that the round cap there
    adds nothing inside the tile.
    """
    a, b = segments.xy[segments.start], segments.xy[segments.start + 1]
    corner = np.array([grid.x0_m, grid.y0_m])
    most = np.array([grid.columns, grid.rows], dtype=np.float64)
    # One millimetre more than the reach: the caps of 32 sides lie within it, rounding included.
    low = np.floor((np.minimum(a, b) - reach_m - 1e-3 - corner) / grid.size_m)
    high = np.floor((np.maximum(a, b) + reach_m + 1e-3 - corner) / grid.size_m)
    near = np.flatnonzero(((high >= 0) & (low < most)).all(axis=1))
    low = np.maximum(low[near], 0).astype(np.int64)
    high = np.minimum(high[near], most - 1).astype(np.int64)
    span = high - low + 1
    count = span[:, 0] * span[:, 1]
    which = np.repeat(np.arange(len(near)), count)
    step = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
    column = low[which, 0] + step % span[which, 0]
    row = low[which, 1] + step // span[which, 0]
    segment = near[which]
    # A long slanting segment has tiles in its bounding box that it never reaches.
    slanting = np.flatnonzero((span[which] > 1).all(axis=1))
    middle = np.stack([grid.x_m(column[slanting]), grid.y_m(row[slanting])], axis=1)
    middle += grid.size_m / 2
    along = b[segment[slanting]] - a[segment[slanting]]
    aside = middle - a[segment[slanting]]
    distance = np.abs(along[:, 0] * aside[:, 1] - along[:, 1] * aside[:, 0])
    limit = (reach_m + 1e-3 + grid.size_m * np.sqrt(0.5)) * np.hypot(along[:, 0], along[:, 1])
    keep = np.ones(len(which), dtype=bool)
    keep[slanting] = distance <= limit
    tile = (row * grid.columns + column)[keep]
    order = np.argsort(tile, kind="stable")
    offset = np.searchsorted(tile[order], np.arange(grid.columns * grid.rows + 1))
    return Bins(segment[keep][order].astype(np.int64), offset.astype(np.int64))


def stretches(segments: Segments, chosen: NDArray[np.int64]) -> NDArray[np.object_]:
    """Lines (m,) made of the chosen segments (ascending), consecutive ones together."""
    if not len(chosen):
        return np.empty(0, dtype=np.object_)
    head = np.ones(len(chosen), dtype=bool)
    head[1:] = (np.diff(chosen) != 1) | (np.diff(segments.stretch[chosen]) != 0)
    number = np.cumsum(head) - 1
    place = np.arange(len(chosen)) + number
    index = np.empty(len(chosen) + number[-1] + 1, dtype=np.int64)
    owner = np.empty_like(index)
    index[place] = segments.start[chosen]
    owner[place] = number
    tail = np.flatnonzero(np.append(head[1:], True))
    index[place[tail] + 1] = segments.start[chosen[tail]] + 1
    owner[place[tail] + 1] = number[tail]
    return np.asarray(shapely.linestrings(segments.xy[index], indices=owner), dtype=np.object_)
