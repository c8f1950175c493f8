"""How far the walking has come, lane by lane."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.columns import Real, Text
from gridtools.layers import Lanes, Runs

#: What a lane that counts as done may lack: a share of its length, and what a turn and a fix a
#: second take off its ends. The ground itself is judged by coverage; this only tells the walker
#: which lanes to look at again.
LACKING_SHARE = 0.05
LACKING_M = 2.5


@dataclass(frozen=True, kw_only=True, eq=False)
class Progress:
    """Walking done on each of n lanes.

    Attributes
    ----------
    lane_id, pass_no, length_m
        The lanes (n,).
    walked_m
        Length of each lane (n,) spanned by accepted runs, overlaps counted once.
    """

    lane_id: Text
    pass_no: NDArray[np.int64]
    length_m: Real
    walked_m: Real

    @property
    def done(self) -> NDArray[np.bool_]:
        """Lanes (n,) that count as walked."""
        lacking = np.maximum(LACKING_SHARE * self.length_m, LACKING_M)
        return (self.walked_m > 0) & (self.walked_m >= self.length_m - lacking)

    @property
    def untouched(self) -> NDArray[np.bool_]:
        """Lanes (n,) without an accepted run."""
        return np.equal(self.walked_m, 0.0)

    @property
    def short(self) -> NDArray[np.bool_]:
        """Lanes (n,) walked in part."""
        return ~self.done & (self.walked_m > 0)

    @property
    def left_m(self) -> float:
        """Length still to walk, on lanes that are short or not begun."""
        return float((self.length_m - self.walked_m)[~self.done].sum())


def lane_progress(lanes: Lanes, runs: Runs) -> Progress:
    """Length of every lane that accepted runs span.

    Parameters
    ----------
    lanes
        Lanes, infill or recheck lanes (n rows).
    runs
        Runs; those not accepted are left out.

    Examples
    --------
    >>> line = shapely.LineString([(0, 0), (0, 100)])
    >>> lanes = Lanes.build(geometry=[line], lane_id=["1-001"], pass_no=1, length_m=100.0)
    >>> walked = [shapely.LineString([(0, 0), (0, 60)]), shapely.LineString([(0, 90), (0, 50)])]
    >>> runs = Runs.build(geometry=walked, lane_id="1-001", accepted=True)
    >>> lane_progress(lanes, runs).walked_m.tolist()
    [90.0]
    """
    walked = np.zeros(len(lanes))
    position = {lane: i for i, lane in enumerate(lanes.lane_id)}
    row = np.array([position.get(lane, -1) for lane in runs.lane_id], dtype=np.int64)
    used = np.flatnonzero(runs.accepted & (row >= 0))
    row, lines = row[used], runs.geometry[used]
    ends = np.sort(
        [
            shapely.line_locate_point(lanes.geometry[row], shapely.get_point(lines, i))
            for i in (0, -1)
        ],
        axis=0,
    ).reshape(2, -1)
    reached = np.zeros(len(lanes))
    for i in np.lexsort((ends[0], row)):
        begin, finish = max(ends[0, i], reached[row[i]]), ends[1, i]
        walked[row[i]] += max(0.0, finish - begin)
        reached[row[i]] = max(reached[row[i]], finish)
    return Progress(
        lane_id=lanes.lane_id, pass_no=lanes.pass_no, length_m=lanes.length_m, walked_m=walked
    )
