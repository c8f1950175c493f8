"""Where parallel lines and strips meet a polygon, for all of them at once.

Everything here is in a rotated frame: *across* the lanes and *along* them. Sets of stretches of
lines are kept as arrays (`Stretches`), and a polygon as the array of its edges (`Outline`).

A scanline that looks only at the edges it crosses needs no geometry engine: every vertex is
ranked once among the lines, so that the two edges that share it always agree on which lines they
cross, and crossings pair up without exception (the half-open rule of polygon scan conversion,
for example Foley and others, *Computer Graphics*, 1990, section 3.6; from memory).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.units import unit_vector

Real = NDArray[np.float64]
Whole = NDArray[np.int64]

#: Stretches shorter than this do not exist, and gaps shorter than this do not part them; ground
#: reaching less than this into a strip is none. Coordinates themselves are good to 1e-9 m.
TINY_M = 1e-6
#: A vertex this near to a line lies on it.
ON_LINE_M = 1e-8


@dataclass(frozen=True, kw_only=True, eq=False)
class Frame:
    """Axes along and across the lanes, about a local origin.

    Attributes
    ----------
    origin
        Map coordinates (2,) of the origin, near the site so that no digits are lost.
    along, across
        Unit vectors (2,): the walking direction, and to the right of it.
    """

    origin: Real
    along: Real
    across: Real

    @classmethod
    def at(cls, origin: Real, bearing_deg: float) -> Self:
        """Frame of lanes on a grid bearing."""
        east, north = unit_vector(bearing_deg)
        return cls(origin=origin, along=np.array([east, north]), across=np.array([north, -east]))

    def turned(self) -> Self:
        """Frame turned right by a right angle, exactly: the same two axes change places."""
        return type(self)(origin=self.origin, along=self.across, across=-self.along)

    def to_frame(self, xy: Real) -> tuple[Real, Real]:
        """Across and along (n,) of map coordinates (n, 2)."""
        x, y = (xy - self.origin).T
        # Term by term: a matrix product may round equal points differently, row by row.
        return x * self.across[0] + y * self.across[1], x * self.along[0] + y * self.along[1]

    def to_map(self, across: Real, along: Real) -> Real:
        """Map coordinates (n, 2) of across and along (n,)."""
        xy: Real = self.origin + (across[:, None] * self.across + along[:, None] * self.along)
        return xy


@dataclass(frozen=True, kw_only=True, eq=False)
class Outline:
    """Edges of a polygon in a frame: from vertex ``first`` (n,) to vertex ``first + 1``."""

    across: Real
    along: Real
    first: Whole

    @classmethod
    def of(cls, geometry: Any, frame: Frame) -> Self:
        """Edges of all rings of a polygon or multipolygon in map coordinates."""
        rings = shapely.get_rings(shapely.get_parts(geometry))
        xy, ring = shapely.get_coordinates(rings, return_index=True)
        across, along = frame.to_frame(xy)
        return cls(across=across, along=along, first=np.flatnonzero(ring[1:] == ring[:-1]))


@dataclass(frozen=True, kw_only=True, eq=False)
class Stretches:
    """Stretches of numbered lines: ``line`` (n,), from ``low`` to ``high`` (n,) along it."""

    line: Whole
    low: Real
    high: Real

    def __len__(self) -> int:
        return len(self.line)

    def take(self, index: NDArray[Any]) -> Self:
        """Some of the stretches, by mask or position."""
        return type(self)(line=self.line[index], low=self.low[index], high=self.high[index])


@dataclass(frozen=True, kw_only=True)
class Rows:
    """Parallel lines at ``offset_m + i * spacing_m`` across, i from 0 to ``count - 1``."""

    offset_m: float
    spacing_m: float
    count: int

    @classmethod
    def over(cls, outline: Outline, spacing_m: float, through_m: float | None = None) -> Self:
        """As few lines as leave no ground further than half a spacing from one.

        They are centred, or one of them lies at a given position across.
        """
        low, high = float(outline.across.min()), float(outline.across.max())
        if through_m is not None:
            reach = spacing_m / 2 - TINY_M
            first = int(np.ceil((low - through_m - reach) / spacing_m))
            last = int(np.floor((high - through_m + reach) / spacing_m))
            return cls(
                offset_m=through_m + first * spacing_m,
                spacing_m=spacing_m,
                count=max(1, last - first + 1),
            )
        count = max(1, int(np.ceil((high - low - 2 * TINY_M) / spacing_m)))
        return cls(
            offset_m=(low + high) / 2 - (count - 1) * spacing_m / 2,
            spacing_m=spacing_m,
            count=count,
        )

    def across(self, line: Whole) -> Real:
        """Position across (n,) of lines (n,)."""
        return np.asarray(self.offset_m + self.spacing_m * line, dtype=np.float64)

    def shifted(self, by_m: float) -> Self:
        """The same lines moved across."""
        return type(self)(offset_m=self.offset_m + by_m, spacing_m=self.spacing_m, count=self.count)


def combine(
    a: Stretches, b: Stretches, keep: Callable[[Whole, Whole], NDArray[np.bool_]]
) -> Stretches:
    """Set of stretches from two others, merged and sorted by line and position.

    Parameters
    ----------
    a, b
        Stretches in any order; they may overlap.
    keep
        Tells from how many of `a` and of `b` lie over each piece whether it belongs.

    Examples
    --------
    >>> def on_line_0(*ends):
    ...     low, high = np.array(ends, dtype=float).T
    ...     return Stretches(line=np.zeros(len(ends), dtype=int), low=low, high=high)
    >>> rest = difference(on_line_0((0, 9), (9, 12)), on_line_0((2, 3)))
    >>> list(zip(rest.low.tolist(), rest.high.tolist()))
    [(0.0, 2.0), (3.0, 12.0)]
    """
    line = np.concatenate([a.line, a.line, b.line, b.line])
    along = np.concatenate([a.low, a.high, b.low, b.high])
    step = np.repeat([1, -1, 1, -1], [len(a), len(a), len(b), len(b)])
    order = np.lexsort((along, line))
    of_a = np.where(order < 2 * len(a), step[order], 0).cumsum()
    of_b = np.where(order >= 2 * len(a), step[order], 0).cumsum()
    line, along = line[order], along[order]
    # Every line opens and closes all its stretches, so counts are 0 from one line to the next.
    piece = np.flatnonzero(keep(of_a, of_b)[:-1] & (np.diff(along) > 0) & (np.diff(line) == 0))
    line, low, high = line[piece], along[piece], along[piece + 1]
    parted = np.ones(len(piece), dtype=bool)
    parted[1:] = (line[1:] != line[:-1]) | (low[1:] - high[:-1] > TINY_M)
    first = np.flatnonzero(parted)
    last = np.append(first[1:], len(piece)) - 1 if len(piece) else first
    joined = Stretches(line=line[first], low=low[first], high=high[last])
    return joined.take(joined.high - joined.low > TINY_M)


def union(a: Stretches, b: Stretches) -> Stretches:
    """Stretches of either set."""
    return combine(a, b, lambda of_a, of_b: (of_a > 0) | (of_b > 0))


def intersection(a: Stretches, b: Stretches) -> Stretches:
    """Stretches of both sets."""
    return combine(a, b, lambda of_a, of_b: (of_a > 0) & (of_b > 0))


def difference(a: Stretches, b: Stretches) -> Stretches:
    """Stretches of `a` without those of `b`."""
    return combine(a, b, lambda of_a, of_b: (of_a > 0) & (of_b <= 0))


def chords(outline: Outline, rows: Rows, *, closed: bool) -> Stretches:
    """Stretches of the lines inside a polygon, sorted by line and position.

    Parameters
    ----------
    outline
        The polygon; holes are left out by the even-odd rule.
    rows
        The lines.
    closed
        Whether a stretch along an edge of the polygon counts as inside.
    """
    rank = (outline.across - rows.offset_m) / rows.spacing_m
    nearest = np.rint(rank)
    on_line = np.abs(rank - nearest) * rows.spacing_m < ON_LINE_M
    below = np.where(on_line, nearest, np.ceil(rank)).clip(0, rows.count).astype(np.int64)
    found = _pair_crossings(outline, rows, below)
    if on_line.any():
        above = np.where(on_line, nearest + 1, np.ceil(rank)).clip(0, rows.count).astype(np.int64)
        other = _pair_crossings(outline, rows, above)
        return union(found, other) if closed else intersection(found, other)
    return found


def _pair_crossings(outline: Outline, rows: Rows, rank: Whole) -> Stretches:
    """Crossings of the lines with the edges, paired; an edge crosses the lines in its ranks."""
    first = outline.first[rank[outline.first] != rank[outline.first + 1]]
    start, stop = rank[first], rank[first + 1]
    line, edge = _spread(np.minimum(start, stop), np.maximum(start, stop))
    first = first[edge]
    along = _along(outline, first, rows.across(line))
    order = np.lexsort((along, line))
    line, along = line[order], along[order]
    return Stretches(line=line[::2], low=along[::2], high=along[1::2])


def _spread(start: Whole, stop: Whole) -> tuple[Whole, Whole]:
    """Every whole number from start up to stop, for each row, and the row it belongs to."""
    count = stop - start
    row = np.repeat(np.arange(len(count)), count)
    return start[row] + np.arange(len(row)) - (np.cumsum(count) - count)[row], row


def _along(outline: Outline, first: Whole, across: Real) -> Real:
    """Position along, on edges that start at vertices `first`, at positions across."""
    a, b = outline.across[first], outline.across[first + 1]
    s, t = outline.along[first], outline.along[first + 1]
    flat = a == b
    share = np.where(flat, 0.0, (across - a) / np.where(flat, 1.0, b - a))
    return np.asarray(s + share.clip(0.0, 1.0) * (t - s), dtype=np.float64)


def beside(outline: Outline, rows: Rows) -> Stretches:
    """Stretches of the lines that have ground of a polygon beside them.

    Beside means within half a spacing. A cross-section of the strip meets the polygon if it
    meets an edge, or else lies wholly inside, and then its left end does: so the answer is the
    reach of the edges cut to the strip, and the chords of the strip's left side.
    """
    half = rows.spacing_m / 2 - TINY_M
    a, b = outline.across[outline.first], outline.across[outline.first + 1]
    low, high = np.minimum(a, b), np.maximum(a, b)
    start = np.ceil((low - half - rows.offset_m) / rows.spacing_m)
    stop = np.floor((high + half - rows.offset_m) / rows.spacing_m) + 1
    line, edge = _spread(
        start.clip(0, rows.count).astype(np.int64),
        np.maximum(start, stop).clip(0, rows.count).astype(np.int64),
    )
    middle = rows.across(line)
    first = outline.first[edge]
    parallel = low[edge] == high[edge]
    one = _along(outline, first, np.maximum(low[edge], middle - half))
    other = _along(outline, first, np.minimum(high[edge], middle + half))
    other = np.where(parallel, outline.along[first + 1], other)
    edges = Stretches(line=line, low=np.minimum(one, other), high=np.maximum(one, other))
    return union(edges, chords(outline, rows.shifted(-half), closed=True))


def holding(pieces: Stretches, what: Stretches) -> NDArray[np.bool_]:
    """Mask (n,) of the pieces that hold one of the stretches `what`.

    Both must be sorted, and each of `what` must lie in one piece or in none.
    """
    middle = (what.low + what.high) / 2
    line = np.concatenate([pieces.line, what.line])
    order = np.lexsort((np.concatenate([pieces.low, middle]), line))
    is_piece = order < len(pieces)
    piece = (np.cumsum(is_piece) - 1)[~is_piece]
    index = order[~is_piece] - len(pieces)
    inside = (piece >= 0) & (pieces.line[piece] == what.line[index])
    inside &= middle[index] < pieces.high[piece]
    mask = np.zeros(len(pieces), dtype=bool)
    mask[piece[inside]] = True
    return mask
