"""The bearing whose lanes take the least time."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.plan.cells import group
from gridtools.plan.effort import walking_seconds
from gridtools.plan.ground import Ground, PassLegs, lay_pass
from gridtools.plan.order import arrange, count_turns
from gridtools.units import bearing_of, format_duration, format_length

Real = NDArray[np.float64]

#: Bearings this far apart are tried, besides those of the edges of the site.
STEP_DEG = 1.0
#: Only so many edges are tried, the longest, and so many bearings planned to the end.
MOST_EDGES = 24
SHORT_LIST = 5
#: Bearings on the short list differ by this much, so that the runner-up is another choice.
APART_DEG = 1.5
#: A site in more cells than this has a short list of two, since each takes long to order.
MANY_CELLS = 120
#: Length of the shortest tour of n random places on area A is near this times sqrt(n A)
#: (Beardwood, Halton and Hammersley 1959; the constant as in Applegate and others, 2006; from
#: memory).
_TOUR_CONSTANT = 0.7124
_MANY_VERTICES = 2000


@dataclass(frozen=True, kw_only=True)
class Choice:
    """A bearing, and why.

    Attributes
    ----------
    bearing_deg
        Grid bearing of pass 1, in [0, 180).
    reason
        Figures for it, for the next best and for the worst, for people.
    """

    bearing_deg: float
    reason: str


@dataclass(frozen=True, kw_only=True)
class _Cost:
    seconds: float
    length_m: float
    dead_m: float
    turns: int


def choose_bearing(
    ground: Ground,
    *,
    spacing_m: float,
    passes: int,
    run_on_m: float | None,
    stay_inside: bool,
    speed_mps: float,
) -> Choice:
    """Bearing on which all passes together take the least time.

    Every degree, the longest edges of the site and its narrowest rectangle are compared by an
    estimate: lanes and turns as they would be, and dead walking as a step along the boundary
    within each cell and a random tour between cells. The best few that differ are then put in
    walking order, and the quickest is taken. With two passes, the one with fewer turns comes
    first. Legs that would be dropped for being short count here, so that a bearing is not
    chosen for the ground that it leaves out.
    """
    lay = partial(lay_pass, spacing_m=spacing_m, run_on_m=run_on_m, stay_inside=stay_inside)
    period = 180.0 if passes == 1 else 90.0
    rough = _rough_ground(ground, spacing_m)
    tried = _candidates(ground, spacing_m, period)
    quick = [_estimated(rough, lay, b, passes, speed_mps) for b in tried]
    seconds = np.array([cost.seconds for cost in quick])
    short_list = _apart(tried, seconds, period)
    cells = max(len(group(lay(ground, tried[short_list[0]], p).legs).count) for p in (1, passes))
    short_list = short_list[: 2 if cells > MANY_CELLS else SHORT_LIST]
    planned = [_planned(ground, lay, tried[i], passes, speed_mps) for i in short_list]
    rank = np.argsort([cost.seconds for cost in planned], kind="stable")
    best = tried[short_list[rank[0]]]
    worst = int(np.argmax(seconds))
    if passes == 2:
        legs = [len(lay(ground, best, pass_no).legs) for pass_no in (1, 2)]
        best = best + 90.0 if legs[1] < legs[0] else best
    cost = planned[rank[0]]
    reason = (
        f"Lanes on {best:.1f}° take the least time, {format_duration(cost.seconds)} for "
        f"{'both passes' if passes == 2 else 'the pass'}: {format_length(cost.length_m)} of lanes, "
        f"{format_length(cost.dead_m)} of dead walking and {cost.turns} turns."
    )
    if len(rank) > 1:
        next_best = planned[rank[1]]
        reason += (
            f" Next comes {tried[short_list[rank[1]]]:.1f}° with "
            f"{format_duration(next_best.seconds)}"
        )
        reason += (
            f"; of all bearings tried {tried[worst]:.1f}° would take longest, about "
            f"{format_duration(seconds[worst])}."
        )
    return Choice(bearing_deg=float(best), reason=reason)


def _rough_ground(ground: Ground, spacing_m: float) -> Ground:
    """Ground with fewer vertices, for estimates."""
    if shapely.get_num_coordinates(ground.area) < _MANY_VERTICES:
        return ground
    rough = shapely.simplify(ground.area, spacing_m / 4)
    return (
        ground if rough.is_empty else Ground(rough, shapely.simplify(ground.no_go, spacing_m / 4))
    )


def _candidates(ground: Ground, spacing_m: float, period: float) -> Real:
    """Bearings to try in [0, period), sorted."""
    rings = shapely.get_exterior_ring(shapely.get_parts(ground.area))
    edges = [
        np.diff(shapely.get_coordinates(r), axis=0) for r in shapely.simplify(rings, spacing_m)
    ]
    steps = np.concatenate(edges)
    steps = steps[np.argsort(-np.hypot(*steps.T), kind="stable")[:MOST_EDGES]]
    box = np.diff(shapely.get_coordinates(shapely.minimum_rotated_rectangle(ground.area)), axis=0)
    edges_deg = np.concatenate([bearing_of(*steps.T), bearing_of(*box.T)])
    tried = np.concatenate([np.arange(0.0, period, STEP_DEG), edges_deg % period])
    return np.unique(np.round(tried, 9) % period)


def _apart(tried: Real, seconds: Real, period: float) -> list[int]:
    """Positions of bearings that differ, quickest first."""
    chosen: list[int] = []
    for i in np.argsort(seconds, kind="stable"):
        gap = np.abs(tried[chosen] - tried[i])
        if (np.minimum(gap, period - gap) >= APART_DEG).all():
            chosen.append(int(i))
        if len(chosen) == SHORT_LIST:
            break
    return chosen


def _total(
    passes: int, speed_mps: float, one_pass: Callable[[int], tuple[float, float, int]]
) -> _Cost:
    length, dead, turns = zip(*(one_pass(p) for p in range(1, passes + 1)), strict=True)
    return _Cost(
        seconds=walking_seconds(sum(length), sum(dead), sum(turns), speed_mps),
        length_m=float(sum(length)),
        dead_m=float(sum(dead)),
        turns=int(sum(turns)),
    )


def _estimated(
    ground: Ground,
    lay: Callable[[Ground, float, int], PassLegs],
    bearing_deg: float,
    passes: int,
    speed_mps: float,
) -> _Cost:
    def one_pass(pass_no: int) -> tuple[float, float, int]:
        laid = lay(ground, bearing_deg, pass_no)
        legs = laid.legs
        cells = group(legs)
        one, other = cells.leg[:-1], cells.leg[1:]
        inside = legs.line[other] == legs.line[one] + 1
        shift = np.abs(legs.low[other] - legs.low[one]), np.abs(legs.high[other] - legs.high[one])
        steps = sum(np.hypot(s, laid.spacing_m)[inside].sum() / 2 for s in shift)
        between = _TOUR_CONSTANT * np.sqrt(ground.area.area * (len(cells.count) - 1))
        length = float((legs.high - legs.low).sum())
        return length, float(steps + between), len(legs) - 1

    return _total(passes, speed_mps, one_pass)


def _planned(
    ground: Ground,
    lay: Callable[[Ground, float, int], PassLegs],
    bearing_deg: float,
    passes: int,
    speed_mps: float,
) -> _Cost:
    def one_pass(pass_no: int) -> tuple[float, float, int]:
        laid = lay(ground, bearing_deg, pass_no)
        leg, forward, dead_m = arrange(laid, ground)
        length = float((laid.legs.high - laid.legs.low).sum())
        return length, dead_m, count_turns(laid.legs, leg, forward)

    return _total(passes, speed_mps, one_pass)
