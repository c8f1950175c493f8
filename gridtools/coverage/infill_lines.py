"""Where infill lanes must run to close gaps: as few and short as a simple rule finds.

In axes along and across the pass, gaps are cut into columns along the lanes. In each column the
pieces are closed by as few lines as possible: a piece from v0 to v1 across is closed by any line
between v1 - W/2 and v0 + W/2, and fewest lines meet a set of such ranges when each is drawn in
the overlap of all ranges that hold the lowest upper end (interval stabbing; from memory). Lines
of neighbouring columns are then joined where their ranges overlap. What no-go ground still keeps
open is tried again with lines through the ground itself.
"""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.plan.strips import Frame
from gridtools.swath.uncovered import uncovered

Geometries = NDArray[np.object_]
Real = NDArray[np.float64]
Whole = NDArray[np.int64]

#: Along a lane, open ground shorter than this is walked through: stopping, and lining up the next
#: lane, takes longer (10 s at 1.2 m/s; common practice, no source).
JOIN_M = 12.0
#: Ground of a gap that may stay open beside no-go ground: a hundredth of a square metre.
LEAST_M2 = 0.01
# A gap wider than a line closes by less than this is closed: lanes W apart leave gaps of just W.
_MARGIN_M = 1e-5
_COLUMN_WIDTHS = 5.0
_ROUNDS = 3


class _Pieces(NamedTuple):
    """Pieces of gaps: extents along (u) and across (v)."""

    u0: Real
    u1: Real
    v0: Real
    v1: Real


class _Lines(NamedTuple):
    """Lines at ``v`` across, from ``u0`` to ``u1`` along."""

    u0: Real
    u1: Real
    v: Real


@dataclass(frozen=True, kw_only=True, eq=False)
class Ground:
    """What the lines are laid on.

    Attributes
    ----------
    frame
        Axes of the pass.
    area, no_go
        Search area, and ground that no line may enter: polygons in metres.
    sweep_width_m, spacing_m
        Width closed by a line, and greatest distance between lines over a wide gap.
    planned_v
        Positions across (k,) of planned lanes, ascending: a line is put on one where it fits.
    """

    frame: Frame
    area: Any
    no_go: Any
    sweep_width_m: float
    spacing_m: float
    planned_v: Real


def lay_lines(gaps: Geometries, ground: Ground) -> tuple[Geometries, float]:
    """Lines (k,) along the pass that close gaps (n,), and the area that they leave open."""
    lines = np.empty(0, dtype=np.object_)
    rest = gaps
    for attempt in range(_ROUNDS):
        column_m = _COLUMN_WIDTHS * ground.sweep_width_m / 2**attempt
        found = _chains(_cut(rest, ground, column_m), ground, column_m, through=attempt > 0)
        new = _clipped(found, rest, ground)
        lines = np.concatenate([lines, new])
        open_ground = shapely.MultiPolygon(list(rest))
        rest = uncovered(open_ground, new, ground.sweep_width_m / 2)
        rest = rest[shapely.area(rest) >= LEAST_M2]
        if not len(rest):
            break
    return lines, float(shapely.area(rest).sum())


def _cut(gaps: Geometries, ground: Ground, column_m: float) -> _Pieces:
    """Pieces of gaps no longer than a column, and no wider than a line can close."""
    local = shapely.transform(gaps, lambda xy: np.stack(ground.frame.to_frame(xy)[::-1], axis=1))
    local = _grid_cut(local, 0, column_m, 0.0)
    bounds = shapely.bounds(local).reshape(-1, 4)
    tall = bounds[:, 3] - bounds[:, 1] > ground.sweep_width_m + _MARGIN_M
    step = min(ground.sweep_width_m, ground.spacing_m)
    # Rows are centred on the planned lanes; without any they start at the edge of the gaps.
    planned = ground.planned_v
    anchor = planned[0] - step / 2 if len(planned) else float(bounds[:, 1].min())
    rows = _grid_cut(local[tall], 1, step, anchor)
    u0, v0, u1, v1 = np.concatenate([bounds[~tall], shapely.bounds(rows).reshape(-1, 4)]).T
    return _Pieces(u0, u1, v0, v1)


def _grid_cut(polygons: Geometries, axis: int, step: float, anchor: float) -> Geometries:
    """Parts of polygons between lines at ``anchor + i * step`` on one axis."""
    bounds = shapely.bounds(polygons).reshape(-1, 4)
    low, high = bounds[:, axis], bounds[:, axis + 2]
    # A grid line within rounding of an end cuts nothing off.
    first = np.floor((low - anchor + _MARGIN_M / 2) / step).astype(np.int64)
    last = np.ceil((high - anchor - _MARGIN_M / 2) / step).astype(np.int64)
    count = np.maximum(last - first, 1)
    which = np.repeat(np.arange(len(polygons)), count)
    place = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
    box = bounds[which] + np.array([-1.0, -1.0, 1.0, 1.0])
    inner_low, inner_high = place > 0, place < count[which] - 1
    grid = anchor + (first[which] + place) * step
    box[inner_low, axis] = grid[inner_low]
    box[inner_high, axis + 2] = grid[inner_high] + step
    parts = polygons[which]
    several = count[which] > 1
    parts[several] = shapely.intersection(parts[several], shapely.box(*box[several].T))
    parts = shapely.get_parts(shapely.get_parts(parts))
    polygon = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    return np.asarray(parts[polygon & (shapely.area(parts) > 0)], dtype=np.object_)


def _chains(pieces: _Pieces, ground: Ground, column_m: float, *, through: bool) -> _Lines:
    """Lines that close all pieces.

    Parameters
    ----------
    through
        Whether a line must go through the piece itself, since no-go ground lies beside it.
    """
    reach = ground.sweep_width_m / 2
    low, high = pieces.v1 - reach, pieces.v0 + reach
    if through:
        low, high = np.maximum(low, pieces.v0), np.minimum(high, pieces.v1)
    column = np.floor((pieces.u0 + pieces.u1) / 2 / column_m)
    order = np.lexsort((low, high, column))
    stabs = _stabs(
        *(values[order].tolist() for values in (column, low, high, pieces.u0, pieces.u1))
    )
    chains: list[tuple[float, float, float, float]] = []
    # Ranges are at most W long: those that overlap have their middles less than W apart.
    near: dict[int, list[int]] = {}
    for begin, finish, low_v, high_v in stabs:
        bucket = int((low_v + high_v) / 2 // ground.sweep_width_m)
        best, most = -1, -_MARGIN_M
        for k in (k for b in (bucket - 1, bucket, bucket + 1) for k in near.get(b, ())):
            chain = chains[k]
            overlap = min(high_v, chain[3]) - max(low_v, chain[2])
            # A range much narrower than both would leave the walker no room to stray.
            room = 0.5 * min(high_v - low_v, chain[3] - chain[2]) - _MARGIN_M
            close = chain[1] >= begin - JOIN_M and chain[0] <= finish + JOIN_M
            if close and overlap >= room and overlap > most:
                best, most = k, overlap
        if best < 0:
            best = len(chains)
            chains.append((begin, finish, low_v, high_v))
        else:
            chain = chains[best]
            near[int((chain[2] + chain[3]) / 2 // ground.sweep_width_m)].remove(best)
            chains[best] = (
                min(begin, chain[0]), max(finish, chain[1]),
                max(low_v, chain[2]), min(high_v, chain[3]),
            )  # fmt: skip
        middle = (chains[best][2] + chains[best][3]) / 2
        waiting = near.setdefault(int(middle // ground.sweep_width_m), [])
        waiting[:] = [k for k in waiting if chains[k][1] >= begin - JOIN_M - column_m]
        waiting.append(best)
    u0, u1, lows, highs = np.array(chains).reshape(-1, 4).T
    return _Lines(u0, u1, _on_planned((lows + highs) / 2, highs - lows, ground.planned_v))


def _stabs(
    column: list[float], low: list[float], high: list[float], u0: list[float], u1: list[float]
) -> list[tuple[float, float, float, float]]:
    """Extent along and range across of the fewest lines that close each column's pieces.

    Pieces come sorted by column and upper end of their range.
    """
    found = []
    closed = [False] * len(low)
    widest = max((h - w for h, w in zip(high, low, strict=True)), default=0.0) + _MARGIN_M
    for i in range(len(low)):
        if closed[i]:
            continue
        lowest, begin, finish = low[i], u0[i], u1[i]
        k = i
        while k < len(low) and column[k] == column[i] and high[k] <= high[i] + widest:
            if not closed[k] and low[k] <= high[i] + _MARGIN_M / 2:
                closed[k] = True
                lowest = max(lowest, low[k])
                begin, finish = min(begin, u0[k]), max(finish, u1[k])
            k += 1
        found.append((begin, finish, min(lowest, high[i]), high[i]))
    return found


def _on_planned(v: Real, room: Real, planned_v: Real) -> Real:
    """Positions moved onto planned lanes that lie in the middle half of their range."""
    if not len(planned_v):
        return v
    after = np.searchsorted(planned_v, v).clip(1, max(len(planned_v) - 1, 1))
    before = planned_v[after - 1]
    nearest = planned_v[np.minimum(after, len(planned_v) - 1)]
    nearest = np.where(np.abs(before - v) <= np.abs(nearest - v), before, nearest)
    return np.where(np.abs(nearest - v) <= room / 4, nearest, v)


def _clipped(found: _Lines, gaps: Geometries, ground: Ground) -> Geometries:
    """Lines with a run-on where the search area goes on, without no-go ground and useless ends."""
    run_on = ground.sweep_width_m / 2
    u0, u1 = found.u0.copy(), found.u1.copy()
    for end, sign in ((u0, -1.0), (u1, 1.0)):
        tip = _lines(found.v, end, end + sign * run_on, ground.frame)
        # What the boundary cuts off is not walked; the part from the end on is.
        part, line = shapely.get_parts(shapely.intersection(tip, ground.area), return_index=True)
        linear = shapely.get_type_id(part) == shapely.GeometryType.LINESTRING
        part, line = part[linear], line[linear]
        start = shapely.get_point(tip[line], 0)
        touching = shapely.distance(part, start) <= _MARGIN_M
        reached = np.zeros(len(end))
        np.maximum.at(reached, line[touching], shapely.length(part[touching]))
        end += sign * reached
    lines = _lines(found.v, u0, u1, ground.frame)
    if not ground.no_go.is_empty:
        lines = shapely.get_parts(shapely.difference(lines, ground.no_go))
        lines = lines[shapely.length(lines) > _MARGIN_M]
        near, _ = shapely.STRtree(gaps).query(
            lines, predicate="dwithin", distance=0.99 * ground.sweep_width_m / 2
        )
        lines = lines[np.unique(near)]
    return np.asarray(lines, dtype=np.object_)


def _lines(v: Real, u0: Real, u1: Real, frame: Frame) -> Geometries:
    ends = np.stack([frame.to_map(v, u0), frame.to_map(v, u1)], axis=1)
    return np.asarray(shapely.linestrings(ends), dtype=np.object_)
