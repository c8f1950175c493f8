from datetime import timedelta

import pytest
from scipy.stats import norm

from gridtools.job import Job
from gridtools.layers import Coverage, Gaps, Infill, Runs

from ..pdf import text_of
from ..walks import START, lanes_of, walk_gpx


@pytest.fixture
def missed(tmp_path, planned, gridtools):
    """All lanes walked without error but 1-003 and its neighbours; W is 4 m, S is 2 m."""
    lanes, crs = lanes_of(planned)
    log = tmp_path / "walk.gpx"
    log.write_text(walk_gpx(lanes, crs, skip=["1-002", "1-003", "1-004"]))
    gridtools("record", planned, log)
    return planned


def test_coverage__gap_by_hand(gridtools, missed):
    """Lanes at 1, 3, 5 ... m: with 3, 5 and 7 missed, 3 m to 7 m is out of reach of 1 and 9."""
    result = gridtools("coverage", missed, "--json").json
    assert result["pass 1"] == pytest.approx(100 * (1 - 4 * 40 / 2400), abs=0.05)
    with Job.open(missed) as job:
        gaps, infill, rows = job.read(Gaps), job.read(Infill), job.read(Coverage)
    assert gaps.area_m2.tolist() == [pytest.approx(160.0, abs=0.5)]
    assert gaps.width_m.tolist() == [pytest.approx(4.0, abs=0.05)]
    assert gaps.reason.tolist() == ["lanes not walked 1-002 to 1-004"]
    assert len(infill) >= 1
    assert set(rows.part) == {"pass 1", "pass 2", "either", "both"}


def test_coverage__infill_walked_closes_the_gap(gridtools, tmp_path, missed):
    gridtools("coverage", missed)
    gridtools("send", missed, tmp_path / "infill.gpx", "--layer", "infill")
    infill, crs = lanes_of(missed, Infill)
    log = tmp_path / "infill-walk.gpx"
    log.write_text(walk_gpx(infill, crs, start=START + timedelta(days=1)))
    gridtools("record", missed, log)
    result = gridtools("coverage", missed, "--json").json
    assert result["gaps"] == 0
    assert result["infill"] == []
    with Job.open(missed) as job:
        runs, infill = job.read(Runs), job.read(Infill)
    # A walk on an infill lane that lies on a planned one counts for the planned one.
    assert set(infill.reason) == {"walked", "closed"}
    assert set(infill.lane_id[infill.reason == "walked"]) <= set(runs.lane_id)
    assert gridtools("status", missed, "--json").json["lanes"]["infill"]["left_m"] == 0.0


def test_coverage__fail_under(gridtools, missed):
    assert "pass 1 covered" in gridtools("coverage", missed, "--fail-under", "95", code=3).err
    gridtools("coverage", missed, "--fail-under", "90")


def test_coverage__cautious_figures(gridtools, missed):
    """The width is cut by the one-sided 95 % point of the normal law on each side: with
    sigma 0.5 m, 4 m becomes 2.355 m, and lanes 2 m apart still overlap: only the gap widens."""
    gridtools("coverage", missed, "--fix-accuracy", "0.5m")
    with Job.open(missed) as job:
        rows = job.read(Coverage)
    row = rows.take((rows.part == "pass 1") & (rows.confidence == "all"))
    half = 2.0 - norm.ppf(0.95) * 0.5
    gap = (9 - half) - (1 + half)
    assert row.cautious_percent[0] == pytest.approx(100 * (1 - gap * 40 / 2400), abs=0.1)


def test_coverage__before_any_walk(gridtools, planned):
    result = gridtools("coverage", planned, "--json").json
    assert result["pass 1"] == 0.0


def test_coverage__min_gap_moves_gaps_to_slivers(gridtools, missed):
    result = gridtools("coverage", missed, "--min-gap", "200m2", "--json").json
    assert result["gaps"] == 0
    whole = [r for r in result["coverage"] if (r["part"], r["confidence"]) == ("pass 1", "all")]
    assert whole[0]["slivers"] >= 1
    assert whole[0]["slivers_m2"] == pytest.approx(160.0, abs=0.5)


def test_coverage__infill_once_issued_is_known_when_it_comes_back(gridtools, tmp_path, missed):
    """The planned lanes are walked after all, and coverage made, while somebody is out with the
    infill lanes: no longer to walk, printed or sent, but a tape note may still name them."""
    gridtools("coverage", missed)
    issued = lanes_of(missed, Infill)[0].lane_id.tolist()
    lanes, crs = lanes_of(missed)
    log = tmp_path / "late.gpx"
    rest = [lane for lane in lanes.lane_id if lane not in ("1-002", "1-003", "1-004")]
    log.write_text(walk_gpx(lanes, crs, skip=rest, start=START + timedelta(days=1)))
    gridtools("record", missed, log)
    assert gridtools("coverage", missed, "--json").json["infill"] == []
    infill = lanes_of(missed, Infill)[0]
    assert dict(zip(infill.lane_id, infill.reason, strict=True)) == dict.fromkeys(issued, "closed")
    assert "infill" not in gridtools("status", missed, "--json").json["lanes"]
    gridtools("send", missed, tmp_path / "i.gpx", "--layer", "infill", code=1)
    gridtools("sheets", missed, tmp_path / "sheets")
    assert issued[0] not in text_of((tmp_path / "sheets" / "lane-sheet.pdf").read_bytes())
    note = tmp_path / "infill.txt"
    note.write_text(f"2026-05-14\n09:00 {issued[0]}\n")
    gridtools("record", missed, note, "--tz", "UTC")
    with Job.open(missed) as job:
        assert issued[0] in job.read(Runs).lane_id


def test_coverage__no_row_for_reduced_ground_where_there_is_none(gridtools, missed):
    assert "of it reduced" not in gridtools("coverage", missed).out
