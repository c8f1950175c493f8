import math

import pytest

from gridtools.job import Job
from gridtools.layers import Lanes, Pegs


def test_pegs__every_lane_end(gridtools, planned):
    result = gridtools("pegs", planned, "--json").json
    with Job.open(planned) as job:
        pegs, lanes = job.read(Pegs), job.read(Lanes)
    assert set(lanes.start_peg) | set(lanes.finish_peg) <= set(pegs.peg_id)
    first, second = result["diagonals"]
    assert first["length_m"] == pytest.approx(second["length_m"])
    sides = [b["length_m"] for b in result["baselines"]]
    assert first["length_m"] == pytest.approx(math.hypot(sides[0], sides[2]))


def test_pegs__slope(gridtools, planned):
    """Along a slope of 10 degrees the tape reads 1 / cos 10 degrees more."""
    result = gridtools("pegs", planned, "--slope", "10", "--json").json
    line = result["baselines"][0]
    assert line["tape_m"] == pytest.approx(line["length_m"] / math.cos(math.radians(10)))


def test_pegs__needs_lanes(gridtools, job):
    assert "no lanes" in gridtools("pegs", job, code=1).err
