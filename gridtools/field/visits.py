"""Stretches along one lane, cleaned: short ones joined, ends found, interruptions closed.

Smoothed heading says which lane is followed but blurs where a turn begins. Here the ends of each
stretch are taken on as far as the walker still holds the lane, and slips of a few fixes to a
neighbouring lane or to none are taken back.
"""

import numpy as np
from numpy.typing import NDArray

from gridtools.field.match import Followed, LaneLines
from gridtools.field.order import in_walking_order
from gridtools.field.rules import Rules
from gridtools.field.walk import Flags, Reals, Walk, Wholes, stretches


def tidied(
    walk: Walk,
    followed: Followed,
    lines: LaneLines,
    tolerance_m: Reals,
    accuracy_m: float,
    rules: Rules,
) -> Followed:
    """Lane and direction at each fix after joining, ordering, extending and dropping stretches.

    Parameters
    ----------
    walk, followed
        The session's movement and the lane that heading and distance gave to each fix (n,).
    lines
        The lanes (k rows).
    tolerance_m
        Greatest distance (k,) from each lane.
    accuracy_m
        Standard error of a fix, each axis; NaN if unknown.
    rules
        Thresholds.
    """
    if not len(lines):
        return followed
    for _ in range(2):
        followed = _joined(walk, followed, lines, tolerance_m, rules)
    start, _ = stretches(followed.lane, followed.sign, walk.block)
    progress, lane_length = _progress_m(walk, followed, lines, start)
    long_enough = ~_is_short(progress, lane_length, rules)
    followed = in_walking_order(walk, followed, lines, accuracy_m, long_enough, rules)
    followed = _extended(walk, followed, lines, tolerance_m, rules)
    followed = _closed(walk, followed, lines, tolerance_m, rules)
    return without_short(walk, followed, lines, rules)


def _progress_m(
    walk: Walk, followed: Followed, lines: LaneLines, start: Wholes
) -> tuple[Reals, Reals]:
    """Length (s,) that each stretch covers along its lane, and length (s,) of that lane."""
    lane = np.maximum(followed.lane, 0)
    along = lines.along(lane, walk.coil_xy)
    progress = np.maximum.reduceat(along, start) - np.minimum.reduceat(along, start)
    return progress, lines.length_m[lane[start]]


def _is_short(progress: Reals, lane_length_m: Reals, rules: Rules) -> Flags:
    short: Flags = progress < np.minimum(rules.min_run_m, lane_length_m / 2)
    return short


def without_short(walk: Walk, followed: Followed, lines: LaneLines, rules: Rules) -> Followed:
    """Stretches too short to be runs taken off their lanes."""
    start, stop = stretches(followed.lane, followed.sign, walk.block)
    progress, lane_length = _progress_m(walk, followed, lines, start)
    drop = np.repeat(_is_short(progress, lane_length, rules), stop - start)
    return Followed(lane=np.where(drop, -1, followed.lane), sign=np.where(drop, 0, followed.sign))


def _joined(
    walk: Walk, followed: Followed, lines: LaneLines, tolerance_m: Reals, rules: Rules
) -> Followed:
    """Short stretches that go straight on from a longer one given the lane of that one."""
    start, stop = stretches(followed.lane, followed.sign, walk.block)
    if len(start) < 2:
        return followed
    lane, sign, block = followed.lane[start], followed.sign[start], walk.block[start]
    progress, lane_length = _progress_m(walk, followed, lines, start)
    short = (lane >= 0) & _is_short(progress, lane_length, rules)
    way = lines.way(np.maximum(lane, 0), sign)
    middle = walk.coil_xy[(start + stop - 1) // 2]
    choice = np.arange(len(start))
    gain = progress.copy()
    for shift in (-1, 1):
        other = np.clip(np.arange(len(start)) + shift, 0, len(start) - 1)
        straight_on = (
            (lane[other] >= 0)
            & (block[other] == block)
            & (np.einsum("ij,ij->i", way, way[other]) > np.cos(np.radians(1.0)))
        )
        beside = np.abs(lines.across(np.maximum(lane[other], 0), middle))
        near = beside <= 2.0 * tolerance_m[np.maximum(lane[other], 0)]
        better = short & straight_on & near & (progress[other] > gain)
        choice[better] = other[better]
        gain[better] = progress[other[better]]
    return Followed(
        lane=np.repeat(lane[choice], stop - start), sign=np.repeat(sign[choice], stop - start)
    )


def _extended(
    walk: Walk, followed: Followed, lines: LaneLines, tolerance_m: Reals, rules: Rules
) -> Followed:
    """Ends of stretches taken on through free fixes while the walker still holds the lane."""
    free = followed.lane < 0
    lane, sign = followed.lane.copy(), followed.sign.copy()
    index = np.arange(len(walk))
    before = np.maximum.accumulate(np.where(free, -1, index))
    after = np.minimum.accumulate(np.where(free, len(walk), index)[::-1])[::-1]
    for source, forward in ((before, True), (after, False)):
        known = free & (source >= 0) & (source < len(walk)) & (lane < 0)
        where = np.flatnonzero(known)
        origin = source[where]
        holds = np.zeros(len(walk), dtype=np.bool_)
        holds[where] = (walk.block[origin] == walk.block[where]) & _holds(
            walk, where, followed.lane[origin], followed.sign[origin], lines, tolerance_m, rules
        )
        bad = free & ~holds
        if forward:
            last_bad = np.maximum.accumulate(np.where(bad, index, -1))
            reached = where[last_bad[where] < origin]
        else:
            next_bad = np.minimum.accumulate(np.where(bad, index, len(walk))[::-1])[::-1]
            reached = where[next_bad[where] > origin]
        lane[reached] = followed.lane[source[reached]]
        sign[reached] = followed.sign[source[reached]]
    return Followed(lane=lane, sign=sign)


def _holds(
    walk: Walk,
    where: Wholes,
    lane: Wholes,
    sign: Wholes,
    lines: LaneLines,
    tolerance_m: Reals,
    rules: Rules,
) -> NDArray[np.bool_]:
    xy = walk.coil_xy[where]
    along = lines.along(lane, xy)
    step = walk.step[where]
    forward = np.einsum("ij,ij->i", step, lines.way(lane, sign))
    holds: Flags = (
        (np.abs(lines.across(lane, xy)) <= tolerance_m[lane])
        & (along >= -rules.lane_end_m)
        & (along <= lines.length_m[lane] + rules.lane_end_m)
        & (forward > np.cos(np.radians(rules.follow_tolerance_deg)) * np.hypot(*step.T))
    )
    return holds


def _closed(
    walk: Walk, followed: Followed, lines: LaneLines, tolerance_m: Reals, rules: Rules
) -> Followed:
    """Interruptions of a few fixes within one stretch closed, if the lane was not left."""
    start, stop = stretches(followed.lane, followed.sign, walk.block)
    if len(start) < 3:
        return followed
    lane, sign, block = followed.lane[start], followed.sign[start], walk.block[start]
    inner = np.arange(1, len(start) - 1)
    gap = inner[
        (lane[inner] < 0)
        & (lane[inner - 1] >= 0)
        & (lane[inner - 1] == lane[inner + 1])
        & (sign[inner - 1] == sign[inner + 1])
        & (block[inner - 1] == block[inner])
        & (block[inner + 1] == block[inner])
    ]
    outer = np.zeros(len(start), np.int64)
    outer[gap] = lane[gap - 1]
    across = np.abs(lines.across(np.repeat(outer, stop - start), walk.coil_xy))
    worst = np.maximum.reduceat(across, start)
    seconds = (walk.time_ms[stop - 1] - walk.time_ms[start]) / 1000.0
    gap = gap[
        (seconds[gap] <= 2.0 * rules.heading_window_s) & (worst[gap] <= tolerance_m[outer[gap]])
    ]
    lane[gap] = lane[gap - 1]
    sign[gap] = sign[gap - 1]
    return Followed(lane=np.repeat(lane, stop - start), sign=np.repeat(sign, stop - start))
