"""Candidates keep their names: new ones matched to earlier ones by position."""

from collections.abc import Hashable, Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from gridtools.columns import feature_id


def match_places(
    new_xy: NDArray[np.float64], old_xy: NDArray[np.float64], within_m: float
) -> NDArray[np.int64]:
    """Row of the old place that each new place is, one to one; -1 if none.

    Two places match if each is the other's nearest and they are no further apart than
    ``within_m``.

    Examples
    --------
    >>> match_places(np.array([[0.0, 0.0], [9.0, 0.0]]), np.array([[8.5, 0.0]]), 2.0).tolist()
    [-1, 0]
    """
    match = np.full(len(new_xy), -1, dtype=np.int64)
    if not len(new_xy) or not len(old_xy):
        return match
    from scipy.spatial import cKDTree

    distance, old = map(np.asarray, cKDTree(old_xy).query(new_xy))
    new = np.asarray(cKDTree(new_xy).query(old_xy)[1])
    mutual = (new[old] == np.arange(len(new_xy))) & (distance <= within_m)
    match[mutual] = old[mutual]
    return match


def next_number(ids: NDArray[np.object_]) -> int:
    """Number after the highest that any of the ids holds.

    Examples
    --------
    >>> next_number(np.array(["C002", "C017"], dtype=object)), next_number(np.array([]))
    (18, 1)
    """
    return max((feature_id(i) for i in ids), default=0) + 1


def not_known(given: Sequence[Hashable], known: Iterable[Hashable]) -> list[int]:
    """Rows of what is given that are not known yet, each key once.

    Examples
    --------
    >>> not_known(["a", "b", "b", "c"], ["a"])
    [1, 3]
    """
    seen = set(known)
    fresh = []
    for row, key in enumerate(given):
        if key not in seen:
            seen.add(key)
            fresh.append(row)
    return fresh
