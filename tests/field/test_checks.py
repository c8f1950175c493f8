import numpy as np
import pytest
from shapely import LineString

from gridtools.field.checks import StatedCheck, doubts, further_checks
from gridtools.layers import Checks, Runs, Sessions

DAY = np.datetime64("2026-05-12T00:00", "ms")
NAT = np.datetime64("NaT", "ms")


def at(hour):
    return NAT if hour is None else DAY + np.timedelta64(round(hour * 3600), "s")


def runs(*rows):
    """Rows (session, start, finish), hours of the day."""
    return Runs.build(
        geometry=[LineString([(0, 0), (0, 1)])] * len(rows),
        run_id=[f"{name}-{i:04d}" for i, (name, _, _) in enumerate(rows, 1)],
        session_id=[name for name, _, _ in rows],
        start_utc=[at(start) for _, start, _ in rows],
        finish_utc=[at(finish) for _, _, finish in rows],
        accepted=True,
    )


def checks(*rows):
    """Rows (session, hour, passed)."""
    return Checks.build(
        check_id=[f"K{i:03d}" for i in range(1, len(rows) + 1)],
        session_id=[name for name, _, _ in rows],
        time_utc=[at(hour) for _, hour, _ in rows],
        kind="function",
        passed=[passed for _, _, passed in rows],
    )


def sessions(*instruments, struck=False):
    names = [f"S{i:03d}" for i in range(1, len(instruments) + 1)]
    return Sessions.build(session_id=names, instrument=list(instruments), struck=struck)


WALK = runs(("S001", 8, 9), ("S001", 9, 10), ("S001", None, None), ("S002", 11, 12))


def test_doubts__since_the_last_passed_check():
    """A run that ended by that check is not in doubt; one without a time cannot be told."""
    day = sessions("Coil A", " coil  a ")
    (doubt,) = doubts(WALK, day, checks(("S001", 9, True), ("S002", 11, False)))
    assert (doubt.session_id, doubt.run_ids, doubt.check_id) == ("S001", ("S001-0002",), "K002")
    assert "1 accepted run in doubt" in doubt.sentence
    assert "record --session S001 --check function,2026-05-12T11:00:00Z,fail" in doubt.sentence
    (doubt,) = doubts(WALK, day, checks(("S001", 9.5, True), ("S002", 11, False)))
    assert doubt.run_ids == ("S001-0002",)
    (doubt,) = doubts(WALK, day, checks(("S002", 11, False)))
    assert doubt.run_ids == ("S001-0001", "S001-0002")


def test_doubts__each_run_once():
    twice = checks(("S002", 11, False), ("S003", 14, False))
    found = doubts(WALK, sessions("", "", ""), twice)
    assert [(d.session_id, d.check_id) for d in found] == [("S001", "K001"), ("S002", "K002")]


@pytest.mark.parametrize(
    ("day", "made"),
    [
        (sessions("A", "B"), checks(("S002", 11, False))),
        (sessions("A", "A"), checks(("S001", 10, True), ("S002", 11, False))),
        (sessions("A", "A"), checks(("S002", 10.5, True), ("S002", 11, False))),
        (sessions("A", "A"), checks(("S002", 11, False)).with_columns(struck=[True])),
        (sessions("A", "A", struck=[False, True]), checks(("S002", 11, False))),
        (sessions("A", "A"), checks(("S002", 22.5, False))),
        (sessions("A", "A"), checks(("S002", None, False))),
    ],
)
def test_doubts__none(day, made):
    """Another instrument, a passed check between, a struck check or session, 12 hours, no time."""
    assert doubts(WALK, day, made) == ()


def test_further_checks__of_a_session_without_times():
    """A tape note gives a session no times, and a check of it any."""
    check = StatedCheck("ground", at(9), False)
    made = further_checks([check], "S001", sessions("A"), Checks.empty(), ["K001"])
    assert (made.check_id[0], made.kind[0], made.time_utc[0]) == ("K001", "ground", at(9))
