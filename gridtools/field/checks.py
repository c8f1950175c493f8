"""Checks of the instrument: as stated, and what a failed one takes back or puts in doubt.

A failed check takes back runs of its own session only, so that a later session never changes an
earlier one. What it says of sessions before it is told in words, and is for the walker to judge.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridtools.errors import InputError, MissingError, quote
from gridtools.layers import Checks, Runs, Sessions
from gridtools.units import counted

KINDS = ("function", "ground")
#: Nobody is in the field for longer: what lies further apart is another day, in any time zone.
FIELD_DAY = np.timedelta64(12, "h")
_FAILED = "failed check"


@dataclass(frozen=True)
class StatedCheck:
    """A check as the walker states it; its time is unknown where that of the session is."""

    kind: str
    time_utc: np.datetime64
    passed: bool

    def is_near(self, start_utc: np.datetime64, finish_utc: np.datetime64) -> bool:
        """Whether it may belong to a session: within a field day of it, or times unknown."""
        early = self.time_utc < start_utc - FIELD_DAY
        late = self.time_utc > finish_utc + FIELD_DAY
        return not (early or late)


def checks_of(stated: Sequence[StatedCheck], session_id: str, check_ids: Sequence[str]) -> Checks:
    """Rows for what was stated of one session."""
    return Checks.build(
        len(stated),
        check_id=list(check_ids),
        session_id=session_id,
        time_utc=np.array([check.time_utc for check in stated], dtype="datetime64[ms]"),
        kind=[check.kind for check in stated],
        passed=[check.passed for check in stated],
    )


def further_checks(
    stated: Sequence[StatedCheck],
    session_id: str,
    sessions: Sessions,
    checks: Checks,
    check_ids: Sequence[str],
) -> Checks:
    """Rows to add to a session that was taken in before.

    Raises
    ------
    MissingError
        If there is no such session.
    InputError
        If it was struck out, a check is over 12 hours from it, or it has a check of that kind
        and time already.
    """
    rows = np.flatnonzero(sessions.session_id == session_id)
    if not len(rows):
        raise MissingError(f"the job has no session {quote(session_id)}")
    row = rows[0]
    if sessions.struck[row]:
        raise InputError(f"session {session_id} is struck out, so its checks tell nothing")
    start, finish = sessions.start_utc[row], sessions.finish_utc[row]
    mine = checks.take((checks.session_id == session_id) & ~checks.struck)
    for check in stated:
        if not check.is_near(start, finish):
            raise InputError(
                f"the {check.kind} check at {_clock(check.time_utc)} is over 12 hours from "
                f"session {session_id} ({_clock(start)} to {_clock(finish)}): correct its time"
            )
        same = np.flatnonzero((mine.kind == check.kind) & (mine.time_utc == check.time_utc))
        if len(same):
            raise InputError(
                f"session {session_id} has that {check.kind} check already, as "
                f"{mine.check_id[same[0]]}: amend it if it is wrong"
            )
    return checks_of(stated, session_id, check_ids)


def judged(runs: Runs, session: Sessions, checks: Checks) -> Runs:
    """Runs of one session, accepted or not once strikes and checks of the session are known."""
    reason = runs.reason.copy()
    if session.struck[0]:
        reason[:] = "struck"
    mine = checks.take((checks.session_id == session.session_id[0]) & ~checks.struck)
    good = np.sort(mine.time_utc[mine.passed & ~np.isnat(mine.time_utc)])
    last = _finish(runs)
    for failed in mine.time_utc[~mine.passed]:
        # Unknown times compare as false, so that the doubt falls on the run.
        before, after = good[good <= failed], good[good > failed]
        bad = np.ones(len(runs), dtype=np.bool_)
        if before.size:
            bad &= ~(last <= before[-1])
        if after.size:
            bad &= ~(runs.start_utc >= after[0])
        reason[bad & (reason == "")] = _FAILED
    return runs.with_columns(reason=reason, accepted=reason == "")


@dataclass(frozen=True)
class Doubt:
    """Accepted runs of one session after which the instrument failed a check in another.

    Attributes
    ----------
    session_id, run_ids
        What is in doubt.
    check_id, kind, failed_utc
        The check that failed.
    instrument
        Its instrument, empty if none was named.
    """

    session_id: str
    run_ids: tuple[str, ...]
    check_id: str
    kind: str
    failed_utc: np.datetime64
    instrument: str

    @property
    def sentence(self) -> str:
        """What to say of it."""
        which = self.instrument or "an instrument that was not named, if it is the same,"
        what = counted(len(self.run_ids), "accepted run")
        return (
            f"session {self.session_id}: {what} in doubt, since {which} failed {self.kind} check "
            f"{self.check_id} later that day and passed none in between; if it was failing "
            f"already, take them back: record --session {self.session_id} --check "
            f"{self.kind},{_clock(self.failed_utc)},fail"
        )


def doubts(runs: Runs, sessions: Sessions, checks: Checks) -> tuple[Doubt, ...]:
    """Accepted runs between the last passed check of an instrument and a failed one.

    Only runs of other sessions than that of the failed check, of the same instrument, begun up to
    12 hours before it. Sessions that name no instrument count as one instrument. Each run is
    named once, with the first check that failed after it.

    Parameters
    ----------
    runs, sessions, checks
        The layers; runs judged. Rows without a time say nothing here.
    """
    instrument = {
        str(name): " ".join(str(what).split()).casefold()
        for name, what, struck in zip(
            sessions.session_id, sessions.instrument, sessions.struck, strict=True
        )
        if not struck
    }
    named = dict(zip(sessions.session_id, sessions.instrument, strict=True))
    known = checks.take(
        ~checks.struck
        & ~np.isnat(checks.time_utc)
        & np.array([name in instrument for name in checks.session_id], dtype=np.bool_)
    )
    check_of = _texts([instrument[name] for name in known.session_id])
    run_of = _texts([instrument.get(name, "\0") for name in runs.session_id])
    open_ = runs.accepted & ~np.isnat(runs.start_utc)
    last = _finish(runs)
    found: list[Doubt] = []
    for i in np.lexsort((known.check_id, known.time_utc)):
        if known.passed[i]:
            continue
        failed = known.time_utc[i]
        good = known.time_utc[known.passed & (check_of == check_of[i]) & (known.time_utc < failed)]
        bad = open_ & (run_of == check_of[i]) & (runs.session_id != known.session_id[i])
        bad &= (runs.start_utc < failed) & (runs.start_utc >= failed - FIELD_DAY)
        if good.size:
            bad &= last > good.max()
        open_ &= ~bad
        found += [
            Doubt(
                session_id=name,
                run_ids=tuple(runs.run_id[bad & (runs.session_id == name)]),
                check_id=known.check_id[i],
                kind=known.kind[i],
                failed_utc=failed,
                instrument=named[known.session_id[i]],
            )
            for name in sorted(set(runs.session_id[bad]))
        ]
    return tuple(found)


def _finish(runs: Runs) -> NDArray[np.datetime64]:
    return np.where(np.isnat(runs.finish_utc), runs.start_utc, runs.finish_utc)


def _texts(values: Sequence[str]) -> NDArray[np.object_]:
    out = np.empty(len(values), dtype=np.object_)
    out[:] = values
    return out


def _clock(time_utc: np.datetime64) -> str:
    return f"{np.datetime_as_string(time_utc, unit='s')}Z"


def failed_checks(sessions: Sessions, checks: Checks) -> list[str]:
    """Checks that failed, in words; those struck out, and those of struck sessions, left out.

    Examples
    --------
    >>> sessions = Sessions.build(session_id=["S001"])
    >>> failed_checks(sessions, Checks.build(check_id=["K001"], session_id="S001", kind="ground"))
    ['S001 ground check K001']
    """
    struck = set(sessions.session_id[sessions.struck])
    return [
        f"{checks.session_id[i]} {checks.kind[i]} check {checks.check_id[i]}"
        for i in range(len(checks))
        if not (checks.passed[i] or checks.struck[i] or checks.session_id[i] in struck)
    ]
