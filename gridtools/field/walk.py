"""The movement of one session's walker: order, breaks, speed, heading, path of the coil.

GPS jitter is averaged by comparing the mean place shortly before a fix with the mean place
shortly after it. Where the walker stands, heading is that of the last steps.
"""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.field.rules import Rules
from gridtools.layers import Fixes

Reals = NDArray[np.float64]
Wholes = NDArray[np.int64]
Flags = NDArray[np.bool_]
Times = NDArray[np.datetime64]


@dataclass(frozen=True, eq=False)
class Walk:
    """Fixes of one session in order of time, and how the walker moved.

    Attributes
    ----------
    row
        Rows (n,) in the fixes layer.
    time_ms
        Time (n,) in milliseconds since 1970.
    coil_xy
        Path of the coil midpoint (n, 2), metres.
    block
        Number (n,) of the unbroken stretch of fixes that each belongs to, from 0.
    velocity
        Smoothed velocity (n, 2), metres a second; over a dwell that of the last steps.
    step
        Velocity (n, 2) over the shorter window that also gives speed.
    speed_mps
        Smoothed walking speed (n,).
    dwell
        Whether the walker stands (n,).
    struck
        Whether the fix was struck out (n,).
    """

    row: Wholes
    time_ms: Wholes
    coil_xy: Reals
    block: Wholes
    velocity: Reals
    step: Reals
    speed_mps: Reals
    dwell: Flags
    struck: Flags

    def __len__(self) -> int:
        return len(self.row)


def stretches(*labels: NDArray[np.generic]) -> tuple[Wholes, Wholes]:
    """Starts and stops (exclusive) of the stretches over which no label changes.

    Examples
    --------
    >>> start, stop = stretches(np.array([0, 0, 1, 1, 0]))
    >>> start.tolist(), stop.tolist()
    ([0, 2, 4], [2, 4, 5])
    """
    count = len(labels[0])
    if count == 0:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    change = np.zeros(count - 1, dtype=np.bool_)
    for label in labels:
        change |= label[1:] != label[:-1]
    edge = np.flatnonzero(change) + 1
    return np.concatenate([[0], edge]), np.concatenate([edge, [count]])


def numbered(texts: NDArray[np.object_]) -> tuple[list[str], Wholes]:
    """Distinct texts in order, and the number (n,) of each text (n,) among them.

    Examples
    --------
    >>> names, number = numbered(np.array(["b", "a", "b"], dtype=object))
    >>> names, number.tolist()
    (['a', 'b'], [1, 0, 1])
    """
    given = texts.tolist()
    names = sorted(set(given))
    number = {name: i for i, name in enumerate(names)}
    return names, np.fromiter(map(number.__getitem__, given), np.int64, len(given))


def lasting(mask: Flags, block: Wholes, time_ms: Wholes, least_s: float) -> Flags:
    """Mask kept only where it holds without a break for longer than `least_s` seconds."""
    start, stop = stretches(mask, block)
    if not len(start):
        return mask
    long = mask[start] & (time_ms[stop - 1] - time_ms[start] > least_s * 1000.0)
    return np.repeat(long, stop - start)


def held(valid: Flags, block: Wholes) -> Wholes:
    """Index (n,) of the last valid row of the block, else of the next one, else -1."""
    index = np.arange(len(valid))
    before = np.maximum.accumulate(np.where(valid, index, -1))
    after = np.minimum.accumulate(np.where(valid, index, len(valid))[::-1])[::-1]
    good_before = (before >= 0) & (block[before] == block)
    inside = np.minimum(after, len(valid) - 1)
    good_after = (after < len(valid)) & (block[inside] == block)
    return np.where(good_before, before, np.where(good_after, inside, -1)).astype(np.int64)


def sampling_interval_s(time_ms: Wholes, segment: Wholes) -> float:
    """Median time between fixes of one segment, in seconds; NaN for fewer than two fixes."""
    gap = np.diff(time_ms)[np.diff(segment) == 0]
    gap = gap[gap > 0]
    return float(np.median(gap)) / 1000.0 if gap.size else float("nan")


def _blocks(xy: Reals, time_ms: Wholes, segment: Wholes, rules: Rules) -> Wholes:
    gap_s = np.diff(time_ms) / 1000.0
    interval = sampling_interval_s(time_ms, segment)
    apart = np.hypot(*np.diff(xy, axis=0).T)
    long_gap = (gap_s > rules.break_s) & ~(gap_s <= rules.break_intervals * interval)
    jump = apart > rules.jump_m + rules.jump_speed_mps * gap_s
    broken = long_gap | jump | (np.diff(segment) != 0)
    return np.concatenate([[0], np.cumsum(broken)]).astype(np.int64)


def _velocity(xy: Reals, time_ms: Wholes, block: Wholes, window_s: float) -> Reals:
    """Mean place after a fix less mean place before it, over their difference in time."""
    index = np.arange(len(xy))
    first, stop = stretches(block)
    low_limit = np.repeat(first, stop - first)
    high_limit = np.repeat(stop - 1, stop - first)
    window = int(window_s * 1000)
    # One axis on which time never runs backwards from block to block.
    axis = time_ms - time_ms[0] + block * (2 * window + 1)
    low = np.searchsorted(axis, axis - window, side="left")
    high = np.searchsorted(axis, axis + window, side="right") - 1
    low = np.maximum(np.minimum(low, index - 1), low_limit)
    high = np.minimum(np.maximum(high, index + 1), high_limit)

    values = np.column_stack([xy - xy[0], (time_ms - time_ms[0]) / 1000.0])
    total = np.concatenate([np.zeros((1, 3)), np.cumsum(values, axis=0)])
    after = (total[high + 1] - total[index]) / (high - index + 1)[:, np.newaxis]
    before = (total[index + 1] - total[low]) / (index - low + 1)[:, np.newaxis]
    change = after - before
    seconds = change[:, 2:]
    velocity = np.zeros_like(xy)
    np.divide(change[:, :2], seconds, out=velocity, where=seconds > 1e-6)
    return velocity


def _in_time(fixes: Fixes, rows: Wholes) -> Wholes:
    """Rows by time; where times are equal, by id."""
    row = rows[np.argsort(fixes.time_utc[rows], kind="stable")]
    equal = np.diff(fixes.time_utc[row].astype(np.int64)) == 0
    tied = np.flatnonzero(np.append(equal, False) | np.append(False, equal))
    among = row[tied]
    row[tied] = among[np.lexsort((fixes.fix_id[among], fixes.time_utc[among]))]
    return row


def walk_of(fixes: Fixes, rows: Wholes, *, ahead_m: float, right_m: float, rules: Rules) -> Walk:
    """Movement of the walker of one session.

    Parameters
    ----------
    fixes
        Fixes layer.
    rows
        Rows (n,) of the session in it, in any order; at least one.
    ahead_m, right_m
        Coil midpoint ahead of the antenna and to its right; the lever arm turns with the heading.
    rules
        Thresholds.
    """
    row = _in_time(fixes, rows)
    xy = shapely.get_coordinates(fixes.geometry[row])
    time_ms = fixes.time_utc[row].astype(np.int64)
    block = _blocks(xy, time_ms, fixes.segment[row], rules)
    step = _velocity(xy, time_ms, block, rules.speed_window_s)
    speed = np.hypot(*step.T)
    dwell = lasting(speed < rules.min_speed_mps, block, time_ms, rules.dwell_s)

    velocity = _velocity(xy, time_ms, block, rules.heading_window_s)
    source = held(~dwell, block)
    velocity = np.where(source[:, np.newaxis] >= 0, velocity[source], 0.0)
    size = np.hypot(*velocity.T)[:, np.newaxis]
    ahead = np.divide(velocity, size, out=np.zeros_like(velocity), where=size > 0)
    right = np.column_stack([ahead[:, 1], -ahead[:, 0]])
    return Walk(
        row=row,
        time_ms=time_ms,
        coil_xy=xy + ahead_m * ahead + right_m * right,
        block=block,
        velocity=velocity,
        step=step,
        speed_mps=speed,
        dwell=dwell,
        struck=fixes.struck[row],
    )
