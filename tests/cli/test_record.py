from datetime import timedelta

import numpy as np
import pytest

from gridtools.job import Job
from gridtools.layers import Checks, Fixes, Hits, Logs, Runs, Sessions, Tape

from ..walks import START, lanes_of, walk_gpx


@pytest.fixture
def log(tmp_path, planned):
    lanes, crs = lanes_of(planned)
    path = tmp_path / "walk.gpx"
    path.write_text(walk_gpx(lanes, crs, skip=["1-003"], hits=[("1-005", 12.0)]))
    return path


def read(job, *layers):
    with Job.open(job) as opened:
        return [opened.read(layer) for layer in layers]


def test_record__gpx(gridtools, planned, log):
    result = gridtools("record", planned, log, "--check-start", "pass", "--json").json
    assert result["new"]["hits"] == 1
    runs, hits, logs, sessions = read(planned, Runs, Hits, Logs, Sessions)
    walked = set(runs.lane_id[runs.accepted])
    lanes, _ = lanes_of(planned)
    assert walked == set(lanes.lane_id) - {"1-003"}
    assert hits.lane_id.tolist() == ["1-005"]
    assert hits.chainage_m[0] == pytest.approx(12.0, abs=0.01)
    assert sessions.log_id.tolist() == ["L001"] == logs.log_id.tolist()


def test_record__keeps_the_bytes(gridtools, planned, log):
    import zlib

    gridtools("record", planned, log)
    assert zlib.decompress(read(planned, Logs)[0].content[0]) == log.read_bytes()


def test_record__same_log_twice_adds_nothing(gridtools, tmp_path, planned, log):
    gridtools("record", planned, log)
    before = read(planned, Fixes, Hits, Runs)
    assert "nothing is added" in gridtools("record", planned, log).err
    again = tmp_path / "renamed.gpx"
    again.write_text(log.read_text().replace('creator="test"', 'creator="other"'))
    assert "nothing is added" in gridtools("record", planned, again).err
    for old, new in zip(before, read(planned, Fixes, Hits, Runs), strict=True):
        assert len(old) == len(new)
    assert len(read(planned, Sessions)[0]) == 1


def test_record__walked_lanes_note(gridtools, tmp_path, planned):
    note = tmp_path / "walked.txt"
    note.write_text("1-001 to 1-004 in order, missed 1-002\n1-005 from 34 m\n")
    gridtools("record", planned, note)
    runs, tape = read(planned, Runs, Tape)
    assert tape.lane_id.tolist() == ["1-001", "1-003", "1-004", "1-005"]
    # By hand: lanes are 40 m long.
    assert np.allclose(runs.length_m, [40.0, 40.0, 40.0, 6.0])


def test_record__without_a_file_derives_again(gridtools, planned, log):
    gridtools("record", planned, log)
    before = read(planned, Runs)[0]
    gridtools("record", planned, "--max-speed", "1.0")
    assert not read(planned, Runs)[0].accepted.any()
    gridtools("record", planned, "--max-speed", "2")
    after = read(planned, Runs)[0]
    assert after.run_id.tolist() == before.run_id.tolist()
    assert [g.wkb for g in after.geometry] == [g.wkb for g in before.geometry]


def test_record__failed_check_takes_runs_back(gridtools, planned, log):
    gridtools("record", planned, log, "--check-start", "pass", "--check-finish", "fail")
    runs = read(planned, Runs)[0]
    assert not runs.accepted.any()
    assert "failed check" in set(runs.reason)
    result = gridtools("status", planned, "--json").json
    assert len(result["failed_checks"]) == 1


@pytest.mark.parametrize(
    ("content", "name", "message"),
    [
        ("<gpx><trk><trkseg>", "cut.gpx", "cut.gpx"),
        ("time,lon,lat\n2026-05-12T09:00:00,15,52\n", "zone.csv", "--tz"),
        ("1-999 walked\n", "note.txt", "1-999"),
        ("", "nothing.csv", "empty"),
        ('{"type": "FeatureCollection"}', "walk.geojson", "is not a log: expected GPX, CSV"),
        ("<!DOCTYPE html>\n<html>Sign in</html>", "walk.gpx", "is not a log: expected GPX, CSV"),
        ("%PDF-1.7", "walk.pdf", "is not a log: expected GPX, CSV"),
    ],
)
def test_record__unusable_log_leaves_the_job(gridtools, tmp_path, planned, content, name, message):
    path = tmp_path / name
    path.write_text(content)
    before = planned.read_bytes()
    assert message in gridtools("record", planned, path, code=1).err
    assert planned.read_bytes() == before


def test_record__gpx_without_times(gridtools, tmp_path, planned):
    lanes, crs = lanes_of(planned)
    path = tmp_path / "planned.gpx"
    path.write_text(walk_gpx(lanes, crs, times=False))
    assert "no times" in gridtools("record", planned, path, code=1).err


def test_record__bad_number_names_the_row(gridtools, tmp_path, planned):
    rows = [f"2026-05-12T09:{i // 60 % 60:02d}:{i % 60:02d}Z,500001,58000{i % 40:02d}.0"
            for i in range(1300)]  # fmt: skip
    rows[1232] = rows[1232].replace("500001", "5oooo1")
    path = tmp_path / "track.csv"
    path.write_text("time,x,y\n" + "\n".join(rows))
    result = gridtools("record", planned, path, code=1)
    assert "track.csv" in result.err
    assert "1,234" in result.err


def test_amend__strikes_a_run_for_good(gridtools, planned, log):
    gridtools("record", planned, log)
    runs = read(planned, Runs)[0]
    victim = runs.run_id[runs.accepted][4]
    gridtools("amend", planned, victim, "--strike", "--reason", "wrong coil")
    gridtools("record", planned)
    runs, sessions = read(planned, Runs, Sessions)
    assert runs.reason[runs.run_id == victim].tolist() == ["struck"]
    assert "wrong coil" in sessions.note[0]


def test_amend__session_and_hit(gridtools, planned, log):
    gridtools("record", planned, log)
    gridtools("amend", planned, "H0001", "--strength", "3", "--reason", "misread")
    gridtools("amend", planned, "H0001", "--strike", "--reason", "own boots")
    gridtools("amend", planned, "S001", "--tuning", "static", "--reason", "wrong box ticked")
    hits, sessions = read(planned, Hits, Sessions)
    assert hits.struck.tolist() == [True]
    assert hits.strength.tolist() == [3.0]
    assert sessions.tuning.tolist() == ["static"]
    unknown = gridtools("amend", planned, "S009", "--strike", "--reason", "x", code=1)
    assert "no session, run, hit or check 'S009'" in unknown.err
    gridtools("amend", planned, "S001", "--reason", "x", code=2)


def test_record__what_was_sent_comes_back(gridtools, tmp_path, planned):
    """Lane ends sent as waypoints and brought back with times are recognised, not hits."""
    out = tmp_path / "lanes.gpx"
    gridtools("send", planned, out, "--as", "waypoints", "--max-name", "6")
    stamped = out.read_text().replace("<name>", "<time>2026-05-12T09:00:05Z</time><name>")
    lanes, crs = lanes_of(planned)
    track = walk_gpx(lanes, crs)
    track = track[track.index("<trk>") : track.index("</gpx>")]
    both = tmp_path / "unit.gpx"
    both.write_text(stamped.replace("</gpx>", track + "</gpx>"))
    result = gridtools("record", planned, both)
    assert f"{2 * len(lanes)} waypoints sent to the unit came back" in result.err
    assert not len(read(planned, Hits)[0])


def test_record__again_after_a_struck_session(gridtools, planned, log):
    """A mistaken intake is struck out, and its log taken in once more; both stay on record."""
    gridtools("record", planned, log)
    first = read(planned, Runs)[0]
    gridtools("amend", planned, "S001", "--strike", "--reason", "wrong instrument")
    assert "nothing is added" in gridtools("record", planned, log).err
    gridtools("record", planned, log, "--again")
    runs, logs, sessions, hits = read(planned, Runs, Logs, Sessions, Hits)
    assert sessions.struck.tolist() == [True, False]
    assert logs.log_id.tolist() == ["L001"]
    assert set(sessions.log_id) == {"L001"}
    assert runs.accepted.sum() == first.accepted.sum()
    assert set(runs.session_id[runs.accepted]) == {"S002"}
    assert hits.run_id[1].startswith("S002")
    assert "nothing is added" in gridtools("record", planned, log, "--again").err


def test_record__hits_left_out_come_in_later(gridtools, planned, log):
    gridtools("record", planned, log, "--hits", "none")
    assert not len(read(planned, Hits)[0])
    gridtools("record", planned, log, "--hits", "all")
    hits, fixes, runs = read(planned, Hits, Fixes, Runs)
    assert hits.lane_id.tolist() == ["1-005"]
    assert hits.run_id[0] in set(runs.run_id)
    assert len(set(fixes.session_id)) == 1


def test_record__response_is_as_long_as_candidates_take_it(gridtools, tmp_path, planned, log):
    """A start near the finish of one lane and an end on the next are two responses, of no length.

    By hand: lanes of 40 m at 1.2 m/s take 34 fixes, and the next begins 9 s later.
    """
    gridtools("record", planned, log)
    rows = tmp_path / "hits.csv"
    rows.write_text(
        "time,part\n2026-05-12T09:00:30Z,start\n2026-05-12T09:00:46Z,end\n"
        "2026-05-12T09:00:50Z,start\n2026-05-12T09:00:55Z,\n"
    )
    gridtools("record", planned, rows)
    hits = read(planned, Hits)[0]
    parts = hits.part != ""
    assert len(set(hits.lane_id[parts])) == 2
    assert np.isnan(hits.response_m).all()
    gridtools("amend", planned, hits.hit_id[-1], "--part", "end", "--reason", "misread")
    length = read(planned, Hits)[0].response_m
    assert length[-2] == pytest.approx(5 * 1.2, abs=0.01)
    assert np.isfinite(length).sum() == 1


def test_record__names_hits_without_a_run(gridtools, tmp_path, planned, log):
    rows = tmp_path / "hits.csv"
    rows.write_text("lane,chainage_m\n" + "".join(f"1-003,{i}\n" for i in range(1, 8)))
    result = gridtools("record", planned, log, rows)
    untied = "7 of 8 hits could not be tied to a run: H0002, H0003, H0004, H0005, H0006 and 2 more"
    assert untied in result.err


def reasons(job):
    runs = read(job, Runs)[0]
    return [runs.reason[runs.lane_id == lane].tolist() for lane in ("1-001", "1-002", "1-015")]


def test_amend__check(gridtools, tmp_path, planned, log):
    """A result entered wrongly takes no run back any more once it is corrected or struck out."""
    gridtools("record", planned, log, "--check-start", "fail", "--check-finish", "fail")
    assert reasons(planned) == [["failed check"]] * 3
    wrong = ("--reason", "pressed the wrong key")
    gridtools("amend", planned, "K001", "--passed", "pass", *wrong)
    assert reasons(planned) == [["failed check"]] * 3
    assert "K001 is a pass already" in gridtools(
        "amend", planned, "K001", "--passed", "pass", *wrong, code=1).err  # fmt: skip
    gridtools("amend", planned, "K002", "--strike", "--reason", "other instrument")
    assert reasons(planned) == [[""]] * 3
    checks = read(planned, Checks)[0]
    assert checks.passed.tolist() == [True, False]
    assert checks.note.tolist() == ["was fail: pressed the wrong key", "struck: other instrument"]
    result = gridtools("status", planned)
    assert "Checks: 1 check made, none failed." in result.out
    page = tmp_path / "report.html"
    gridtools("report", planned, page)
    assert "K002 (struck out)" in page.read_text()
    assert "only its result" in gridtools(
        "amend", planned, "K001", "--strength", "2", *wrong, code=1).err  # fmt: skip


@pytest.mark.parametrize("row_id", ["S001", "S001-0001", "H0001", "K001"])
def test_amend__struck_out_already(gridtools, planned, log, row_id):
    gridtools("record", planned, log, "--check-start", "pass")
    gridtools("amend", planned, row_id, "--strike", "--reason", "wrong coil")
    before = planned.read_bytes()
    again = gridtools("amend", planned, row_id, "--strike", "--reason", "twice", code=1).err
    assert "is struck out already" in again
    assert "wrong coil" in again
    assert planned.read_bytes() == before


def test_record__checks_during_the_walk(gridtools, planned, log):
    """By hand: each lane takes 43 s with its turn, so lane 2 is walked from 09:00:43 on."""
    zone = ("--tz", "Europe/Berlin")
    gridtools("record", planned, log, *zone,
              "--check", "function,2026-05-12T11:00:40,pass",
              "--check", "ground,2026-05-12T11:01:22,fail",
              "--check", "function,2026-05-12T09:01:24Z,pass")  # fmt: skip
    checks = read(planned, Checks)[0]
    assert checks.kind.tolist() == ["function", "ground", "function"]
    assert checks.session_id.tolist() == ["S001"] * 3
    assert checks.time_utc.astype(str).tolist() == [
        "2026-05-12T09:00:40.000", "2026-05-12T09:01:22.000", "2026-05-12T09:01:24.000"
    ]  # fmt: skip
    assert reasons(planned) == [[""], ["failed check"], [""]]


def test_record__checks_of_a_session_taken_in_before(gridtools, planned, log):
    gridtools("record", planned, log, "--check-start", "pass")
    after = "function,2026-05-12T10:30:00Z,fail"
    result = gridtools("record", planned, "--session", "S001", "--check", after)
    assert "1 check" in result.out
    assert reasons(planned) == [["failed check"]] * 3
    before = planned.read_bytes()
    assert "has that function check already, as K002" in gridtools(
        "record", planned, "--session", "S001", "--check", after, code=1).err  # fmt: skip
    assert "no session 'S002'" in gridtools(
        "record", planned, "--session", "S002", "--check", after, code=1).err  # fmt: skip
    for check, message in [
        ("function,2025-05-12T10:30:00Z,pass", "over 12 hours from session S001"),
        ("function,2026-05-12T10:30:00,pass", "give --tz"),
        ("function,half past ten,pass", "'half past ten' is not a time"),
    ]:
        words = ("--session", "S001", "--check", check)
        assert message in gridtools("record", planned, *words, code=1).err
    assert planned.read_bytes() == before


@pytest.mark.parametrize(
    "words",
    [
        ["--check", "smell,2026-05-12T10:30:00Z,pass"],
        ["--check", "function,2026-05-12T10:30:00Z,maybe"],
        ["--check", "function,pass"],
        ["--check", "function,2026-05-12T10:30:00Z,pass"],
        ["--session", "S001"],
        ["--check-start", "fail"],
    ],
)
def test_record__checks_wrongly_stated(gridtools, planned, log, words):
    gridtools("record", planned, log)
    gridtools("record", planned, *words, code=2)


def test_record__checks_of_a_log_that_brings_nothing(gridtools, planned, log):
    gridtools("record", planned, log)
    result = gridtools("record", planned, log, "--check-start", "fail")
    assert "its checks are not added either" in result.err
    assert not len(read(planned, Checks)[0])
    far = gridtools("record", planned, log, "--again", "--check", "ground,2026-05-13T23:00Z,fail")
    assert "not added either" in far.err


def test_record__check_far_from_every_log(gridtools, planned, log):
    words = ("--check", "ground,2026-05-13T23:00Z,fail")
    assert "over 12 hours from every log" in gridtools(
        "record", planned, log, *words, code=1).err  # fmt: skip


def two_outings(gridtools, tmp_path, planned, first=(), second=(), hours=2):
    lanes, crs = lanes_of(planned)
    halves = (lanes.take(lanes.pass_no == n) for n in (1, 2))
    for name, half, words, start in zip(
        "ab", halves, (first, second), (START, START + timedelta(hours=hours)), strict=True
    ):
        path = tmp_path / f"{name}.gpx"
        path.write_text(walk_gpx(half, crs, start=start))
        result = gridtools("record", planned, path, *words)
    return result


def test_record__failed_start_check_throws_doubt_on_the_session_before(
    gridtools, tmp_path, planned
):
    """By hand: of 30 runs of pass 1 at 43 s each, two end by the check at 09:01:20."""
    good = ("--check", "function,2026-05-12T09:01:20Z,pass")
    result = two_outings(gridtools, tmp_path, planned, good, ("--check-start", "fail"))
    said = "session S001: 28 accepted runs in doubt"
    assert said in result.err
    status = gridtools("status", planned)
    assert said in status.err
    assert said in gridtools("coverage", planned).err
    assert len(gridtools("status", planned, "--json").json["doubtful_runs"]) == 28
    # The walker judges that it was failing, as the note says how.
    words = result.err[result.err.index("record --session S001") :].split()[1:5]
    gridtools("record", planned, *words)
    assert reasons(planned) == [[""], [""], ["failed check"]]
    assert "in doubt" not in gridtools("status", planned).err


@pytest.mark.parametrize(
    ("first", "second", "hours"),
    [
        (["--check-finish", "pass"], ["--check-start", "fail"], 2),
        ([], ["--check-start", "pass"], 2),
        ([], ["--check-start", "fail", "--instrument", "Other"], 2),
        ([], ["--check-start", "fail"], 20),
    ],
)
def test_record__no_doubt(gridtools, tmp_path, planned, first, second, hours):
    """Not after a passed check, of another instrument, or on another day."""
    result = two_outings(gridtools, tmp_path, planned, first, second, hours)
    assert "in doubt" not in result.err
