"""Planning again after walking has begun: what was walked stays, no lane number comes twice."""

import re
from collections.abc import Iterable, Mapping

import numpy as np

from gridtools.columns import Text
from gridtools.layers import Lanes


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
