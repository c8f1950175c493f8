import numpy as np
import pytest
import shapely

from gridtools.job import Job
from gridtools.layers import Lanes

from ..commands import feature_collection, polygon


def test_lanes__rectangle_by_hand(gridtools, job):
    """60 m by 40 m at 2 m: 30 lanes of 40 m north, 20 lanes of 60 m east."""
    result = gridtools(
        "lanes", job, "--spacing", "2m", "--sweep-width", "2m", "--bearing", "0", "--json"
    ).json
    first, second = result["passes"]
    assert (first["lanes"], second["lanes"]) == (30, 20)
    assert first["length_m"] == pytest.approx(1200.0)
    assert second["length_m"] == pytest.approx(1200.0)
    with Job.open(job) as opened:
        lanes = opened.read(Lanes)
        assert opened.setting("sweep_width_m").basis == "given"
    assert sorted(lanes.seq) == list(range(1, 51))
    assert set(np.round(lanes.bearing_deg, 9)) == {0.0, 90.0, 180.0, 270.0}


def test_lanes__needs_a_sweep_width(gridtools, job):
    result = gridtools("lanes", job, "--spacing", "2m", code=1)
    assert "--sweep-width" in result.err


def test_lanes__spacing_is_remembered(gridtools, planned):
    result = gridtools("lanes", planned, "--bearing", "0", "--json").json
    assert result["lane_spacing_m"] == 2.0


def test_lanes__says_that_the_sweep_width_is_not_tested(gridtools, job):
    result = gridtools("lanes", job, "--spacing", "6.5ft", "--sweep-width", "2m")
    assert "sweep width assumed, not tested" in result.out


@pytest.mark.parametrize(
    "words",
    [["--spacing", "2 furlongs"], ["--bearing", "north"],
     ["--run-on", "1m", "--stay-inside"], ["--spacing", "0"]],
)  # fmt: skip
def test_lanes__wrong_usage(gridtools, job, words):
    gridtools("lanes", job, "--sweep-width", "2m", *words, code=2)


def test_lanes__slips_of_the_unit(gridtools, job):
    """The site is 60 m by 40 m."""
    result = gridtools("lanes", job, "--spacing", "1cm", "--sweep-width", "4m", code=1)
    assert "check the lane spacing" in result.err
    result = gridtools("lanes", job, "--spacing", "2m", "--sweep-width", "45m", "--bearing", "0")
    assert "sweep width of 45 m is more than the site is wide" in result.err


def test_lanes__planned_after_a_log_was_taken_in(gridtools, tmp_path, job):
    log = tmp_path / "track.csv"
    log.write_text(
        "time,x,y\n2026-05-12T09:00:00Z,500010,5800010\n2026-05-12T09:00:01Z,500010,5800011\n"
    )
    assert "no lanes yet" in gridtools("record", job, log).err
    gridtools("lanes", job, "--spacing", "2m", "--sweep-width", "4m", "--bearing", "0")


def box(*, east, north):
    """Rectangle inside the site of 60 m by 40 m, from and to, in metres from its corner."""
    (w, e), (s, n) = east, north
    corners = [(w, s), (e, s), (e, n), (w, n)]
    return polygon(*([500000 + x, 5800000 + y] for x, y in corners)), {"reason": "works"}


@pytest.fixture
def begun(gridtools, tmp_path, planned):
    """Lanes 1-001 to 1-015 walked: at 1, 3 ... 29 m from the west side, 40 m long."""
    note = tmp_path / "walked.txt"
    note.write_text("1-001 to 1-015 in order\n")
    gridtools("record", planned, note)
    return planned


def lanes_by_id(job):
    with Job.open(job) as opened:
        lanes = opened.read(Lanes)
    return lanes, dict(zip(lanes.lane_id, shapely.to_wkb(lanes.geometry), strict=True))


def test_lanes__replan_changes_only_lanes_that_new_no_go_ground_cuts(gridtools, tmp_path, begun):
    """A pit on walked lanes, and one on lanes 1-016 and 1-017 at 31 and 33 m; in pass 2 they
    cut the five lanes at 11, 13 ... 19 m, each into three."""
    _, before = lanes_by_id(begun)
    pits = [box(east=(4, 6), north=(10, 20)), box(east=(30, 34), north=(10, 20))]
    gridtools("area", begun, "--exclusion", feature_collection(tmp_path / "pits.geojson", pits))
    result = gridtools("lanes", begun, "--replan", "--json").json
    lanes, after = lanes_by_id(begun)
    cut = {"1-016", "1-017", "2-011", "2-012", "2-013", "2-014", "2-015"}
    assert set(result["replan"].pop("dropped")) == set(before) - set(after) == cut
    assert result["replan"] == {"walked": 15, "kept": 50 - 15 - 7, "new": 2 * 2 + 5 * 3}
    assert {lane: line for lane, line in after.items() if lane in before} == {
        lane: line for lane, line in before.items() if lane not in cut
    }
    new = [lane for lane in lanes.lane_id[lanes.pass_no == 1] if lane not in before]
    assert sorted(new) == ["1-031a", "1-031b", "1-032a", "1-032b"]
    assert sorted(lanes.seq) == list(range(1, len(lanes) + 1))
    assert set(lanes.lane_id[lanes.seq <= 15]) == {f"1-{i:03d}" for i in range(1, 16)}
    assert "Planned again: 15 lanes walked" in gridtools("lanes", begun, "--replan").out


def test_lanes__replan_keeps_the_lines_though_the_ground_is_narrower(gridtools, tmp_path, begun):
    """Centred on the 59.2 m that remain, lanes would lie elsewhere."""
    _, before = lanes_by_id(begun)
    edge = feature_collection(tmp_path / "edge.geojson", [box(east=(59.2, 60), north=(0, 40))])
    gridtools("area", begun, "--exclusion", edge)
    gridtools("lanes", begun, "--replan", "--passes", "1")
    assert lanes_by_id(begun)[1] == {k: v for k, v in before.items() if k.startswith("1-")}


def test_lanes__replan_without_a_change_leaves_all_as_it_was(gridtools, job, tmp_path):
    """Also what was asked for when the lanes were planned, and is not said again."""
    options = ["--bearing", "20", "--stay-inside", "--min-length", "5m", "--passes", "1"]
    gridtools("lanes", job, "--spacing", "2m", "--sweep-width", "4m", *options)
    note = tmp_path / "walked.txt"
    note.write_text("1-003 to 1-007 in order\n")
    gridtools("record", job, note)
    _, before = lanes_by_id(job)
    result = gridtools("lanes", job, "--replan", "--json").json
    assert lanes_by_id(job)[1] == before
    assert (result["replan"]["new"], result["replan"]["dropped"]) == (0, [])


def test_lanes__replan_on_another_bearing_lays_only_what_was_not_walked(gridtools, begun):
    """Pass 1 was walked up to 30 m: its lanes now run east from there, 30 m each."""
    result = gridtools("lanes", begun, "--replan", "--bearing", "90", "--json").json
    first, second = result["passes"]
    assert first["lanes"] == 20
    assert first["length_m"] == pytest.approx(20 * 30.0)
    assert first["planned_percent"] == pytest.approx(100.0)
    assert second["length_m"] == pytest.approx(30 * 40.0)
    lanes, _ = lanes_by_id(begun)
    mine = lanes.take((lanes.pass_no == 1) & (lanes.seq > 15))
    assert shapely.bounds(mine.geometry)[:, 0].min() == pytest.approx(500030.0)


def test_lanes__replan_of_a_pass_that_is_all_walked(gridtools, tmp_path, planned):
    note = tmp_path / "walked.txt"
    note.write_text("1-001 to 1-030 in order\n")
    gridtools("record", planned, note)
    result = gridtools("lanes", planned, "--replan", "--bearing", "45", "--json").json
    assert result["passes"][0]["legs"] == 0
    assert result["passes"][1]["legs"] > 0


def test_lanes__replan_never_reuses_a_number(gridtools, tmp_path, planned):
    """Numbers of pass 2 stay taken although its lanes were dropped unwalked."""
    note = tmp_path / "walked.txt"
    note.write_text("1-001\n")
    gridtools("record", planned, note)
    with Job.open(planned) as opened:
        before = set(opened.read(Lanes).lane_id)
    gridtools("lanes", planned, "--bearing", "0", "--passes", "1", "--replan")
    gridtools("lanes", planned, "--bearing", "30", "--passes", "2", "--replan")
    with Job.open(planned) as opened:
        assert set(opened.read(Lanes).lane_id) & before == {"1-001"}


def test_lanes__of_a_job_in_feet_are_said_in_feet(gridtools, tmp_path):
    """EPSG:2263 is in US survey feet; 1 ft = 0.3048 m. A bare number stays metres."""
    square = polygon([980000, 200000], [980200, 200000], [980200, 200100], [980000, 200100])
    job = tmp_path / "feet.gpkg"
    site = feature_collection(tmp_path / "feet.geojson", [(square, {})], epsg=2263)
    # 20,000 square feet of 43,560 to the acre.
    assert "0.459 acres" in gridtools("new", job, "--site", site).out
    options = ["--spacing", "10ft", "--sweep-width", "2", "--bearing", "0", "--json"]
    assert gridtools("lanes", job, *options).json["sweep_width_m"] == 2.0
    said = gridtools("lanes", job, "--bearing", "0").out
    assert "Lane spacing 10.00 ft; sweep width assumed, not tested (6.56 ft)." in said
    assert " m " not in said
