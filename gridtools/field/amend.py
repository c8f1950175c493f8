"""Mistakes corrected: rows struck out or changed with a reason, never erased.

Each function takes layers and returns the changed ones; runs are derived again afterwards.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from gridtools.errors import InputError, MissingError, quote
from gridtools.field.match import lane_lines
from gridtools.field.outing import POSITIONS, TUNINGS, Walked
from gridtools.field.tape import rows_of_run
from gridtools.layers import Checks, Fixes, Hits, Lanes, Runs, Sessions, Tape

SESSION_FIELDS = (
    "operator",
    "instrument",
    "tuning",
    "ahead_m",
    "right_m",
    "accuracy_m",
    "positions",
)
HIT_FIELDS = ("part", "strength")
PARTS = ("start", "peak", "end", "")
_L = TypeVar("_L", Sessions, Hits, Checks)


def _row(ids: NDArray[np.object_], row_id: str, what: str) -> int:
    found = np.flatnonzero(ids == row_id)
    if not len(found):
        raise MissingError(f"the job has no {what} {quote(row_id)}")
    return int(found[0])


def _reason(reason: str) -> str:
    if not reason.strip():
        raise InputError("say why: a correction needs a reason")
    return reason.strip()


def _noted(note: NDArray[np.object_], row: int, text: str) -> NDArray[np.object_]:
    out = note.copy()
    out[row] = f"{note[row]}; {text}" if note[row] else text
    return out


def _with_value(layer: _L, row: int, name: str, value: object) -> _L:
    column = getattr(layer, name).copy()
    column[row] = value
    return layer.with_columns(**{name: column})


def _struck(layer: _L, row: int, row_id: str, reason: str) -> _L:
    if layer.struck[row]:
        raise InputError(f"{row_id} is struck out already ({layer.note[row]})")
    note = _noted(layer.note, row, f"struck: {_reason(reason)}")
    return _with_value(layer, row, "struck", True).with_columns(note=note)


def amended(
    walked: Walked,
    runs: Runs,
    lanes: Lanes,
    row_id: str,
    reason: str,
    values: Mapping[str, str | float],
) -> Walked:
    """The walk with one row corrected, or struck out where no values are given.

    Parameters
    ----------
    walked, runs, lanes
        What the job holds; lanes with infill and recheck lanes.
    row_id
        ``S001`` is a session, ``S001-0004`` a run, ``H0012`` a hit, ``K001`` a check.
    reason
        Why.
    values
        New values by column, as for `correct_session`, `correct_hit` and `correct_check`.

    Raises
    ------
    MissingError
        If there is no such row.
    InputError
        If no reason is given, a value does not fit, or the row is struck out already.
    """
    if row_id in runs.run_id:
        if values:
            raise InputError("a run is derived: strike it, or correct its session")
        sessions, fixes, tape = strike_run(
            row_id,
            reason,
            runs=runs,
            lanes=lanes,
            sessions=walked.sessions,
            fixes=walked.fixes,
            tape=walked.tape,
        )
        return replace(walked, sessions=sessions, fixes=fixes, tape=tape)
    if row_id in walked.hits.hit_id:
        hits = walked.hits
        return replace(
            walked,
            hits=correct_hit(hits, row_id, reason, **values)
            if values
            else strike_hit(hits, row_id, reason),
        )
    if row_id in walked.checks.check_id:
        checks = walked.checks
        return replace(
            walked,
            checks=correct_check(checks, row_id, reason, **values)
            if values
            else _struck(checks, _row(checks.check_id, row_id, "check"), row_id, reason),
        )
    sessions = walked.sessions
    if row_id not in sessions.session_id:
        raise MissingError(f"the job has no session, run, hit or check {quote(row_id)}")
    return replace(
        walked,
        sessions=correct_session(sessions, row_id, reason, **values)
        if values
        else strike_session(sessions, row_id, reason),
    )


def strike_session(sessions: Sessions, session_id: str, reason: str) -> Sessions:
    """Sessions with one struck out: none of its runs counts any more.

    Raises
    ------
    MissingError
        If there is no such session.
    InputError
        If no reason is given.

    Examples
    --------
    >>> day = Sessions.build(session_id=["S001"], note=["wet"])
    >>> struck = strike_session(day, "S001", "wrong coil")
    >>> bool(struck.struck[0]), struck.note[0]
    (True, 'wet; struck: wrong coil')
    """
    return _struck(sessions, _row(sessions.session_id, session_id, "session"), session_id, reason)


def strike_hit(hits: Hits, hit_id: str, reason: str) -> Hits:
    """Hits with one struck out.

    Raises
    ------
    MissingError
        If there is no such hit.
    InputError
        If no reason is given.
    """
    return _struck(hits, _row(hits.hit_id, hit_id, "hit"), hit_id, reason)


def strike_run(
    run_id: str,
    reason: str,
    *,
    runs: Runs,
    lanes: Lanes,
    sessions: Sessions,
    fixes: Fixes,
    tape: Tape,
) -> tuple[Sessions, Fixes, Tape]:
    """Sessions, fixes and tape with one run struck out.

    The fixes or the tape row that gave the run are struck, and its session's note says why: runs
    are derived, so a mark on the run itself would not last.

    Parameters
    ----------
    run_id, reason
        Which run, and why.
    runs, lanes
        Runs as derived, and the lanes (infill and recheck included) that they were derived from.
    sessions, fixes, tape
        The layers to change.

    Raises
    ------
    MissingError
        If there is no such run, or nothing any more that gave it.
    InputError
        If no reason is given.
    """
    row = _row(runs.run_id, run_id, "run")
    text = _reason(reason)
    owner = runs.session_id[row]
    at = _row(sessions.session_id, owner, "session")
    if runs.reason[row] == "struck":
        raise InputError(f"run {run_id} is struck out already ({sessions.note[at]})")
    mine = fixes.run_id == run_id
    noted = np.zeros(len(tape), dtype=np.bool_)
    if not mine.any():
        noted[rows_of_run(tape, lane_lines(lanes), owner, runs.geometry[row])] = True
    if not mine.any() and not noted.any():
        raise MissingError(
            f"run {quote(run_id)} has no fixes and no tape row of its own: record the job "
            "again first"
        )
    start = runs.start_utc[row]
    when = "" if np.isnat(start) else f" of {np.datetime_as_string(start, unit='s')}Z"
    name = runs.lane_id[row] or "no lane"
    note = _noted(sessions.note, at, f"run on {name}{when} struck: {text}")
    return (
        sessions.with_columns(note=note),
        fixes.with_columns(struck=fixes.struck | mine),
        tape.with_columns(struck=tape.struck | noted),
    )


def correct_session(
    sessions: Sessions, session_id: str, reason: str, **values: str | float
) -> Sessions:
    """Sessions with some values of one corrected; its note keeps the old value and the reason.

    Parameters
    ----------
    sessions
        The layer.
    session_id, reason
        Which session, and why.
    **values
        New values of any of `SESSION_FIELDS`.

    Raises
    ------
    MissingError
        If there is no such session.
    InputError
        If no reason is given, or a value does not fit.

    Examples
    --------
    >>> day = Sessions.build(session_id=["S001"], tuning="motion")
    >>> right = correct_session(day, "S001", "misread", tuning="static")
    >>> right.tuning[0], right.note[0]
    ('static', 'tuning was motion: misread')
    """
    row = _row(sessions.session_id, session_id, "session")
    allowed = {"tuning": TUNINGS, "positions": POSITIONS}
    return _corrected(sessions, row, _reason(reason), values, SESSION_FIELDS, allowed)


def correct_hit(hits: Hits, hit_id: str, reason: str, **values: str | float) -> Hits:
    """Hits with some values of one corrected; its note keeps the old value and the reason.

    Parameters
    ----------
    hits
        The layer.
    hit_id, reason
        Which hit, and why.
    **values
        New values of any of `HIT_FIELDS`.

    Raises
    ------
    MissingError
        If there is no such hit.
    InputError
        If no reason is given, or a value does not fit.
    """
    row = _row(hits.hit_id, hit_id, "hit")
    return _corrected(hits, row, _reason(reason), values, HIT_FIELDS, {"part": PARTS})


def correct_check(checks: Checks, check_id: str, reason: str, **values: str | float) -> Checks:
    """Checks with the result of one corrected; its note keeps the old one and the reason.

    Parameters
    ----------
    checks
        The layer.
    check_id, reason
        Which check, and why.
    **values
        ``passed``, true or false.

    Raises
    ------
    MissingError
        If there is no such check.
    InputError
        If no reason is given, it has that result already, or another value is given.

    Examples
    --------
    >>> made = Checks.build(check_id=["K001"], passed=False)
    >>> right = correct_check(made, "K001", "pressed the wrong key", passed=True)
    >>> bool(right.passed[0]), right.note[0]
    (True, 'was fail: pressed the wrong key')
    """
    row = _row(checks.check_id, check_id, "check")
    if set(values) != {"passed"}:
        raise InputError("a check has only its result to correct: give --passed")
    words = {True: "pass", False: "fail"}
    old = bool(checks.passed[row])
    if bool(values["passed"]) == old:
        raise InputError(f"check {check_id} is a {words[old]} already")
    note = _noted(checks.note, row, f"was {words[old]}: {_reason(reason)}")
    return _with_value(checks, row, "passed", not old).with_columns(note=note)


def _corrected(
    layer: _L,
    row: int,
    reason: str,
    values: dict[str, str | float],
    fields: tuple[str, ...],
    allowed: Mapping[str, tuple[str, ...]],
) -> _L:
    if not values:
        raise InputError(f"say what to correct: {', '.join(fields)}")
    for name, value in values.items():
        if name not in fields:
            raise InputError(f"{quote(name)} cannot be corrected, only {', '.join(fields)}")
        if name in allowed and value not in allowed[name]:
            words = ", ".join(repr(word) for word in allowed[name])
            raise InputError(f"{name} is one of {words}, not {quote(value)}")
        old = getattr(layer, name)[row]
        text = old if isinstance(old, str) else f"{old:g}"
        note = _noted(layer.note, row, f"{name} was {text or 'empty'}: {reason}")
        layer = _with_value(layer, row, name, value).with_columns(note=note)
    return layer
