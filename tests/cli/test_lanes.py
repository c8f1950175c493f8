import numpy as np
import pytest

from gridtools.job import Job
from gridtools.layers import Lanes


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
    result = gridtools("lanes", job, "--spacing", "2m", "--sweep-width", "200m", "--bearing", "0")
    assert "sweep width of 200 m is more than the site is wide" in result.err


def test_lanes__planned_after_a_log_was_taken_in(gridtools, tmp_path, job):
    log = tmp_path / "track.csv"
    log.write_text(
        "time,x,y\n2026-05-12T09:00:00Z,500010,5800010\n2026-05-12T09:00:01Z,500010,5800011\n"
    )
    assert "no lanes yet" in gridtools("record", job, log).err
    gridtools("lanes", job, "--spacing", "2m", "--sweep-width", "4m", "--bearing", "0")


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
