"""Logs and plans that are taken in, but with a word of doubt, or refused since they mislead."""

import pytest

from ..commands import run
from .test_gpx import point, track


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
