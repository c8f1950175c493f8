import numpy as np
import pytest
import shapely

from gridtools.field.match import lane_lines
from gridtools.field.tape import rows_of_run, tape_runs
from gridtools.layers import Fixes, Tape


def notes(*rows, **columns):
    lane, begin, end = zip(*rows, strict=True)
    return Tape.build(
        tape_id=[f"T{i:03d}" for i in range(1, len(rows) + 1)],
        session_id="S001",
        lane_id=list(lane),
        from_m=list(begin),
        to_m=list(end),
        **columns,
    )


def test_tape_runs__forward_and_backward(ground):
    lanes = ground.planned(2)
    tape = notes(("1-001", 0, 80), ("1-002", 12, 40), ("1-002", 80, 0))
    found = ground.derive(lanes, Fixes.empty(), tape=tape)
    runs = found.runs
    assert runs.run_id.tolist() == ["S001-0001", "S001-0002", "S001-0003"]
    assert runs.heading_deg.tolist() == pytest.approx([0, 180, 0])
    assert runs.length_m.tolist() == pytest.approx([80, 28, 80])
    assert runs.accepted.all()
    assert runs.pass_no.tolist() == [1, 1, 1]
    # Lane 1-002 is drawn from north to south: chainage 12 lies at y = 68.
    assert shapely.get_coordinates(runs.geometry[1]).tolist() == [[2, 68], [2, 40]]
    assert np.isnan(runs.offline_rms_m).all()
    assert np.isnat(runs.start_utc).all()


def test_tape_runs__unknown_chainage_is_the_lane_end(ground):
    lines = lane_lines(ground.planned(1))
    found = tape_runs(notes(("1-001", np.nan, np.nan), ("1-001", 34, np.nan)), np.arange(2), lines)
    assert found.from_m.tolist() == [0, 34]
    assert found.to_m.tolist() == [80, 80]


def test_tape_runs__beyond_the_lane_and_unknown_lanes(ground):
    lines = lane_lines(ground.planned(1))
    tape = notes(("1-001", 0, 93), ("9-001", 0, 5), ("1-001", 7, 7), ("1-001", 0, 80.3))
    found = tape_runs(tape, np.arange(4), lines)
    assert found.row.tolist() == [0, 3]
    assert found.to_m.tolist() == [80, 80]
    assert len(found.notices) == 2
    assert "no lane '9-001'" in found.notices[0]
    assert "T001: goes past the end of lane 1-001" in found.notices[1]


def test_tape_runs__in_order_of_time(ground):
    nat = np.datetime64("NaT", "ms")
    tape = notes(
        ("1-001", 0, 80),
        ("1-002", 0, 80),
        ("1-003", 0, 80),
        time_utc=[nat, ground.START + np.timedelta64(1, "h"), ground.START],
    )
    runs = ground.derive(ground.planned(3), Fixes.empty(), tape=tape).runs
    assert runs.lane_id.tolist() == ["1-003", "1-002", "1-001"]
    assert runs.start_utc[0] == ground.START


def test_tape_runs__struck_row(ground):
    tape = notes(("1-001", 0, 80), ("1-002", 0, 80), struck=[True, False])
    runs = ground.derive(ground.planned(2), Fixes.empty(), tape=tape).runs
    assert runs.reason.tolist() == ["struck", ""]


def test_rows_of_run__finds_its_row(ground):
    lanes = ground.planned(2)
    tape = notes(("1-001", 0, 80), ("1-001", 80, 0), ("1-002", 0, 80))
    runs = ground.derive(lanes, Fixes.empty(), tape=tape).runs
    for row in range(3):
        assert rows_of_run(tape, lane_lines(lanes), "S001", runs.geometry[row]).tolist() == [row]
    assert rows_of_run(tape, lane_lines(lanes), "S002", runs.geometry[0]).size == 0
