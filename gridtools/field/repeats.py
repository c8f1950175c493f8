"""Rows that were there before: the same fix, hit or note counts once."""

import numpy as np
from numpy.typing import NDArray

from gridtools.field.rules import Rules
from gridtools.field.walk import Flags, Reals


def repeated(
    xy: Reals,
    time: NDArray[np.datetime64],
    known_xy: Reals,
    known_time: NDArray[np.datetime64],
    rules: Rules,
) -> Flags:
    """Whether each row (n,) lies at the time and place of a known or an earlier row.

    Parameters
    ----------
    xy, time
        Places (n, 2) in metres and times (n,) of the new rows; no time is unknown.
    known_xy, known_time
        The same of rows already in the job; those without a time match nothing.
    rules
        `Rules.same_place_m` and `Rules.same_time_ms`.

    Examples
    --------
    >>> place = np.array([[0.0, 0.0], [5.0, 0.0], [0.005, 0.0]])
    >>> when = np.array([0, 0, 1], dtype="datetime64[ms]")
    >>> none = np.empty((0, 2)), np.empty(0, dtype="datetime64[ms]")
    >>> repeated(place, when, *none, Rules()).tolist()
    [False, False, True]
    """
    timed = ~np.isnat(known_time)
    offset = int(timed.sum())
    place = np.concatenate([known_xy[timed], xy])
    at = np.concatenate([known_time[timed], time]).astype("datetime64[ms]").astype(np.int64)
    order = np.argsort(at, kind="stable")
    place, at = place[order], at[order]
    again = np.zeros(len(at), dtype=np.bool_)
    # In order of time each row is compared with the next, the one after, and so on as long as
    # any two are so close in time: a handful of rounds, one for each walker at the same moment.
    shift = 1
    left = np.arange(len(at) - 1)
    while left.size:
        left = left[left + shift < len(at)]
        left = left[at[left + shift] - at[left] <= rules.same_time_ms]
        apart = np.hypot(*(place[left + shift] - place[left]).T)
        same = left[apart <= rules.same_place_m]
        # Of two alike the one that was there first stays.
        later = np.where(order[same] > order[same + shift], same, same + shift)
        again[later] = True
        shift += 1
    out = np.empty(len(at), dtype=np.bool_)
    out[order] = again
    return out[offset:]


def repeated_notes(
    *,
    lane: NDArray[np.object_],
    extra: NDArray[np.object_],
    measures_m: Reals,
    time: NDArray[np.datetime64],
    rules: Rules,
) -> Flags:
    """Whether each row (n,) repeats an earlier one: same lane, words, measures and time.

    Parameters
    ----------
    lane, extra
        Lane, and any other words (n,).
    measures_m
        Chainages or coordinates (n, 2); unknown ones equal each other.
    time
        Times (n,); unknown ones equal each other.
    rules
        `Rules.same_place_m`.
    """
    unknown = np.isnan(measures_m)
    measures = np.where(unknown, -1e9, measures_m)
    nat = np.isnat(time)
    at = np.where(nat, np.iinfo(np.int64).min // 2, time.astype("datetime64[ms]").astype(np.int64))
    order = np.lexsort((np.arange(len(at)), measures[:, 0], at, extra, lane))
    again = np.zeros(len(at), dtype=np.bool_)
    shift = 1
    left = np.arange(len(at) - 1)
    while left.size:
        left = left[left + shift < len(at)]
        a, b = order[left], order[left + shift]
        near = (
            (lane[a] == lane[b])
            & (extra[a] == extra[b])
            & (at[a] == at[b])
            & (measures[b, 0] - measures[a, 0] <= rules.same_place_m)
        )
        left, a, b = left[near], a[near], b[near]
        same = (np.abs(measures[a] - measures[b]) <= rules.same_place_m).all(axis=1)
        again[np.maximum(a, b)[same]] = True
        shift += 1
    return again
