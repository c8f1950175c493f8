import numpy as np
import pytest
import shapely

from gridtools.errors import InputError, MissingError
from gridtools.field.amend import (
    amended,
    correct_hit,
    correct_session,
    strike_hit,
    strike_run,
    strike_session,
)
from gridtools.field.outing import Walked
from gridtools.layers import Checks, Fixes, Hits, Sessions, Tape


def walked(ground):
    lanes = ground.planned(3)
    fixes = ground.Walker().serpentine(lanes, overshoot=1.5).fixes()
    tape = Tape.build(
        tape_id=["T001", "T002"],
        session_id="S002",
        lane_id=["1-001", "1-002"],
        from_m=[0.0, 0.0],
        to_m=[80.0, 80.0],
    )
    sessions = Sessions.build(session_id=["S001", "S002"], tuning="motion", positions="gps")
    return lanes, sessions, tape, ground.derive(lanes, fixes, sessions, tape=tape)


def strike(ground, run_id, reason="hurried"):
    lanes, sessions, tape, found = walked(ground)
    changed = strike_run(
        run_id,
        reason,
        runs=found.runs,
        lanes=lanes,
        sessions=sessions,
        fixes=found.fixes,
        tape=tape,
    )
    after = ground.derive(lanes, changed[1], changed[0], tape=changed[2])
    return found.runs, changed, after.runs


def test_strike_run__from_fixes(ground):
    before, (sessions, fixes, tape), after = strike(ground, "S001-0003")
    assert before.lane_id[before.run_id == "S001-0003"].tolist() == ["1-002"]
    changed = before.reason != after.reason
    assert before.run_id[changed].tolist() == ["S001-0003"]
    assert after.reason[changed].tolist() == ["struck"]
    assert after.run_id.tolist() == before.run_id.tolist()
    assert "run on 1-002 of 2025-06-03T09:01:" in sessions.note[0]
    assert sessions.note[0].endswith("struck: hurried")
    assert len(fixes) == len(set(fixes.fix_id))
    assert not tape.struck.any()


def test_strike_run__from_tape(ground):
    before, (sessions, fixes, tape), after = strike(ground, "S002-0002")
    assert tape.struck.tolist() == [False, True]
    assert not fixes.struck.any()
    assert after.reason[before.run_id == "S002-0002"].tolist() == ["struck"]
    assert sessions.note[1] == "run on 1-002 struck: hurried"


def test_strike_run__unknown_or_without_reason(ground):
    with pytest.raises(MissingError, match="no run 'S009-0001'"):
        strike(ground, "S009-0001")
    with pytest.raises(InputError, match="needs a reason"):
        strike(ground, "S001-0003", " ")


def test_strike_session__and_unknown():
    day = Sessions.build(session_id=["S001", "S002"])
    struck = strike_session(day, "S002", "wrong coil")
    assert struck.struck.tolist() == [False, True]
    assert struck.note.tolist() == ["", "struck: wrong coil"]
    assert not day.struck.any()
    with pytest.raises(MissingError, match="no session 'S003'"):
        strike_session(day, "S003", "x")


def logged():
    return Hits.build(
        hit_id=["H0001", "H0002"],
        geometry=shapely.points([[0, 0], [1, 1]]),
        part="",
        strength=[5.0, np.nan],
        note=["deep", ""],
    )


def test_strike_hit__keeps_the_row():
    struck = strike_hit(logged(), "H0001", "belt buckle")
    assert struck.struck.tolist() == [True, False]
    assert struck.note.tolist() == ["deep; struck: belt buckle", ""]


def test_correct_hit__values():
    changed = correct_hit(logged(), "H0001", "misread", strength=7.0, part="peak")
    assert changed.strength[0] == 7.0
    assert changed.part.tolist() == ["peak", ""]
    assert changed.note[0] == "deep; strength was 5: misread; part was empty: misread"
    with pytest.raises(InputError, match="part is one of"):
        correct_hit(logged(), "H0001", "x", part="middle")
    with pytest.raises(InputError, match="'note' cannot be corrected"):
        correct_hit(logged(), "H0001", "x", note="gone")
    with pytest.raises(InputError, match="say what to correct"):
        correct_hit(logged(), "H0001", "x")


def test_amended__by_the_form_of_the_id(ground):
    """Sessions, runs and hits are told apart by their ids; a run has no values of its own."""
    lanes, sessions, tape, found = walked(ground)
    walk = Walked(
        sessions=sessions, checks=Checks.empty(), fixes=found.fixes, tape=tape, hits=logged()
    )
    change = [found.runs, lanes]
    assert amended(walk, *change, "S002", "x", {}).sessions.struck.tolist() == [False, True]
    assert amended(walk, *change, "S002-0001", "x", {}).tape.struck.tolist() == [True, False]
    assert amended(walk, *change, "H0002", "x", {"strength": 3.0}).hits.strength[1] == 3.0
    with pytest.raises(InputError, match="a run is derived"):
        amended(walk, *change, "S002-0001", "x", {"strength": 3.0})
    with pytest.raises(MissingError, match="no session, run, hit or check 'Q9'"):
        amended(walk, *change, "Q9", "x", {})


def test_correct_session__tuning_changes_the_runs(ground):
    """A stop counts once the session is known to have been in static tuning."""
    lanes = ground.planned(1)
    fixes = ground.Walker().start(0, 0).go(0, 30).stand(10).go(0, 80).fixes()
    day = Sessions.build(session_id=["S001"], tuning="motion", positions="gps")
    assert "dwell" in ground.derive(lanes, fixes, day).runs.reason
    right = correct_session(day, "S001", "misread the knob", tuning="static")
    assert right.note[0] == "tuning was motion: misread the knob"
    assert ground.derive(lanes, fixes, right).runs.reason.tolist() == [""]
    with pytest.raises(InputError, match="tuning is one of"):
        correct_session(day, "S001", "x", tuning="loud")


def test_nothing_is_erased(ground):
    _, (sessions, fixes, tape), _ = strike(ground, "S001-0001")
    assert len(sessions) == 2
    assert len(tape) == 2
    assert isinstance(fixes, Fixes)
    assert fixes.struck.sum() > 50
