"""Lanes given to a whole session in its walking order.

Where GPS error nears half the lane spacing, distance alone gives one run in ten to a neighbour.
But people walk from lane to lane: a run between lanes 3 and 5 is on 4, though its fixes lie
nearer to 5. The lanes of all runs are therefore chosen together, by the path of least cost
(dynamic programming, Viterbi 1967): cost of each run's distance from its lane under a normal law,
and of each step that is not to a neighbour.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from gridtools.field.match import Followed, LaneLines
from gridtools.field.rules import Rules
from gridtools.field.walk import Flags, Reals, Walk, Wholes, stretches

# GPS error fades from memory over about a minute (common practice, no source): a run tells its
# distance from a lane once, and one that lasts longer than two such times more often.
_ERROR_MEMORY_S = 60.0
_SAME_LINE_M = 0.1
_REACH_SPACINGS = 1.5


@dataclass(frozen=True)
class _State:
    """A lane that a run may be on: its row, its place among its neighbours, and its cost."""

    lane: int
    rank: int
    cost: float


@dataclass(frozen=True)
class _Run:
    """A stretch to be given a lane, with the lanes it may be on."""

    stretch: int
    group: int
    direction: tuple[float, float]
    states: tuple[_State, ...]


def in_walking_order(
    walk: Walk,
    followed: Followed,
    lines: LaneLines,
    accuracy_m: float,
    long_enough: Flags,
    rules: Rules,
) -> Followed:
    """Lane and direction at each fix, lanes of all stretches chosen together.

    Parameters
    ----------
    walk, followed
        Movement, and lane and direction (n,) by heading and distance.
    lines
        The lanes.
    accuracy_m
        Standard error of a fix, each axis; NaN to take what the stretches themselves show.
    long_enough
        For each stretch (s,) of one lane and direction, whether it is a run at all.
    rules
        Thresholds.
    """
    start, stop = stretches(followed.lane, followed.sign, walk.block)
    rank = _ranks(lines)
    lane = np.maximum(followed.lane[start], 0)
    chosen = np.flatnonzero((followed.lane[start] >= 0) & (rank[lane] >= 0) & long_enough)
    if len(chosen) < 2:
        return followed
    runs = _with_states(walk, followed, lines, rank, chosen, start, stop, accuracy_m)
    best = _cheapest(runs, stop, start, walk.block, rules)

    new_lane, new_sign = followed.lane.copy(), followed.sign.copy()
    for run, row in zip(runs, best, strict=True):
        span = slice(start[run.stretch], stop[run.stretch])
        if row != new_lane[span.start]:
            new_lane[span] = row
            new_sign[span] = 1 if lines.unit[row] @ np.array(run.direction) > 0 else -1
    return Followed(lane=new_lane, sign=new_sign)


def _ranks(lines: LaneLines) -> Wholes:
    """Place (k,) of each planned lane among its parallels, legs of a lane alike; -1 for others."""
    rank = np.full(len(lines), -1, np.int64)
    for number in range(int(lines.group.max(initial=-1)) + 1):
        member = np.flatnonzero((lines.group == number) & lines.planned)
        if member.size:
            offset = _offset(lines, member, member[0])
            order = np.argsort(offset, kind="stable")
            step = np.diff(offset[order], prepend=offset[order[0]]) > _SAME_LINE_M
            rank[member[order]] = np.cumsum(step)
    return rank


def _offset(lines: LaneLines, member: Wholes, origin: int) -> Reals:
    middle = lines.at(member, lines.length_m[member] / 2)
    return lines.across(np.full(len(member), origin), middle)


def _with_states(
    walk: Walk,
    followed: Followed,
    lines: LaneLines,
    rank: Wholes,
    chosen: Wholes,
    start: Wholes,
    stop: Wholes,
    accuracy_m: float,
) -> list[_Run]:
    """The runs with the planned lanes near them that they overlap by half at least."""
    total = np.concatenate([np.zeros((1, 2)), np.cumsum(walk.coil_xy - walk.coil_xy[0], axis=0)])
    mean = (total[stop] - total[start]) / (stop - start)[:, np.newaxis] + walk.coil_xy[0]
    own_lane = followed.lane[start[chosen]]
    spread = float(np.sqrt(np.mean(lines.across(own_lane, mean[chosen]) ** 2)))
    seconds = (walk.time_ms[stop - 1] - walk.time_ms[start]) / 1000.0
    worth = np.maximum(1.0, seconds / (2.0 * _ERROR_MEMORY_S))
    sorted_lanes: dict[int, tuple[Wholes, Reals, int]] = {}
    for number in range(int(lines.group.max()) + 1):
        member = np.flatnonzero((lines.group == number) & (rank >= 0))
        if member.size:
            offset = _offset(lines, member, member[0])
            order = np.argsort(offset, kind="stable")
            sorted_lanes[number] = member[order], offset[order], int(member[0])

    runs = []
    for stretch in chosen:
        own = int(followed.lane[start[stretch]])
        group = int(lines.group[own])
        members, offsets, origin = sorted_lanes[group]
        spacing = float(lines.spacing_m[own])
        place = float(lines.across(np.array([origin]), mean[[stretch]])[0])
        reach = _REACH_SPACINGS * spacing if spacing > 0 else 0.0
        low, high = np.searchsorted(offsets, [place - reach, place + reach])
        near = members[low:high]
        ends = walk.coil_xy[[start[stretch], stop[stretch] - 1]]
        along = [lines.along(near, np.broadcast_to(end, (len(near), 2))) for end in ends]
        first, last = np.minimum(*along), np.maximum(*along)
        overlap = np.minimum(last, lines.length_m[near]) - np.maximum(first, 0.0)
        near = near[overlap >= (last - first) / 2]
        near = near if own in near else np.append(near, own)
        sigma = max(spread if math.isnan(accuracy_m) else accuracy_m, spacing / 8.0)
        away = lines.across(near, np.broadcast_to(mean[stretch], (len(near), 2)))
        cost = worth[stretch] * away**2 / (2.0 * sigma**2) if sigma > 0 else np.zeros(len(near))
        direction = lines.unit[own] * followed.sign[start[stretch]]
        runs.append(
            _Run(
                stretch=int(stretch),
                group=group,
                direction=(float(direction[0]), float(direction[1])),
                states=tuple(
                    _State(int(row), int(rank[row]), float(c))
                    for row, c in zip(near, cost, strict=True)
                ),
            )
        )
    return runs


def _cheapest(
    runs: list[_Run], stop: Wholes, start: Wholes, block: Wholes, rules: Rules
) -> list[int]:
    """Lane rows of the path of least cost; the earlier state where two cost the same."""
    odd = math.log(rules.neighbour_odds)
    cost = [state.cost for state in runs[0].states]
    back: list[list[int]] = []
    for before, run in pairwise(runs):
        same_way = (
            before.direction[0] * run.direction[0] + before.direction[1] * run.direction[1] > 0
        )
        goes_on = (
            same_way
            and run.stretch == before.stretch + 1
            and block[stop[before.stretch] - 1] == block[start[run.stretch]]
        )
        new_cost, source = [], []
        for state in run.states:
            ways = [
                c + _step(before, old, run, state, same_way=same_way, goes_on=goes_on, odd=odd)
                for c, old in zip(cost, before.states, strict=True)
            ]
            least = min(range(len(ways)), key=ways.__getitem__)
            new_cost.append(ways[least] + state.cost)
            source.append(least)
        cost = new_cost
        back.append(source)
    at = min(range(len(cost)), key=cost.__getitem__)
    rows = [runs[-1].states[at].lane]
    for run, source in zip(runs[-2::-1], back[::-1], strict=True):
        at = source[at]
        rows.append(run.states[at].lane)
    return rows[::-1]


def _step(
    before: _Run,
    old: _State,
    run: _Run,
    new: _State,
    *,
    same_way: bool,
    goes_on: bool,
    odd: float,
) -> float:
    """Cost of going from one lane to the next."""
    if before.group != run.group:
        return 0.0
    step = abs(new.rank - old.rank)
    if goes_on:
        # Nobody steps over to the next lane without a turn: that is the GPS drifting.
        return 2.0 * odd * (step > 0)
    if same_way and step == 0:
        return 0.0
    return odd * (step != 1)
