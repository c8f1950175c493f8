"""Two passes of parallel lanes over the search area.

All coordinates are metres in the job's metric CRS.
"""

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from gridtools.errors import InputError
from gridtools.geodesy import bearings
from gridtools.layers import Lanes, SearchArea
from gridtools.plan.bearing import choose_bearing
from gridtools.plan.effort import PassPlan, walking_seconds
from gridtools.plan.ground import Ground, PassLegs, lay_pass, lines
from gridtools.plan.order import NO_ORDER, Order, walking_order
from gridtools.plan.replan import SoFar
from gridtools.swath.uncovered import covered_percent, uncovered
from gridtools.units import bearing_difference, format_area, format_length, normalise_bearing


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Lanes of a job, and what they take.

    Attributes
    ----------
    lanes
        Legs of all passes that are to walk, in walking order.
    passes
        One entry per pass.
    bearing_reason
        Why the lanes lie on this bearing, in a sentence.
    notices
        What a person should know about the plan, one sentence each.
    """

    lanes: Lanes
    passes: tuple[PassPlan, ...]
    bearing_reason: str
    notices: tuple[str, ...]


def plan_lanes(
    search_area: SearchArea,
    no_go: Any,
    *,
    spacing_m: float,
    sweep_width_m: float,
    bearing_deg: float | None,
    passes: int = 2,
    run_on_m: float | None = None,
    stay_inside: bool = False,
    min_length_m: float = 0.0,
    speed_mps: float = 1.2,
    crs: CRS,
    on: date,
    first_numbers: tuple[int, int] = (1, 1),
    so_far: SoFar | None = None,
) -> Plan:
    """Lanes over the search area, in walking order.

    Each pass has as few lanes as leave no ground further than half a spacing from one, centred
    on the search area. A leg is as long as the strip of ground one spacing wide about it holds
    search area, so that corners are covered; it is cut where it would enter no-go ground. Pass 2
    lies at right angles to pass 1, from the same axes.

    Parameters
    ----------
    search_area
        Ground to be searched; full and reduced confidence alike.
    no_go
        Polygon or multipolygon that no leg may enter; may be empty.
    spacing_m, sweep_width_m
        Lane spacing S and sweep width W in metres.
    bearing_deg
        Grid bearing of pass 1; None picks the one that takes the least time.
    passes
        1 or 2.
    run_on_m
        Legs end at least this far past the boundary, where they cross it; never in no-go ground.
    stay_inside
        Legs end at the boundary instead, and leave corners uncovered.
    min_length_m
        Shorter legs are dropped; the ground that this leaves uncovered is stated.
    speed_mps
        Walking speed in metres a second.
    crs, on
        Metric CRS and date for true and magnetic bearings.
    first_numbers
        First lane number of pass 1 and of pass 2 for lanes that are new.
    so_far
        Plan and walk so far, if walking has begun. With the same bearing and spacing, lanes lie
        on the same lines as before, and those that stay as they are keep their ids. Of the
        others, only what was not walked is laid.

    Raises
    ------
    InputError
        If a figure cannot be used, or no leg is left.

    Examples
    --------
    >>> area = SearchArea.build(
    ...     geometry=[shapely.multipolygons([shapely.box(500000, 5e6, 500030, 5000010)])],
    ...     confidence="full", area_m2=300.0)
    >>> plan = plan_lanes(area, shapely.MultiPolygon(), spacing_m=5, sweep_width_m=5,
    ...     bearing_deg=90, crs=CRS(32633), on=date(2025, 6, 1))
    >>> plan.lanes.lane_id.tolist()[:3], plan.passes[0].length_m, plan.passes[1].legs
    (['1-001', '1-002', '2-001'], 60.0, 6)
    """
    _check(spacing_m, sweep_width_m, passes, run_on_m, stay_inside, min_length_m, speed_mps)
    ground = Ground.of(search_area.geometry, no_go)
    so_far = so_far or SoFar()
    if bearing_deg is None:
        choice = choose_bearing(
            ground,
            spacing_m=spacing_m,
            passes=passes,
            run_on_m=run_on_m,
            stay_inside=stay_inside,
            speed_mps=speed_mps,
        )
        bearing_deg, reason = choice.bearing_deg, choice.reason
    else:
        reason = f"The bearing of {bearing_deg:g}° was given."
    lanes: list[Lanes] = []
    plans: list[PassPlan] = []
    notices: list[str] = []
    for pass_no in range(1, passes + 1):
        laid = lay_pass(
            ground,
            float(bearing_deg),
            pass_no,
            spacing_m=spacing_m,
            run_on_m=run_on_m,
            stay_inside=stay_inside,
            min_length_m=min_length_m,
            through=so_far.through(pass_no, bearing_deg + 90.0 * (pass_no - 1), spacing_m),
        )
        legs, known = so_far.left(laid, ground)
        old = so_far.lanes
        order = walking_order(legs, ground, _old_way(legs, old, known)) if len(known) else NO_ORDER
        first = first_numbers[pass_no - 1]
        layer = _lanes_layer(legs, order, first, sum(map(len, lanes)), old, known)
        lanes.append(layer)
        walked = old.geometry[so_far.walked & (old.pass_no == pass_no)]
        everything = np.concatenate([walked, layer.geometry])
        percent = covered_percent(ground.area, everything, sweep_width_m / 2)
        plans.append(_figures(legs, order, layer, speed_mps, percent))
        notices.extend(_pass_notices(legs, order, everything, ground, sweep_width_m / 2))
    if sweep_width_m < spacing_m:
        notices.append(
            f"The sweep width of {format_length(sweep_width_m)} is less than the lane spacing of "
            f"{format_length(spacing_m)}: strips between the lanes stay uncovered in each pass."
        )
    return Plan(
        lanes=_with_bearings(Lanes.concat(lanes), crs, on),
        passes=tuple(plans),
        bearing_reason=reason,
        notices=tuple(notices),
    )


def _check(
    spacing_m: float,
    sweep_width_m: float,
    passes: int,
    run_on_m: float | None,
    stay_inside: bool,
    min_length_m: float,
    speed_mps: float,
) -> None:
    for value, name in ((spacing_m, "lane spacing"), (sweep_width_m, "sweep width")):
        if not (np.isfinite(value) and value > 0):
            raise InputError(f"a {name} of {value:g} m cannot be used: give more than 0")
    if not (np.isfinite(speed_mps) and speed_mps > 0):
        raise InputError(f"a speed of {speed_mps:g} m/s cannot be used: give more than 0")
    if passes not in (1, 2):
        raise InputError(f"{passes} passes cannot be planned: give 1 or 2")
    for value, name in ((run_on_m or 0.0, "run-on"), (min_length_m, "least length")):
        if not (np.isfinite(value) and value >= 0):
            raise InputError(f"a {name} of {value:g} m cannot be used: give 0 or more")
    if stay_inside and run_on_m is not None:
        raise InputError("lanes cannot both run on and stay inside: give one of the two")


def _letters(number: int) -> str:
    """Letter of a leg: 1 is a, 26 z, 27 aa."""
    text = ""
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(ord("a") + rest) + text
    return text


def _lane_ids(pass_no: int, line: NDArray[np.int64], first_number: int) -> NDArray[np.object_]:
    """Ids of legs in the order of the lines, and along each: lanes that hold legs are counted."""
    _, lane, count = np.unique(line, return_inverse=True, return_counts=True)
    leg = np.arange(len(lane)) - (np.cumsum(count) - count)[lane] + 1
    ids = np.empty(len(lane), dtype=np.object_)
    for i, (number, part, parts) in enumerate(zip(lane, leg, count[lane], strict=True)):
        letters = _letters(int(part)) if parts > 1 else ""
        ids[i] = f"{pass_no}-{number + first_number:03d}{letters}"
    return ids


def _lanes_layer(
    legs: PassLegs,
    order: Order,
    first_number: int,
    before: int,
    old: Lanes,
    known: NDArray[np.intp],
) -> Lanes:
    """Legs of a pass as a layer in walking order; bearings to true and magnetic north follow.

    Legs known as old lanes stay as those are but for their place in the order.
    """
    ids = np.full(len(known), "", dtype=np.object_)
    ids[known < 0] = _lane_ids(legs.pass_no, legs.legs.line[known < 0], first_number)
    ids, known = ids[order.leg], known[order.leg]
    forward = order.forward[:, None]
    low_xy, high_xy = legs.low_xy[order.leg], legs.high_xy[order.leg]
    layer = Lanes.build(
        geometry=lines(np.where(forward, low_xy, high_xy), np.where(forward, high_xy, low_xy)),
        lane_id=ids,
        pass_no=legs.pass_no,
        seq=before + 1 + np.arange(len(ids)),
        length_m=(legs.legs.high - legs.legs.low)[order.leg],
        bearing_deg=normalise_bearing(legs.bearing_deg + np.where(order.forward, 0.0, 180.0)),
        start_peg=ids + "s",
        finish_peg=ids + "f",
    )
    same = known >= 0
    stay = old.take(known[same]).with_columns(seq=layer.seq[same])
    mixed = Lanes.concat([layer.take(~same), stay])
    return mixed.take(np.argsort(mixed.seq, kind="stable"))


def _old_way(legs: PassLegs, old: Lanes, known: NDArray[np.intp]) -> NDArray[np.int64]:
    """Which way each leg (n,) was walked so far: 1 along the bearing, -1 back, 0 if it is new."""
    turn = bearing_difference(old.bearing_deg[known[known >= 0]], legs.bearing_deg)
    way = np.zeros(len(known), dtype=np.int64)
    way[known >= 0] = np.where(np.abs(turn) < 90.0, 1, -1)
    return way


def _with_bearings(lanes: Lanes, crs: CRS, on: date) -> Lanes:
    if not len(lanes):
        return lanes
    middle = shapely.line_interpolate_point(lanes.geometry, 0.5, normalized=True)
    true, magnetic = bearings(
        crs, shapely.get_x(middle), shapely.get_y(middle), lanes.bearing_deg, on
    )
    return lanes.with_columns(true_bearing_deg=true, magnetic_bearing_deg=magnetic)


def _figures(
    legs: PassLegs, order: Order, layer: Lanes, speed_mps: float, percent: float
) -> PassPlan:
    length_m = float(layer.length_m.sum())
    return PassPlan(
        pass_no=legs.pass_no,
        bearing_deg=legs.bearing_deg,
        lanes=len(np.unique(legs.legs.line)),
        legs=len(layer),
        length_m=length_m,
        dead_m=order.dead_m,
        turns=order.turns,
        seconds=walking_seconds(length_m, order.dead_m, order.turns, speed_mps),
        planned_percent=percent,
    )


def _pass_notices(
    legs: PassLegs, order: Order, lanes: NDArray[np.object_], ground: Ground, reach_m: float
) -> list[str]:
    notices = []
    if legs.dropped.size:
        without, with_them = (
            float(shapely.area(uncovered(ground.area, some, reach_m)).sum())
            for some in (lanes, np.concatenate([lanes, legs.dropped]))
        )
        notices.append(
            f"Pass {legs.pass_no}: legs shorter than the least length were dropped "
            f"({legs.dropped.size}), which leaves {format_area(without - with_them)} uncovered."
        )
    if order.enclosed:
        notices.append(
            f"Pass {legs.pass_no}: no-go ground encloses some of the legs. Walks to and from them "
            f"({order.enclosed}) are counted straight: check how that ground is reached."
        )
    return notices
