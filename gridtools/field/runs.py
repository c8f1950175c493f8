"""Runs of one session: its path cut where lane, heading or acceptance changes.

The path is judged piece by piece between consecutive fixes, so that the runs of a session add up
to its whole path, breaks in the fixes left out. A piece between two runs belongs to the one that
is not accepted, except that a run counts right up to the place where the walker stops.
"""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.field.match import Followed, LaneLines
from gridtools.field.rules import Rules
from gridtools.field.walk import Flags, Reals, Walk, Wholes, lasting, stretches
from gridtools.units import bearing_of

REASONS = (
    "",
    "dwell",
    "too fast",
    "off lane",
    "break in fixes",
    "turn",
    "failed check",
    "struck",
)
_OK, _DWELL, _FAST, _OFF, _BREAK, _TURN, _CHECK, _STRUCK = range(len(REASONS))


@dataclass(frozen=True, eq=False)
class SessionRuns:
    """Runs of one session in order of time, and its path.

    Attributes
    ----------
    geometry
        Lines (r,).
    lane
        Row of the lane (r,), -1 for none.
    heading_deg, length_m, speed_mps, offline_rms_m
        Measures (r,).
    start_ms, finish_ms
        Times (r,) in milliseconds since 1970.
    reason
        Reason (r,) for not accepting, empty if accepted.
    home
        For a dwell the run (r,) that was walked up to it; itself for others.
    fix_run
        Run (n,) of each fix, -1 for a fix that stands alone.
    path_ms
        Times (p,) of the points of the path, in milliseconds since 1970.
    piece_run
        Run (p - 1,) of each piece of path, -1 across a break.
    """

    geometry: NDArray[np.object_]
    lane: Wholes
    heading_deg: Reals
    length_m: Reals
    speed_mps: Reals
    offline_rms_m: Reals
    start_ms: Wholes
    finish_ms: Wholes
    reason: NDArray[np.object_]
    home: Wholes
    fix_run: Wholes
    path_ms: Wholes
    piece_run: Wholes


@dataclass(frozen=True, eq=False)
class _Path:
    """Fixes, and cuts between them, with what is known at each point."""

    fix: Wholes
    xy: Reals
    time_ms: Wholes
    block: Wholes
    visit: Wholes
    lane: Wholes
    sign: Wholes
    reason: Wholes
    stop: Flags
    struck: Flags


def session_runs(
    walk: Walk,
    followed: Followed,
    lines: LaneLines,
    rules: Rules,
    *,
    motion: bool,
    on_lane: bool,
) -> SessionRuns:
    """Runs of one session.

    Parameters
    ----------
    walk, followed
        Movement (n fixes), and lane and direction at each fix.
    lines
        The lanes.
    rules
        Thresholds.
    motion
        Whether the instrument retunes by itself, so that a dwell does not count.
    on_lane
        Whether the lane gives the position and fixes give progress only.
    """
    xy = walk.coil_xy
    if on_lane and len(lines):
        lane = np.maximum(followed.lane, 0)
        chainage = np.clip(lines.along(lane, xy), 0.0, lines.length_m[lane])
        xy = np.where(followed.lane[:, np.newaxis] >= 0, lines.at(lane, chainage), xy)
    path = _path(walk, followed, xy, rules, motion=motion)
    piece = _pieces(path, lines)
    return _runs(path, piece, lines, len(walk))


def _path(walk: Walk, followed: Followed, xy: Reals, rules: Rules, *, motion: bool) -> _Path:
    start, stop = stretches(followed.lane, followed.sign, walk.block)
    on = followed.lane[start] >= 0
    number = np.where(on, np.arange(len(start)), -1)
    visit = np.repeat(number, stop - start)
    reason = np.zeros(len(walk), np.int64)
    fast = lasting(walk.speed_mps > rules.max_speed_mps, walk.block, walk.time_ms, rules.fast_s)
    reason[fast] = _FAST
    dwell = walk.dwell if motion else np.zeros_like(walk.dwell)
    cut, share, restart = _restarts(walk, dwell, xy, rules.restart_m)
    reason[dwell | restart] = _DWELL
    between = np.repeat(_between(walk, start, stop, on, xy, rules), stop - start)
    reason = np.where(visit >= 0, reason, between)

    # A cut is useful only inside one visit, where accepted ground begins between two fixes.
    useful = (visit[cut] >= 0) & (visit[cut] == visit[cut + 1]) & (reason[cut + 1] == _OK)
    cut, share = cut[useful], share[useful]
    at = cut + 1
    cut_xy = xy[cut] + (xy[at] - xy[cut]) * share[:, np.newaxis]
    cut_ms = walk.time_ms[cut] + np.rint((walk.time_ms[at] - walk.time_ms[cut]) * share).astype(
        np.int64
    )
    return _Path(
        fix=np.insert(np.arange(len(walk)), at, -1),
        xy=np.insert(xy, at, cut_xy, axis=0),
        time_ms=np.insert(walk.time_ms, at, cut_ms),
        block=np.insert(walk.block, at, walk.block[at]),
        visit=np.insert(visit, at, visit[at]),
        lane=np.insert(followed.lane, at, followed.lane[at]),
        sign=np.insert(followed.sign, at, followed.sign[at]),
        reason=np.insert(reason, at, _OK),
        stop=np.insert(dwell, at, False),
        struck=np.insert(walk.struck, at, walk.struck[at]),
    )


def _restarts(walk: Walk, dwell: Flags, xy: Reals, restart_m: float) -> tuple[Wholes, Reals, Flags]:
    """Where ground counts again after each dwell, `restart_m` from the place of the stop.

    Returns the last fix (c,) within that distance, the share (c,) of the way to the next fix at
    which it is reached, and a flag (n,) for all fixes within it.
    """
    start, stop = stretches(dwell, walk.block)
    which = dwell[start]
    start, stop = start[which], stop[which]
    restart = np.zeros(len(walk), dtype=np.bool_)
    if not len(start):
        return np.empty(0, np.int64), np.empty(0), restart
    size = (stop - start)[:, np.newaxis]
    total = np.concatenate([np.zeros((1, 2)), np.cumsum(xy - xy[0], axis=0)])
    place = (total[stop] - total[start]) / size + xy[0]

    index = np.arange(len(walk))
    last = np.searchsorted(stop, index, side="right") - 1
    known = last >= 0
    last = np.maximum(last, 0)
    known &= walk.block[stop[last] - 1] == walk.block
    distance = np.hypot(*(xy - place[last]).T)
    beyond = np.flatnonzero(known & ~dwell & (distance >= restart_m))
    position = np.searchsorted(beyond, stop)
    # The first fix beyond belongs to this dwell only if no later one came before it.
    first = np.append(beyond, len(walk))[position]
    first_known = np.where(first < len(walk), last[np.minimum(first, len(walk) - 1)], -1)
    mine = first_known == np.arange(len(start))
    restart = known & ~dwell & (index < np.where(mine, first, len(walk))[last])
    cut = first[mine] - 1
    near, far = distance[cut], distance[first[mine]]
    near = np.where(dwell[cut], np.minimum(near, restart_m), near)
    share = np.clip((restart_m - near) / np.maximum(far - near, 1e-9), 0.0, 1.0)
    inside = near < restart_m
    return cut[inside], share[inside], restart


def _between(walk: Walk, start: Wholes, stop: Wholes, on: Flags, xy: Reals, rules: Rules) -> Wholes:
    """Reason (s,) of each stretch that is on no lane: a turn if short and next to a run."""
    step = np.hypot(*np.diff(xy, axis=0).T) * (np.diff(walk.block) == 0)
    walked = np.concatenate([[0.0], np.cumsum(step)])
    length = walked[np.minimum(stop, len(xy) - 1)] - walked[np.maximum(start - 1, 0)]
    block = walk.block[start]
    same = block[1:] == block[:-1]
    beside = np.zeros(len(start), dtype=np.bool_)
    beside[1:] |= on[:-1] & same
    beside[:-1] |= on[1:] & same
    return np.where(beside & (length <= rules.turn_m), _TURN, _OFF).astype(np.int64)


@dataclass(frozen=True, eq=False)
class _Pieces:
    """Each piece between consecutive points of the path: visit, reason and lane."""

    visit: Wholes
    reason: Wholes
    lane: Wholes
    sign: Wholes
    struck: Flags
    joined: Flags


def _pieces(path: _Path, lines: LaneLines) -> _Pieces:
    a, b = slice(None, -1), slice(1, None)
    same = path.visit[a] == path.visit[b]
    both = (path.visit[a] >= 0) & (path.visit[b] >= 0)
    straight_on = np.zeros(len(same), dtype=np.bool_)
    hand_over = np.flatnonzero(both & ~same)
    if hand_over.size:
        ways = [lines.way(path.lane[i], path.sign[i]) for i in (hand_over, hand_over + 1)]
        straight_on[hand_over] = np.einsum("ij,ij->i", *ways) > np.cos(np.radians(1.0))
    worse = np.where(path.reason[b] != _OK, path.reason[b], path.reason[a])
    up_to_stop = same & (path.reason[a] == _OK) & path.stop[b]
    reason = np.where(up_to_stop, _OK, worse)
    off = np.where(path.visit[a] < 0, path.reason[a], path.reason[b])
    on = both & (same | straight_on)
    reason = np.where(on, reason, np.where(both, _TURN, off))
    struck = path.struck[a] & path.struck[b]
    return _Pieces(
        visit=np.where(on, path.visit[b], -1),
        reason=np.where(struck, _STRUCK, reason),
        lane=np.where(on, path.lane[b], -1),
        sign=np.where(on, path.sign[b], 0),
        struck=struck,
        joined=path.block[a] == path.block[b],
    )


def _runs(path: _Path, piece: _Pieces, lines: LaneLines, fixes: int) -> SessionRuns:
    start, stop = stretches(piece.visit, piece.reason, piece.joined, piece.lane)
    kept = piece.joined[start]
    # Fixes lost in the middle of a run along one lane: the line across is shown, not accepted.
    e = start[~kept]
    broken = e[
        (stop[~kept] - e == 1)
        & (path.lane[e] >= 0)
        & (path.lane[e] == path.lane[e + 1])
        & (path.sign[e] == path.sign[e + 1])
    ]
    first = np.concatenate([start[kept], broken])
    last = np.concatenate([stop[kept], broken + 1])
    is_break = np.repeat([False, True], [int(kept.sum()), len(broken)])
    order = np.lexsort((last, first))
    first, last, is_break = first[order], last[order], is_break[order]
    count = len(first)

    size = last - first + 1
    owner = np.repeat(np.arange(count), size)
    point = np.arange(len(owner)) - np.repeat(np.cumsum(size) - size, size) + first[owner]
    xy = path.xy[point]
    geometry = shapely.linestrings(xy, indices=owner) if count else np.empty(0, dtype=np.object_)
    lane = np.where(is_break, path.lane[first], piece.lane[first])
    sign = np.where(is_break, path.sign[first], piece.sign[first])
    reason = np.where(is_break, _BREAK, piece.reason[first])
    seconds = (path.time_ms[last] - path.time_ms[first]) / 1000.0
    length = shapely.length(geometry)
    chord = path.xy[last] - path.xy[first]
    heading = np.where(np.hypot(*chord.T) > 0, bearing_of(*chord.T), np.nan)
    offline = np.full(count, np.nan)
    on = lane >= 0
    if on.any():
        way = lines.way(np.maximum(lane, 0), sign)
        heading = np.where(on, bearing_of(*way.T), heading)
        across = lines.across(np.maximum(lane, 0)[owner], xy)
        square = np.bincount(owner, weights=across**2, minlength=count)
        offline = np.where(on, np.sqrt(square / size), np.nan)

    piece_run = np.full(len(piece.visit), -1, np.int64)
    owned = np.flatnonzero(~is_break)
    piece_run[start[kept]] = owned
    span = np.repeat(owned, stop[kept] - start[kept])
    inner = np.repeat(kept, stop - start)
    piece_run[inner] = span
    return SessionRuns(
        geometry=geometry,
        lane=lane,
        heading_deg=heading,
        length_m=length,
        speed_mps=np.divide(length, seconds, out=np.full(count, np.nan), where=seconds > 0),
        offline_rms_m=offline,
        start_ms=path.time_ms[first],
        finish_ms=path.time_ms[last],
        reason=np.array(REASONS, dtype=np.object_)[reason],
        home=_homes(reason, np.where(is_break, -1, piece.visit[first])),
        fix_run=_fix_runs(path, piece_run, reason, fixes),
        path_ms=path.time_ms,
        piece_run=piece_run,
    )


def _homes(reason: Wholes, visit: Wholes) -> Wholes:
    index = np.arange(len(reason))
    walked = np.maximum.accumulate(np.where((reason != _DWELL) & (visit >= 0), index, -1))
    good = (reason == _DWELL) & (walked >= 0) & (visit[walked] == visit)
    return np.where(good, walked, index).astype(np.int64)


def _fix_runs(path: _Path, piece_run: Wholes, reason: Wholes, fixes: int) -> Wholes:
    """Run (n,) of each fix: of the piece after it, else before it; an accepted one first."""
    before = np.concatenate([[-1], piece_run])
    after = np.concatenate([piece_run, [-1]])
    accepted = np.append(reason == _OK, False)
    choose_before = (after < 0) | (~accepted[after] & accepted[before] & (before >= 0))
    run = np.where(choose_before, before, after)
    out = np.full(fixes, -1, np.int64)
    real = path.fix >= 0
    out[path.fix[real]] = run[real]
    return out
