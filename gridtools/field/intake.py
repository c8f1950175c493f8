"""One log taken in: new rows with ids, hits placed, what was there before left out.

The same fix or hit counts once, even from another file: same time and place. A log that brings
nothing new adds no session.
"""

from dataclasses import astuple, dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.errors import InputError, quote
from gridtools.field.checks import StatedCheck, checks_of
from gridtools.field.logs import RawLog
from gridtools.field.match import lane_lines
from gridtools.field.outing import Outing, Walked, next_ids
from gridtools.field.repeats import repeated, repeated_notes
from gridtools.field.rules import Rules
from gridtools.field.walk import Flags, Reals, Times, Wholes, numbered
from gridtools.layers import Fixes, Hits, Lanes, Sessions, Tape
from gridtools.units import counted


@dataclass(frozen=True)
class Counts:
    """How many rows of each kind were new, and how many were in the job or the log already."""

    fixes: int = 0
    hits: int = 0
    tape: int = 0
    repeated_fixes: int = 0
    repeated_hits: int = 0
    repeated_tape: int = 0

    def __add__(self, other: "Counts") -> "Counts":
        return Counts(*(a + b for a, b in zip(astuple(self), astuple(other), strict=True)))


@dataclass(frozen=True, eq=False)
class Intake:
    """New rows of one log.

    Attributes
    ----------
    new
        Rows to add; empty layers where the log brought nothing new.
    session_id
        The new session, empty if there is none.
    counts
        For the summary.
    notices
        What was not taken, and why, one sentence each.
    """

    new: Walked
    session_id: str
    counts: Counts
    notices: tuple[str, ...]


def take_in(
    log: RawLog,
    outing: Outing,
    lanes: Lanes,
    before: Walked,
    rules: Rules,
    *,
    again: bool = False,
) -> Intake:
    """New rows of a log.

    Parameters
    ----------
    log
        What the reader found, in metres.
    outing
        What the user says about it.
    lanes
        Lanes, infill and recheck lanes together, in metres.
    before
        What the job holds already.
    rules
        Thresholds.
    again
        Take in once more what only sessions have brought that were struck out since.

    Raises
    ------
    InputError
        If a hit or tape row names a lane that the job does not have.

    Examples
    --------
    >>> log = RawLog(
    ...     fix_xy=np.array([[0.0, 0.0], [0.0, 1.2], [0.0, 1.2]]),
    ...     fix_time=np.array([0, 1000, 1000], dtype="datetime64[ms]"),
    ...     fix_track=np.array(["", "", ""], dtype=object),
    ...     fix_segment=np.zeros(3, dtype=np.int64),
    ... )
    >>> taken = take_in(log, Outing(log_id="L001"), Lanes.empty(), Walked.nothing(), Rules())
    >>> taken.session_id, taken.new.fixes.fix_id.tolist(), taken.counts.repeated_fixes
    ('S001', ['F000001', 'F000002'], 1)
    """
    notices = list(log.notices)
    session = next_ids("S", before.sessions.session_id, 1, 3)[0]
    seen = before.unstruck() if again else before
    fixes, repeated_fixes = _new_fixes(log, session, lanes, before, seen, rules, notices)
    tape, repeated_tape = _new_tape(log, session, lanes, before, seen, rules)
    hits, repeated_hits = _new_hits(log, session, lanes, fixes, before, seen, rules, notices)
    counts = Counts(len(fixes), len(hits), len(tape), repeated_fixes, repeated_hits, repeated_tape)
    if not len(fixes) + len(hits) + len(tape):
        return Intake(Walked.nothing(), "", counts, tuple(notices))
    time = np.concatenate([fixes.time_utc, hits.time_utc, tape.time_utc])
    time = time[~np.isnat(time)]
    nat = np.datetime64("NaT", "ms")
    start, finish = (time.min(), time.max()) if len(time) else (nat, nat)
    sessions = Sessions.build(
        session_id=[session],
        log_id=outing.log_id,
        operator=outing.operator,
        instrument=outing.instrument,
        tuning=outing.tuning,
        start_utc=start,
        finish_utc=finish,
        ahead_m=outing.ahead_m,
        right_m=outing.right_m,
        accuracy_m=outing.accuracy_m,
        positions=outing.positions,
        note=outing.note,
    )
    told = [
        StatedCheck("function", when, passed)
        for when, passed in ((start, outing.check_start), (finish, outing.check_finish))
        if passed is not None
    ]
    told += [check for check in outing.checks if check.is_near(start, finish)]
    checks = checks_of(told, session, next_ids("K", before.checks.check_id, len(told), 3))
    new = Walked(sessions=sessions, checks=checks, fixes=fixes, tape=tape, hits=hits)
    return Intake(new, session, counts, tuple(notices))


def _new_fixes(
    log: RawLog,
    session: str,
    lanes: Lanes,
    before: Walked,
    seen: Walked,
    rules: Rules,
    notices: list[str],
) -> tuple[Fixes, int]:
    usable = ~np.isnat(log.fix_time) & np.isfinite(log.fix_xy).all(axis=1)
    if dropped := int((~usable).sum()):
        notices.append(f"{counted(dropped, 'fix')} left out, without a time or position")
    xy, time = log.fix_xy[usable], log.fix_time[usable].astype("datetime64[ms]")
    known_xy = shapely.get_coordinates(seen.fixes.geometry)
    again = repeated(xy, time, known_xy, seen.fixes.time_utc, rules)
    stated = _stated_lanes(log, lanes)[usable][~again]
    xy, time = xy[~again], time[~again]
    fixes = Fixes.build(
        len(xy),
        geometry=_points(xy),
        fix_id=next_ids("F", before.fixes.fix_id, len(xy), 6),
        session_id=session,
        time_utc=time,
        segment=log.fix_segment[usable][~again],
        stated_lane=stated,
    )
    return fixes, int(again.sum())


def _stated_lanes(log: RawLog, lanes: Lanes) -> NDArray[np.object_]:
    """Lane (n,) that the walker stated: by the last lane mark, else by the track's name."""
    known = set(lanes.lane_id)
    names, row = numbered(log.fix_track)
    by_track = np.array([n if n in known else "" for n in names], dtype=np.object_)
    stated = by_track[row] if len(names) else np.empty(0, dtype=np.object_)
    good = np.array([n in known for n in log.mark_lane], dtype=np.bool_)
    good &= ~np.isnat(log.mark_time)
    if good.any():
        order = np.argsort(log.mark_time[good], kind="stable")
        time, lane = log.mark_time[good][order], log.mark_lane[good][order]
        last = np.searchsorted(time, log.fix_time, side="right") - 1
        stated = np.where(last >= 0, lane[np.maximum(last, 0)], stated)
    return stated


def _points(xy: Reals) -> NDArray[np.object_]:
    return np.asarray(shapely.points(xy), dtype=np.object_)


def _known_lanes(lane_id: NDArray[np.object_], lanes: Lanes, what: str) -> None:
    known = set(lanes.lane_id)
    for row, name in enumerate(lane_id):
        if name not in known:
            raise InputError(
                f"{what} row {row + 1}: the job has no lane {quote(name)}; "
                "correct the lane in the log"
            )


def _new_tape(
    log: RawLog, session: str, lanes: Lanes, before: Walked, seen: Walked, rules: Rules
) -> tuple[Tape, int]:
    _known_lanes(log.tape_lane, lanes, "tape")
    time = log.tape_time.astype("datetime64[ms]")
    keys = [(log.tape_lane, log.tape_from_m, log.tape_to_m, time)]
    old = seen.tape
    keys.insert(0, (old.lane_id, old.from_m, old.to_m, old.time_utc))
    again = repeated_notes(
        lane=np.concatenate([k[0] for k in keys]),
        extra=np.full(len(old) + len(time), "", dtype=np.object_),
        measures_m=np.concatenate([np.column_stack(k[1:3]) for k in keys]),
        time=np.concatenate([k[3] for k in keys]),
        rules=rules,
    )[len(old) :]
    new = ~again
    tape = Tape.build(
        int(new.sum()),
        tape_id=next_ids("T", before.tape.tape_id, int(new.sum()), 3),
        session_id=session,
        lane_id=log.tape_lane[new],
        from_m=log.tape_from_m[new],
        to_m=log.tape_to_m[new],
        time_utc=time[new],
    )
    return tape, int(again.sum())


def _new_hits(
    log: RawLog,
    session: str,
    lanes: Lanes,
    fixes: Fixes,
    before: Walked,
    seen: Walked,
    rules: Rules,
    notices: list[str],
) -> tuple[Hits, int]:
    time = log.hit_time.astype("datetime64[ms]")
    xy = log.hit_xy.astype(np.float64).copy()
    by_gps = np.isfinite(xy).all(axis=1)
    by_lane = ~by_gps & (log.hit_lane != "")
    _known_lanes(log.hit_lane[by_lane], lanes, "hit")
    placed = np.where(by_gps, "gps", np.where(by_lane, "lane", "track")).astype(np.object_)
    told = by_lane & (log.hit_direction != "")
    placed[told] = "lane " + log.hit_direction[told]
    lines = lane_lines(lanes)
    xy[by_lane] = lines.at(lines.rows_of(log.hit_lane[by_lane]), log.hit_chainage_m[by_lane])
    by_track = placed == "track"
    xy[by_track] = _on_track(time[by_track], fixes, before, rules, notices)

    usable = np.isfinite(xy).all(axis=1)
    where = np.flatnonzero(usable)
    old = seen.hits
    old_lane = np.array([p.startswith("lane") for p in old.placed], dtype=np.bool_)
    untimed = np.isnat(time)
    again = np.zeros(len(time), dtype=np.bool_)
    rows = where[~untimed[where]]
    again[rows] = repeated(
        xy[rows], time[rows], shapely.get_coordinates(old.geometry), old.time_utc, rules
    )
    rows = where[untimed[where]]
    old_rows = np.flatnonzero(np.isnat(old.time_utc))
    again[rows] = repeated_notes(
        lane=np.concatenate([np.where(old_lane, old.lane_id, "")[old_rows], log.hit_lane[rows]]),
        extra=np.concatenate(
            [
                (old.part + "/" + old.placed)[old_rows],
                (log.hit_part + "/" + placed)[rows],
            ]
        ),
        measures_m=np.concatenate([shapely.get_coordinates(old.geometry[old_rows]), xy[rows]]),
        time=np.concatenate([old.time_utc[old_rows], time[rows]]),
        rules=rules,
    )[len(old_rows) :]
    new = np.flatnonzero(usable & ~again)
    hits = Hits.build(
        len(new),
        geometry=_points(xy[new]),
        hit_id=next_ids("H", before.hits.hit_id, len(new), 4),
        session_id=session,
        time_utc=time[new],
        part=log.hit_part[new],
        strength=log.hit_strength[new],
        note=log.hit_note[new],
        placed=placed[new],
        lane_id=np.where(by_lane, log.hit_lane, "")[new],
        chainage_m=np.where(by_lane, log.hit_chainage_m, np.nan)[new],
    )
    return hits, int(again.sum())


def _on_track(time: Times, fixes: Fixes, before: Walked, rules: Rules, notices: list[str]) -> Reals:
    """Places (m, 2) on the track at those times, NaN where no track or several tell."""
    xy = np.full((len(time), 2), np.nan)
    found = np.zeros(len(time), np.int64)
    if not len(time):
        return xy
    struck = set(before.sessions.session_id[before.sessions.struck])
    tracks: list[Fixes] = [fixes]
    tracks += [
        before.fixes.take(before.fixes.session_id == name)
        for name in before.sessions.session_id
        if name not in struck
    ]
    for number, track in enumerate(tracks):
        if number == 1:
            # The log's own track comes first; others speak only where it is silent.
            open_ = found == 0
        on, place = _interpolated(time, track, rules)
        on &= open_ if number else True
        xy[on] = place[on]
        found[on] += 1
    xy[found != 1] = np.nan
    if lost := int((found == 0).sum()):
        notices.append(
            f"{counted(lost, 'hit')} left out, with only a time that no track covers: record the "
            "track first"
        )
    if unclear := int((found > 1).sum()):
        notices.append(
            f"{counted(unclear, 'hit')} left out, with only a time at which several sessions were "
            "walking: put them in one log with their track"
        )
    return xy


def _interpolated(time: Times, track: Fixes, rules: Rules) -> tuple[Flags, Reals]:
    order = np.argsort(track.time_utc, kind="stable")
    at = track.time_utc[order].astype(np.int64)
    xy = shapely.get_coordinates(track.geometry[order])
    segment = track.segment[order]
    wanted = time.astype(np.int64)
    if not len(at):
        return np.zeros(len(time), dtype=np.bool_), np.full((len(time), 2), np.nan)
    place = np.column_stack([np.interp(wanted, at, xy[:, i]) for i in (0, 1)])
    after: Wholes = np.clip(np.searchsorted(at, wanted), 0, len(at) - 1)
    before = np.maximum(np.searchsorted(at, wanted, side="right") - 1, 0)
    gap_s = (at[after] - at[before]) / 1000.0
    interval = np.median(np.diff(at)) / 1000.0 if len(at) > 1 else 0.0
    joined = (gap_s <= max(rules.break_s, rules.break_intervals * interval)) & (
        segment[after] == segment[before]
    )
    inside = ~np.isnat(time) & (wanted >= at[0]) & (wanted <= at[-1])
    return inside & joined, place
