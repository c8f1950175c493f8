"""One pass as planned and as walked: which stretches of its lanes no accepted run spans."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.layers import Lanes, Runs
from gridtools.plan.strips import Frame, Stretches, difference

Geometries = NDArray[np.object_]


@dataclass(frozen=True, kw_only=True, eq=False)
class Pass:
    """Lanes and runs of one pass.

    Attributes
    ----------
    pass_no, bearing_deg
        Pass, and the direction of its lanes from grid north.
    lanes
        Planned lanes in walking order; none if the runs were made without a plan.
    accepted, rejected
        Runs that count as covered, and those that do not. Runs off any lane belong to the pass
        that they are more nearly parallel to.
    """

    pass_no: int
    bearing_deg: float
    lanes: Lanes
    accepted: Runs
    rejected: Runs

    def frame(self, origin: NDArray[np.float64]) -> Frame:
        """Axes along and across the lanes."""
        return Frame.at(origin, self.bearing_deg)

    @cached_property
    def begun(self) -> NDArray[np.bool_]:
        """Lanes (n,) that some run was walked on, accepted or not."""
        walked = np.concatenate([self.accepted.lane_id, self.rejected.lane_id]).astype(str)
        return np.isin(self.lanes.lane_id.astype(str), walked)

    @cached_property
    def to_walk(self) -> NDArray[np.bool_]:
        """Lanes (n,) before the first and after the last one begun in walking order.

        They were not missed: the walking has not come to them yet.
        """
        begun = np.flatnonzero(self.begun)
        if not begun.size:
            return np.ones(len(self.lanes), dtype=bool)
        place = np.arange(len(self.lanes))
        return np.asarray((place < begun[0]) | (place > begun[-1]))

    @cached_property
    def missing(self) -> Stretches:
        """Stretches of the lanes, by row and chainage, that no accepted run spans."""
        length = shapely.length(self.lanes.geometry)
        whole = Stretches(
            line=np.arange(len(length), dtype=np.int64), low=np.zeros(len(length)), high=length
        )
        row_of = {lane: row for row, lane in enumerate(self.lanes.lane_id)}
        row = np.array([row_of.get(lane, -1) for lane in self.accepted.lane_id], dtype=np.int64)
        known = row >= 0
        row, runs = row[known], self.accepted.geometry[known]
        ends = np.stack(
            [
                shapely.line_locate_point(self.lanes.geometry[row], shapely.get_point(runs, i))
                for i in (0, -1)
            ]
        ).reshape(2, -1)
        return difference(whole, Stretches(line=row, low=ends.min(axis=0), high=ends.max(axis=0)))

    def lane_pieces(self, stretches: Stretches) -> Geometries:
        """Lines (n,) of stretches of the lanes."""
        lines = self.lanes.geometry[stretches.line]
        ends = [
            shapely.get_coordinates(shapely.line_interpolate_point(lines, along))
            for along in (stretches.low, stretches.high)
        ]
        return np.asarray(shapely.linestrings(np.stack(ends, axis=1)), dtype=np.object_)


def split_passes(lanes: Lanes, runs: Runs, passes: int) -> tuple[Pass, ...]:
    """Lanes and runs by pass.

    Parameters
    ----------
    lanes
        Planned lanes of all passes; may be empty.
    runs
        All runs.
    passes
        1 or 2.
    """
    bearing = _bearing(lanes, runs)
    angle = np.radians(runs.heading_deg - bearing)
    loose = (runs.lane_id == "") & (runs.pass_no == 0)
    turned = loose & (passes == 2) & (np.abs(np.sin(angle)) > np.sqrt(0.5))
    pass_no = np.where(loose, np.where(turned, 2, 1), runs.pass_no)
    found = []
    for number in range(1, passes + 1):
        mine = lanes.take(lanes.pass_no == number)
        found.append(
            Pass(
                pass_no=number,
                bearing_deg=bearing + 90.0 * (number - 1),
                lanes=mine.take(np.argsort(mine.seq, kind="stable")),
                accepted=runs.take(runs.accepted & (runs.pass_no == number)),
                rejected=runs.take(~runs.accepted & (pass_no == number)),
            )
        )
    return tuple(found)


def _bearing(lanes: Lanes, runs: Runs) -> float:
    """Bearing of pass 1, in [0, 180): from the newest lane, else from the runs, else north.

    After a replan, lanes that were walked lie on the old bearing; the newest come last in order.
    """
    if len(lanes):
        last = int(np.argmax(lanes.seq))
        return float((lanes.bearing_deg[last] - 90.0 * (lanes.pass_no[last] - 1)) % 180.0)
    weight = runs.length_m * runs.accepted
    known = (runs.pass_no > 0) & np.isfinite(runs.heading_deg) & (weight > 0)
    if not known.any():
        return 0.0
    # Opposite headings are one direction, and pass 2 stands at right angles: doubling the angle
    # makes the former equal, and a quarter turn off the latter.
    twice = np.radians(2.0 * (runs.heading_deg - 90.0 * (runs.pass_no - 1)))[known]
    mean = np.average(np.stack([np.sin(twice), np.cos(twice)]), axis=1, weights=weight[known])
    return float(np.degrees(np.arctan2(*mean)) / 2.0 % 180.0)
