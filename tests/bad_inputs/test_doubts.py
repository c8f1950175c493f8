"""Logs and plans that are taken in, but with a word of doubt, or refused since they mislead."""

import pytest

from ..commands import run
from .refusals import refused
from .test_gpx import gpx, point, track


def recorded(job, path, data):
    path.write_bytes(data)
    return run("record", job, path).err


@pytest.mark.parametrize(
    ("year", "when"), [("1970", "before 1990"), ("1989", "before 1990"), ("9000", "in the future")]
)
def test_record__clock_not_set(planned, tmp_path, year, when):
    points = [point(time=f"{year}-05-12T09:00:0{s}Z", lat=f"52.3480{s}") for s in range(3)]
    said = recorded(planned, tmp_path / "walk.gpx", track(*points))
    assert f"walk.gpx: 3 fixes dated {when}" in said
    assert f"({year}-05-12T09:00:00Z to {year}-05-12T09:00:02Z)" in said


def test_record__hits_of_a_clock_not_set(planned, tmp_path):
    data = b"time,lon,lat,strength\n1980-01-06T00:00:10Z,15.0004,52.3481,3\n"
    said = recorded(planned, tmp_path / "hits.csv", data)
    assert "hits.csv: 1 hit dated before 1990" in said


def test_record__a_clock_that_was_set_is_not_doubted(planned, tmp_path):
    said = recorded(planned, tmp_path / "walk.gpx", track(point(time="1990-01-01T00:00:00Z")))
    assert "dated" not in said
    assert "without a zone" not in said


def test_record__gpx_time_without_a_zone(planned, tmp_path):
    waypoint = '<wpt lat="52.348" lon="15.0004"><time>2026-05-12T09:00:00</time></wpt>'
    points = track(point(time="2026-05-12T09:00:00"), point()).decode()
    data = points.replace("<trk>", f"{waypoint}<trk>")
    said = recorded(planned, tmp_path / "walk.gpx", data.encode())
    assert "walk.gpx: 2 times without a zone taken as UTC" in said


@pytest.mark.parametrize("sweep_width", ["200m", "50.1m", "2km"])
def test_lanes__sweep_width_of_no_instrument(job, sweep_width):
    unchanged(job, "lanes", job, "--spacing", "2m", "--sweep-width", sweep_width, words="50.00 m")


@pytest.mark.parametrize("command", ["coverage", "candidates"])
def test_sweep_width_of_no_instrument(planned, command):
    unchanged(planned, command, planned, "--sweep-width", "200m", words="check its unit")


def test_spacing__sweep_width_of_no_instrument(planned):
    words = ["--sweep-width", "200m", "--pod", "80"]
    unchanged(planned, "spacing", "--job", planned, *words, words="check its unit")


def test_lanes__spacing_larger_than_the_site(job):
    """The site is 60 m by 40 m, so 72.11 m from corner to corner."""
    words = ["--sweep-width", "4m", "--spacing"]
    unchanged(job, "lanes", job, *words, "73m", words="72.11 m from corner to corner")
    assert "lane spacing of 37 m is more than" in run("lanes", job, *words, "37m").err


def unchanged(job, *command, words):
    before = job.read_bytes()
    result = run(*command, code=1)
    assert words in result.err
    assert len(result.err.splitlines()) == 1
    assert job.read_bytes() == before


@pytest.mark.parametrize(
    ("place", "words"),
    [("18.4,-33.9", "row 2: the position is in another part of the world"),
     ("15.1,52.348", "no hit lies within 1 km")],
)  # fmt: skip
def test_record__hits_far_from_the_site(planned, tmp_path, place, words):
    data = f"time,lon,lat,strength\n2026-05-12T09:00:00Z,{place},3\n".encode()
    refused(planned, tmp_path / "walk.csv", data, [words])


def test_record__waypoints_far_from_the_site_that_are_called_hits(planned, tmp_path):
    path, before = tmp_path / "walk.gpx", planned.read_bytes()
    waypoint = '<wpt lat="52.348" lon="15.1"><time>2026-05-12T09:00:00Z</time></wpt>'
    path.write_bytes(gpx(waypoint))
    result = run("record", planned, path, "--hits", "all", code=1)
    assert "walk.gpx: no hit lies within 1 km" in result.err
    assert planned.read_bytes() == before


def test_record__all_hits_outside_the_site(planned, tmp_path):
    rows = ["500100,5800020,3", "500160,5800020,3"]
    text = "time,x,y,strength\n" + "".join(f"2026-05-12T09:00:00Z,{row}\n" for row in rows)
    said = recorded(planned, tmp_path / "hits.csv", text.encode())
    assert "hits.csv: 2 hits, none inside the site, the nearest 40.0 m from it" in said


def test_record__one_hit_inside_the_site_is_not_doubted(planned, tmp_path):
    rows = ["500030,5800020,3", "500160,5800020,3"]
    text = "time,x,y,strength\n" + "".join(f"2026-05-12T09:00:00Z,{row}\n" for row in rows)
    assert "none inside" not in recorded(planned, tmp_path / "hits.csv", text.encode())


def test_record__track_beside_the_site(planned, tmp_path):
    text = "time,x,y\n2026-05-12T09:00:00Z,500360,5800020\n"
    said = recorded(planned, tmp_path / "walk.csv", text.encode())
    assert "walk.csv: 1 fix, none inside the site, the nearest 300.0 m from it" in said
