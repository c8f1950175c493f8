"""The order in which the legs of a pass are walked, to be short on foot.

Legs are grouped into cells, each walked to and fro. A cell can be entered at four corners,
which fixes where it is left; the cells are then put in an order that keeps the dead walking
between them short: the nearest cell next, and then improved by reversing stretches of the order
(2-opt), moving single cells, and choosing all corners anew, until nothing helps. In small
passes the legs themselves are improved in the same way, from there and from a plain walk lane
by lane, and whichever order measures shortest is taken.
"""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.plan.cells import Cells, group
from gridtools.plan.detours import Detours
from gridtools.plan.ground import Ground, PassLegs
from gridtools.plan.strips import Stretches
from gridtools.plan.tour import Visits, improved_tours, shortest_tour

Real = NDArray[np.float64]
Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]

#: Passes of up to this many legs are improved leg by leg after the cells are in order.
MOST_REFINED = 300


@dataclass(frozen=True, kw_only=True, eq=False)
class Order:
    """Walking order of a pass.

    Attributes
    ----------
    leg
        Legs (n,) in walking order, as positions among the legs of the pass.
    forward
        Whether each (n,) is walked along the bearing of the pass, or back.
    dead
        Lines (n - 1,) of the dead walking from each leg to the next, in map coordinates.
    dead_m
        Their length together.
    turns
        Times that the next leg is not straight ahead.
    enclosed
        Walks that no way round no-go ground leads to; they are drawn straight.
    """

    leg: Whole
    forward: Flags
    dead: NDArray[np.object_]
    dead_m: float
    turns: int
    enclosed: int


NO_ORDER = Order(
    leg=np.empty(0, dtype=np.int64),
    forward=np.empty(0, dtype=bool),
    dead=np.empty(0, dtype=np.object_),
    dead_m=0.0,
    turns=0,
    enclosed=0,
)
"""Order of a pass that has nothing left to walk."""


def walking_order(legs: PassLegs, ground: Ground, way: Whole | None = None) -> Order:
    """Order of the legs of a pass, each walked once, with little dead walking.

    Parameters
    ----------
    legs
        Legs of the pass.
    ground
        Ground that they lie on, with its no-go ground.
    way
        Which way each leg (n,) has to be walked: 1 along the bearing, -1 back, 0 either.
    """
    fixed = np.zeros(len(legs.legs), dtype=np.int64) if way is None else way
    measured = [
        _measured(legs, ground, leg, np.where(fixed[leg] == 0, forward, fixed[leg] > 0))
        for leg, forward in _arrangements(legs, ground)[0]
    ]
    return min(measured, key=lambda order: round(order.dead_m, 6))


def arrange(legs: PassLegs, ground: Ground) -> tuple[Whole, Flags, float]:
    """Legs in walking order, whether each is walked forward, and about how much dead walking.

    Much quicker than `walking_order`, which measures the dead walking to the end.
    """
    orders, dead_m = _arrangements(legs, ground)
    return *orders[0], dead_m


def _measured(legs: PassLegs, ground: Ground, leg: Whole, forward: Flags) -> Order:
    """An order with its dead walking, round no-go ground."""
    ends = _ends(legs, ground)[leg]
    start = np.where(forward[:, None], ends[:, 0], ends[:, 1])
    finish = np.where(forward[:, None], ends[:, 1], ends[:, 0])
    straight = np.stack([finish[:-1], start[1:]], axis=1)
    found = ground.detours.ways(finish[:-1], start[1:])
    ways = [line if way is None else way for line, way in zip(straight, found, strict=True)]
    return Order(
        leg=leg,
        forward=forward,
        dead=np.array([shapely.LineString(way + ground.origin) for way in ways], dtype=np.object_),
        dead_m=float(sum(np.hypot(*np.diff(way, axis=0).T).sum() for way in ways)),
        turns=count_turns(legs.legs, leg, forward),
        enclosed=sum(way is None for way in found),
    )


def _arrangements(legs: PassLegs, ground: Ground) -> tuple[list[tuple[Whole, Flags]], float]:
    """Orders worth measuring, the best by estimate first, and the estimate for that one."""
    ends, distance = _ends(legs, ground), ground.detours.estimate
    cells = group(legs.legs)
    visits, starts_up = _visits(cells, ends, ground.detours)
    order, way, dead_m = shortest_tour(visits, distance)
    leg, forward = _unfold(cells, order, way, starts_up)
    if len(cells.count) == 1 or len(legs.legs) > MOST_REFINED:
        return [(leg, forward)], dead_m
    # With few lanes to a cell it can be shorter to step across from one cell to another.
    one_by_one = Visits(corner=ends, inside_m=np.zeros((len(ends), 2)))
    by_lane = _lane_by_lane(legs.legs)
    tours = improved_tours(one_by_one, distance, [(leg, np.where(forward, 0, 1)), by_lane])
    tours.sort(key=lambda tour: round(tour[2], 6))
    orders = [(leg, way == 0) for leg, way, _ in tours]
    return [*orders, (by_lane[0], by_lane[1] == 0)], tours[0][2]


def _lane_by_lane(legs: Stretches) -> tuple[Whole, Whole]:
    """Legs in the order of the lanes, up one and down the next, and the way of each."""
    down = np.unique(legs.line, return_inverse=True)[1] % 2
    leg = np.lexsort((np.where(down == 1, -legs.low, legs.low), legs.line))
    return leg, down[leg]


def _ends(legs: PassLegs, ground: Ground) -> Real:
    """Low and high end (n, 2, 2) of each leg about the local origin."""
    return np.stack([legs.low_xy, legs.high_xy], axis=1) - ground.origin


def _visits(cells: Cells, ends: Real, detours: Detours) -> tuple[Visits, Flags]:
    """Four ways (m, 4) to walk each cell, and whether each starts along the bearing.

    Ways 0 and 1 go from the first leg to the last, starting up and starting down; 2 and 3 are
    the same walks backwards.
    """
    first = ends[cells.leg[cells.first]]
    last = ends[cells.leg[cells.first + cells.count - 1]]
    odd = cells.count % 2 == 1
    # The last leg is walked like the first where their number is odd, or else the other way.
    leave = np.where(odd[:, None, None], last[:, ::-1], last)
    up = np.stack([odd | True, odd & False, ~odd, odd], axis=1)
    inside = _inside(cells, ends, detours)
    visits = Visits(corner=np.concatenate([first, leave], axis=1), inside_m=np.tile(inside, 2))
    return visits, up


def _inside(cells: Cells, ends: Real, detours: Detours) -> Real:
    """Dead walking (m, 2) within each cell, starting up and starting down."""
    cell = np.repeat(np.arange(len(cells.count)), cells.count)
    place = np.arange(len(cell)) - cells.first[cell]
    here = np.flatnonzero(cell[1:] == cell[:-1])
    steps = np.stack(
        [
            detours.estimate(ends[cells.leg[here], side], ends[cells.leg[here + 1], side])
            for side in (0, 1)
        ],
        axis=1,
    )
    even = (place[here] % 2 == 0)[:, None]
    by_way = np.where(even, steps[:, ::-1], steps)
    inside = np.zeros((len(cells.count), 2))
    np.add.at(inside, cell[here], by_way)
    return inside


def _unfold(cells: Cells, order: Whole, state: Whole, starts_up: Flags) -> tuple[Whole, Flags]:
    """Legs and their directions from cells in walking order."""
    leg, forward = [], []
    for cell, way in zip(order, state, strict=True):
        block = cells.leg[cells.first[cell] : cells.first[cell] + cells.count[cell]]
        leg.append(block[::-1] if way >= 2 else block)
        up = np.arange(len(block)) % 2 == 0
        forward.append(up if starts_up[cell, way] else ~up)
    return np.concatenate(leg), np.concatenate(forward)


def count_turns(legs: Stretches, leg: Whole, forward: Flags) -> int:
    """Times that the next leg in walking order is not straight ahead."""
    same = (legs.line[leg[1:]] == legs.line[leg[:-1]]) & (forward[1:] == forward[:-1])
    ahead = (legs.low[leg[1:]] > legs.low[leg[:-1]]) == forward[1:]
    return int(np.count_nonzero(~(same & ahead)))
