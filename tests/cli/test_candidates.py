import sqlite3

import gpxpy
import pytest
import shapely

from gridtools.job import Job
from gridtools.layers import Candidates, Evidence, Lanes

from ..walks import lanes_of, walk_gpx


@pytest.fixture
def hit(tmp_path, planned, gridtools):
    """Metal at 20 m east, 20 m north: a hit on every lane that passes within 1.5 m of it, and one
    hit elsewhere, once. Lanes are 2 m apart."""
    lanes, crs = lanes_of(planned)
    hits = [("1-020", 33.0)]
    for lane_id, line in zip(lanes.lane_id, lanes.geometry, strict=True):
        x0, y0 = line.coords[0]
        east, north = 500020 - x0, 5800020 - y0
        across, along = (east, north) if lane_id.startswith("1") else (north, east)
        if abs(across) < 1.5:
            hits.append((lane_id, abs(along)))
    assert len(hits) == 5
    log = tmp_path / "walk.gpx"
    log.write_text(walk_gpx(lanes, crs, hits=hits))
    gridtools("record", planned, log)
    return planned


def test_candidates__metal_on_every_heading(gridtools, hit):
    gridtools("candidates", hit)
    with Job.open(hit) as job:
        found, evidence = job.read(Candidates), job.read(Evidence)
    best = found.take(found.rank == 1)
    assert best.verdict.tolist() == ["metal"]
    assert best.hits.tolist() == [4]
    assert best.headings_hit.tolist() == ["N, E, S, W"]
    assert best.geometry[0].distance(shapely.Point(500020, 5800020)) < 0.5
    assert (evidence.candidate_id == best.candidate_id[0]).sum() == best.crossings[0]
    assert not (found.p_metal[found.rank != 1] > 0.5).any()


def test_candidates__notes_are_kept(gridtools, hit):
    gridtools("candidates", hit)
    with sqlite3.connect(hit) as gis:
        triggers = gis.execute(
            "SELECT name, sql FROM sqlite_master WHERE type='trigger' AND tbl_name='candidates'"
        ).fetchall()
        for name, _ in triggers:
            gis.execute(f'DROP TRIGGER "{name}"')
        gis.execute("UPDATE candidates SET note='under the hedge' WHERE candidate_id='C001'")
        for _, sql in triggers:
            gis.execute(sql)
    gis.close()
    gridtools("candidates", hit)
    with Job.open(hit) as job:
        found = job.read(Candidates)
    assert found.note[found.candidate_id == "C001"].tolist() == ["under the hedge"]


def test_candidates__no_hits(gridtools, planned):
    result = gridtools("candidates", planned, "--json").json
    assert result["candidates"] == []


def test_candidates__needs_a_sweep_width(gridtools, job):
    assert "--sweep-width" in gridtools("candidates", job, code=1).err


def test_candidates__sent_as_waypoints(gridtools, tmp_path, hit):
    gridtools("candidates", hit)
    gridtools("send", hit, tmp_path / "c.gpx", "--layer", "candidates")
    names = {w.name for w in gpxpy.parse((tmp_path / "c.gpx").read_text()).waypoints}
    with Job.open(hit) as job:
        assert names == set(job.read(Candidates).candidate_id)
        assert len(job.read(Lanes)) == 50
