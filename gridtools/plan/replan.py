"""Planning again after walking has begun: what was walked stays, no lane number comes twice."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.columns import Text
from gridtools.layers import Lanes, Runs
from gridtools.plan.ground import Ground, PassLegs, lines
from gridtools.plan.strips import Frame, Stretches, difference
from gridtools.units import bearing_difference

#: Lines whose ends lie this near to each other are one line.
SAME_M = 0.001
# Pieces shorter than this, or than a lane spacing, are left to infill lanes: a turn and a fix a
# second take as much off the end of a run.
_CRUMB_M = 2.5
# So are pieces with no more than this share of their strip open: they run past ground that is done.
_OPEN_SHARE = 0.05
_SAME_BEARING_DEG = 1e-6


def last_numbers(
    names: Iterable[str], known: Mapping[int, int], letter: str = ""
) -> dict[int, int]:
    """Highest number ever given to a lane of pass 1 and of pass 2.

    Parameters
    ----------
    names
        Lane ids in use; other names are passed over.
    known
        Highest numbers by pass as far as they were kept, of lanes that may be gone by now.
    letter
        What stands before the number: i for infill lanes.

    Examples
    --------
    >>> last_numbers(["1-007", "1-012b", "1-i020"], {2: 3})
    {1: 12, 2: 3}
    """
    highest = {1: known.get(1, 0), 2: known.get(2, 0)}
    for name in names:
        if match := re.fullmatch(rf"([12])-{letter}(\d+)[a-z]*", name):
            highest[int(match[1])] = max(highest[int(match[1])], int(match[2]))
    return highest


def lying_on(
    new: NDArray[np.object_], old: NDArray[np.object_]
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    """Pairs (k,) of new lines that lie on old ones, to 1 mm, and how much longer the old one is.

    Examples
    --------
    >>> old, new = shapely.linestrings([[[0, 0], [0, 9]], [[0, 8], [0, 2]]])
    >>> [pair.tolist() for pair in lying_on(np.array([new]), np.array([old]))]
    [[0], [0], [3.0]]
    """
    row, at = shapely.STRtree(old).query(new, predicate="dwithin", distance=SAME_M)
    off = np.maximum(
        *(shapely.distance(shapely.get_point(new[row], end), old[at]) for end in (0, -1))
    )
    row, at = row[off <= SAME_M], at[off <= SAME_M]
    return row, at, shapely.length(old)[at] - shapely.length(new)[row]


@dataclass(frozen=True, kw_only=True, eq=False)
class SoFar:
    """The plan so far, and what was walked of it.

    Attributes
    ----------
    lanes, runs
        Lanes, and all runs, in metres.
    spacing_m
        Lane spacing of the lanes.
    """

    lanes: Lanes = field(default_factory=Lanes.empty)
    runs: Runs = field(default_factory=Runs.empty)
    spacing_m: float = float("nan")

    @cached_property
    def walked(self) -> NDArray[np.bool_]:
        """Lanes (n,) with an accepted run."""
        names = self.runs.lane_id[self.runs.accepted].astype(str)
        return np.isin(self.lanes.lane_id.astype(str), names)

    def through(
        self, pass_no: int, bearing_deg: float, spacing_m: float
    ) -> NDArray[np.float64] | None:
        """Point (2,) on the newest lane of a pass, if lanes would lie as they do so far."""
        mine = self.lanes.take(self.lanes.pass_no == pass_no)
        if not len(mine) or spacing_m != self.spacing_m:
            return None
        newest = int(np.argmax(mine.seq))
        turn = 2.0 * bearing_difference(mine.bearing_deg[newest], bearing_deg)
        if abs(bearing_difference(turn, 0.0)) > 2.0 * _SAME_BEARING_DEG:
            return None
        start: NDArray[np.float64] = shapely.get_coordinates(mine.geometry[newest])[0]
        return start

    def left(self, legs: PassLegs, ground: Ground) -> tuple[PassLegs, NDArray[np.intp]]:
        """Legs of a pass that are still to walk, and the row of the lane that each is, or -1.

        A leg that lies as a lane so far, end to end, is that lane: with an accepted run it is
        done, else to walk. Of the others remains what lies further than half a spacing from
        every accepted run of the pass, and has ground beside it that does too.

        Parameters
        ----------
        legs
            Legs of the pass as they would be laid if nothing had been walked.
        ground
            Ground that they lie on.
        """
        known = np.full(len(legs.legs), -1, dtype=np.intp)
        if not len(self.lanes):
            return legs, known
        rows = np.flatnonzero(self.lanes.pass_no == legs.pass_no)
        leg, at, more = lying_on(lines(legs.low_xy, legs.high_xy), self.lanes.geometry[rows])
        known[leg[more <= SAME_M]] = rows[at[more <= SAME_M]]
        kept = (known >= 0) & ~self.walked[known]

        frame = Frame.at(ground.origin, legs.bearing_deg)
        across, low = frame.to_frame(legs.low_xy)
        whole = Stretches(line=legs.legs.line, low=low, high=frame.to_frame(legs.high_xy)[1])
        runs = self.runs.geometry[self.runs.accepted & (self.runs.pass_no == legs.pass_no)]
        new = whole.take(known < 0)
        if len(new) and len(runs):
            new = _unwalked(new, across[known < 0], runs, legs.spacing_m, frame, ground.area)
        number, first = np.unique(whole.line, return_index=True)
        stay = whole.take(kept)
        line, low, high = (
            np.concatenate([getattr(part, name) for part in (stay, new)])
            for name in ("line", "low", "high")
        )
        order = np.lexsort((low, line))
        left = Stretches(line=line, low=low, high=high).take(order)
        across = across[first][np.searchsorted(number, left.line)]
        return (
            replace(
                legs,
                legs=left,
                low_xy=frame.to_map(across, left.low),
                high_xy=frame.to_map(across, left.high),
            ),
            np.concatenate([known[kept], np.full(len(new), -1, dtype=np.intp)])[order],
        )


def _unwalked(
    legs: Stretches,
    across: NDArray[np.float64],
    runs: NDArray[np.object_],
    spacing_m: float,
    frame: Frame,
    area: Any,
) -> Stretches:
    """Legs (n,) at positions across (n,), less what runs passed within half a spacing of."""
    half, crumb = spacing_m / 2, max(_CRUMB_M, spacing_m)
    # Smaller bends do not matter here, and take most of the time.
    walked = shapely.union_all(shapely.buffer(shapely.simplify(runs, 0.05 * half), half))

    def shapes(some: Stretches, at: NDArray[np.float64]) -> NDArray[np.object_]:
        return lines(frame.to_map(at, some.low), frame.to_map(at, some.high))

    parts = shapely.get_parts(
        shapely.intersection(shapely.multilinestrings(shapes(legs, across).tolist()), walked)
    )
    parts = parts[shapely.length(parts) >= crumb]
    ends = [shapely.get_coordinates(shapely.get_point(parts, i)) for i in (0, -1)]
    (at, one), (_, other) = (frame.to_frame(xy.reshape(-1, 2)) for xy in ends)
    order = np.argsort(across, kind="stable")
    nearest = order[np.searchsorted(across[order] + half, at)]
    low, high = np.minimum(one, other), np.maximum(one, other)
    left = difference(legs, Stretches(line=legs.line[nearest], low=low, high=high))
    left = left.take(left.high - left.low >= crumb)
    number, first = np.unique(legs.line, return_index=True)
    strips = shapely.buffer(
        shapes(left, across[first][np.searchsorted(number, left.line)]), half, cap_style="flat"
    )
    still_open = shapely.area(shapely.intersection(strips, shapely.difference(area, walked)))
    return left.take(still_open >= _OPEN_SHARE * shapely.area(strips))


def keep_walked(old: Lanes, walked: Text, new: Lanes) -> Lanes:
    """Old lanes that runs were walked on and that are not to walk again, then those to walk.

    Parameters
    ----------
    old
        Lanes of the job so far.
    walked
        Lane ids of its runs.
    new
        Lanes to walk now; an id of an old lane stands for that lane.
    """
    names = old.lane_id.astype(str)
    kept = old.take(np.isin(names, walked.astype(str)) & ~np.isin(names, new.lane_id.astype(str)))
    after = int(kept.seq.max()) if len(kept) else 0
    return Lanes.concat([kept, new.with_columns(seq=new.seq + after)])
