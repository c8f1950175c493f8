"""Infill lanes: lanes to walk over the gaps of a pass, with ids that stay theirs."""

from dataclasses import dataclass
from datetime import date
from typing import Any, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from gridtools.coverage.infill_lines import Ground, lay_lines
from gridtools.coverage.names import spans
from gridtools.coverage.walked import Pass
from gridtools.geodesy import bearings
from gridtools.layers import Gaps, Infill, Recheck
from gridtools.plan import ground as plan_ground
from gridtools.plan.effort import walking_seconds
from gridtools.plan.order import arrange
from gridtools.plan.replan import SAME_M, last_numbers, lying_on
from gridtools.plan.strips import Frame, Stretches
from gridtools.swath.uncovered import uncovered
from gridtools.units import bearing_of, format_area

Geometries = NDArray[np.object_]
Whole = NDArray[np.int64]

L = TypeVar("L", Infill, Recheck)

#: A gap this narrow is listed but not laned: nobody walks a lane to half of it.
NARROW_M = 0.1
#: Reasons of lanes that are not to walk: an accepted run is on it, or its gap is gone otherwise.
WALKED, CLOSED = "walked", "closed"

# An order improved until nothing helps takes minutes for thousands of legs.
_MANY_LEGS = 200


def to_walk(lanes: L) -> L:
    """Infill or recheck lanes that are still to walk.

    Examples
    --------
    >>> line = shapely.LineString([(0, 0), (9, 0)])
    >>> rows = Infill.build(geometry=[line] * 3, lane_id=["1-i001", "1-i002", "1-i003"],
    ...                     reason=[WALKED, "gap 1-001", CLOSED])
    >>> to_walk(rows).lane_id.tolist()
    ['1-i002']
    """
    return lanes.take((lanes.reason != WALKED) & (lanes.reason != CLOSED))


@dataclass(frozen=True, kw_only=True, eq=False)
class InfillPlan:
    """Infill lanes of a job.

    Attributes
    ----------
    lanes
        Lanes walked or closed, then those to walk in walking order.
    length_m, dead_m, seconds
        Walking on the lanes to walk, dead walking between them, and the time for both.
    notices
        What was left out, and why.
    """

    lanes: Infill
    length_m: float
    dead_m: float
    seconds: float
    notices: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class InfillRules:
    """What infill lanes have to keep to.

    Attributes
    ----------
    area, no_go
        Search area, and ground that no lane may enter: polygons in metres.
    sweep_width_m, spacing_m, speed_mps
        Width that a lane closes, greatest distance between lanes, walking speed.
    min_gap_m2
        Smallest gap that is worth a lane.
    crs, on
        Metric CRS and date, for bearings.
    """

    area: Any
    no_go: Any
    sweep_width_m: float
    spacing_m: float
    speed_mps: float
    min_gap_m2: float
    crs: CRS
    on: date


def plan_infill(
    walks: tuple[Pass, ...],
    gaps: Gaps,
    old: Infill,
    rules: InfillRules,
) -> InfillPlan:
    """Infill lanes over the listed gaps of all passes.

    An id stands for one line for ever, since somebody may be out with it. A lane to walk that
    lies on one of the job's infill lanes takes that one, with its id and direction; others get
    numbers never used before. Lanes that are no longer to walk stay, with the reason why.

    Parameters
    ----------
    walks
        Passes as planned and walked.
    gaps
        Gaps listed, of all passes.
    old
        Infill lanes of the job so far.
    rules
        What to keep to.
    """
    walked_ids = {str(name) for walk in walks for name in walk.accepted.lane_id}
    walked = np.array([name in walked_ids for name in old.lane_id], dtype=bool)
    numbers = last_numbers([*old.lane_id, *walked_ids], {}, "i")
    stand = plan_ground.Ground(rules.area, rules.no_go)
    layers: list[Infill] = []
    notices: list[str] = []
    dead_m = 0.0
    turns = 0
    for walk in walks:
        lines, dropped = _lines(walk, gaps, stand, rules)
        notices += dropped
        if not len(lines):
            continue
        lines, known = _matched(lines, old.take(old.pass_no == walk.pass_no), rules)
        lines, known, dead = _in_order(lines, known, walk, stand)
        dead_m += dead
        turns += max(0, len(lines) - 1)
        ids = known.copy()
        for i in np.flatnonzero(known == ""):
            numbers[walk.pass_no] += 1
            ids[i] = f"{walk.pass_no}-i{numbers[walk.pass_no]:03d}"
        layers.append(_layer(lines, ids, walk.pass_no, gaps, rules))
    laid = Infill.concat(layers)
    settled = ~np.isin(old.lane_id.astype(str), laid.lane_id.astype(str))
    kept = old.with_columns(reason=np.where(walked, WALKED, CLOSED).astype(object)).take(settled)
    before = max([0, *(int(walk.lanes.seq.max(initial=0)) for walk in walks), *kept.seq.tolist()])
    laid = laid.with_columns(seq=before + 1 + np.arange(len(laid)))
    length_m = float(laid.length_m.sum())
    return InfillPlan(
        lanes=Infill.concat([kept, _with_bearings(laid, rules)]),
        length_m=length_m,
        dead_m=dead_m,
        seconds=walking_seconds(length_m, dead_m, turns, rules.speed_mps),
        notices=tuple(notices),
    )


def _lines(
    walk: Pass, gaps: Gaps, stand: plan_ground.Ground, rules: InfillRules
) -> tuple[Geometries, list[str]]:
    """Lines over the gaps of a pass, and what was left out."""
    mine = gaps.take(gaps.pass_no == walk.pass_no)
    notices = []
    narrow = mine.width_m < NARROW_M
    if narrow.any():
        notices.append(
            f"Pass {walk.pass_no}: no infill lane over gaps narrower than {NARROW_M:g} m, which "
            f"nobody walks that exactly; there are {np.count_nonzero(narrow)}, of "
            f"{format_area(float(mine.area_m2[narrow].sum()))} together."
        )
    ground = mine.geometry[~narrow]
    waiting = walk.lanes.take(walk.to_walk)
    if len(waiting) and len(ground):
        # Their own lanes close these gaps, so that a second set would only confuse.
        rest = uncovered(
            shapely.MultiPolygon(list(ground)), waiting.geometry, rules.sweep_width_m / 2
        )
        kept = rest[shapely.area(rest) >= rules.min_gap_m2]
        if shapely.area(kept).sum() < shapely.area(ground).sum() - rules.min_gap_m2:
            notices.append(
                f"Pass {walk.pass_no}: no infill lanes over lanes that the walking has not come "
                f"to yet; walk {spans(set(waiting.lane_id))}."
            )
        ground = kept
    if not len(ground):
        return ground, notices
    frame = walk.frame(stand.origin)
    across, _ = frame.to_frame(shapely.get_coordinates(shapely.get_point(walk.lanes.geometry, 0)))
    lines, open_m2 = lay_lines(
        ground,
        Ground(
            frame=frame,
            area=rules.area,
            no_go=rules.no_go,
            sweep_width_m=rules.sweep_width_m,
            spacing_m=rules.spacing_m,
            planned_v=np.unique(across),
        ),
    )
    if open_m2 > 0:
        notices.append(
            f"Pass {walk.pass_no}: {format_area(open_m2)} of the gaps lie where no straight lane "
            "reaches them beside no-go ground."
        )
    return lines, notices


def _matched(
    lines: Geometries, old: Infill, rules: InfillRules
) -> tuple[Geometries, NDArray[np.object_]]:
    """Lines, and the id of the old lane that each lies on, or empty.

    The old lane's own geometry is taken, since chainages were counted from its start. It may be
    longer by a sweep width in all: to walk that much too far is better than a new id in the field.
    """
    known = np.full(len(lines), "", dtype=np.object_)
    barred = shapely.length(shapely.intersection(old.geometry, rules.no_go)) > SAME_M
    old = old.take(~barred)
    if not len(old):
        return lines, known
    lines = lines.copy()
    row, at, more = lying_on(lines, old.geometry)
    taken: set[int] = set()
    for pair in np.lexsort((at, row, np.round(more, 3))):
        i, k = int(row[pair]), int(at[pair])
        if not known[i] and k not in taken and more[pair] <= rules.sweep_width_m:
            taken.add(k)
            known[i], lines[i] = old.lane_id[k], old.geometry[k]
    return lines, known


def _ends(lines: Geometries) -> NDArray[np.float64]:
    """Ends (n, 2, 2) of lines (n,)."""
    ends = [shapely.get_coordinates(shapely.get_point(lines, i)) for i in (0, -1)]
    return np.stack(ends, axis=1)


def _in_order(
    lines: Geometries, known: NDArray[np.object_], walk: Pass, stand: plan_ground.Ground
) -> tuple[Geometries, NDArray[np.object_], float]:
    """Lines in walking order and direction, their ids, and the dead walking between them."""
    frame = walk.frame(stand.origin)
    legs, given = _legs(_ends(lines), frame)
    low_xy, high_xy = (frame.to_map(legs[0], along) for along in legs[1:])
    if len(lines) > _MANY_LEGS:
        order, forward = _nearest_next(low_xy, high_xy)
    else:
        order, forward, _ = arrange(
            plan_ground.PassLegs(
                pass_no=walk.pass_no,
                bearing_deg=walk.bearing_deg,
                spacing_m=float("nan"),
                legs=Stretches(line=_rows(*legs), low=legs[1], high=legs[2]),
                low_xy=low_xy,
                high_xy=high_xy,
                dropped=np.empty(0, dtype=np.object_),
            ),
            stand,
        )
    sequence = given[order]
    lines, known = lines[sequence], known[sequence]
    start, finish = low_xy[order], high_xy[order]
    start, finish = np.where(forward[:, None], [start, finish], [finish, start])
    new = known == ""
    lines[new] = plan_ground.lines(start[new], finish[new])
    ends = _ends(lines) - stand.origin
    return lines, known, float(stand.detours.estimate(ends[:-1, 1], ends[1:, 0]).sum())


def _nearest_next(
    low_xy: NDArray[np.float64], high_xy: NDArray[np.float64]
) -> tuple[Whole, NDArray[np.bool_]]:
    """Legs in the order of the nearest end next, and whether each is walked forward."""
    ends = np.concatenate([low_xy, high_xy])
    count = len(low_xy)
    order = np.empty(count, dtype=np.int64)
    forward = np.empty(count, dtype=bool)
    here = ends[0]
    for k in range(count):
        step = ends - here
        end = int(np.nanargmin(step[:, 0] ** 2 + step[:, 1] ** 2))
        order[k], forward[k] = end % count, end < count
        here = ends[(end + count) % (2 * count)].copy()
        ends[[end, (end + count) % (2 * count)]] = np.nan
    return order, forward


def _legs(
    ends: NDArray[np.float64], frame: Frame
) -> tuple[tuple[NDArray[np.float64], ...], NDArray[np.intp]]:
    """Across, low and high (n,) of lines sorted across and along, and where each came from."""
    across, along = frame.to_frame(ends.reshape(-1, 2))
    across, along = across.reshape(-1, 2).mean(axis=1), np.sort(along.reshape(-1, 2), axis=1)
    order = np.lexsort((along[:, 0], np.round(across, 3)))
    return (across[order], along[order, 0], along[order, 1]), order


def _rows(
    across: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64]
) -> Whole:
    """Numbers (n,) of lines that sorted legs lie on; legs of one line never overlap."""
    fresh = np.ones(len(across), dtype=bool)
    fresh[1:] = (np.diff(np.round(across, 3)) > 0) | (low[1:] < high[:-1])
    return np.cumsum(fresh, dtype=np.int64) - 1


def _layer(
    lines: Geometries, ids: NDArray[np.object_], pass_no: int, gaps: Gaps, rules: InfillRules
) -> Infill:
    ends = _ends(lines)
    step = ends[:, 1] - ends[:, 0]
    return Infill.build(
        geometry=lines,
        lane_id=ids,
        pass_no=pass_no,
        length_m=shapely.length(lines),
        bearing_deg=bearing_of(step[:, 0], step[:, 1]),
        start_peg=ids + "s",
        finish_peg=ids + "f",
        reason=_closes(lines, gaps.take(gaps.pass_no == pass_no), rules.sweep_width_m / 2),
    )


def _closes(lines: Geometries, gaps: Gaps, half_width_m: float) -> list[str]:
    """Gaps that each line closes, in words: those within a half width, narrow ones left out."""
    wide = gaps.take(gaps.width_m >= NARROW_M)
    line, gap = shapely.STRtree(wide.geometry).query(
        lines, predicate="dwithin", distance=0.99 * half_width_m
    )
    named: list[set[str]] = [set() for _ in lines]
    for i, k in zip(line.tolist(), gap.tolist(), strict=True):
        named[i].add(str(wide.gap_id[k]))
    return [f"{'gap' if len(names) == 1 else 'gaps'} {spans(names)}" for names in named]


def _with_bearings(lanes: Infill, rules: InfillRules) -> Infill:
    if not len(lanes):
        return lanes
    middle = shapely.line_interpolate_point(lanes.geometry, 0.5, normalized=True)
    true, magnetic = bearings(
        rules.crs, shapely.get_x(middle), shapely.get_y(middle), lanes.bearing_deg, rules.on
    )
    return lanes.with_columns(true_bearing_deg=true, magnetic_bearing_deg=magnetic)
