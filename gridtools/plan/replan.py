"""Planning again after walking has begun: what was walked stays, no lane number comes twice."""

import re

import numpy as np

from gridtools.columns import Text
from gridtools.layers import Lanes


def next_numbers(lanes: Lanes, last: tuple[int, int] = (0, 0)) -> tuple[int, int]:
    """First lane numbers of pass 1 and pass 2 that are above all those in use.

    Parameters
    ----------
    lanes
        Lanes in use.
    last
        Highest numbers ever given, of lanes that may be gone by now.

    Examples
    --------
    >>> from shapely import LineString
    >>> line = LineString([(0, 0), (9, 0)])
    >>> next_numbers(Lanes.build(geometry=[line] * 2, lane_id=["1-007", "1-012b"], pass_no=1))
    (13, 1)
    """
    highest = {1: last[0], 2: last[1]}
    for lane_id in lanes.lane_id:
        if match := re.fullmatch(r"([12])-(\d+)[a-z]*", lane_id):
            highest[int(match[1])] = max(highest[int(match[1])], int(match[2]))
    return highest[1] + 1, highest[2] + 1


def keep_walked(old: Lanes, walked: Text, new: Lanes) -> Lanes:
    """Old lanes that runs were walked on, then the new ones, in one walking order.

    Parameters
    ----------
    old
        Lanes of the job so far.
    walked
        Lane ids of its runs.
    new
        Lanes planned now, with other ids.
    """
    kept = old.take(np.isin(old.lane_id.astype(str), walked.astype(str)))
    after = int(kept.seq.max()) if len(kept) else 0
    return Lanes.concat([kept, new.with_columns(seq=new.seq + after)])
