import shutil
import subprocess

import gpxpy
import pytest

from gridtools.cli.send import LINES, OTHERS, POINTS
from gridtools.layers import ALL_LAYERS

from ..walks import lanes_of


def test_send__routes_in_walking_order(gridtools, tmp_path, planned):
    """Read back with gpxpy, an independent reader."""
    out = tmp_path / "lanes.gpx"
    gridtools("send", planned, out)
    lanes, _ = lanes_of(planned)
    read = gpxpy.parse(out.read_text())
    assert [r.name for r in read.routes] == lanes.lane_id[lanes.seq.argsort()].tolist()
    assert {len(r.points) for r in read.routes} == {2}


def test_send__one_pass_joined(gridtools, tmp_path, planned):
    out = tmp_path / "lanes.gpx"
    gridtools("send", planned, out, "--pass", "2", "--join", "--max-points", "20")
    lanes, _ = lanes_of(planned)
    read = gpxpy.parse(out.read_text())
    assert sum(len(r.points) for r in read.routes) == 2 * int((lanes.pass_no == 2).sum())
    assert max(len(r.points) for r in read.routes) <= 20


def test_send__says_when_gps_cannot_hold_the_lanes(gridtools, tmp_path, planned):
    """Lanes are 2 m apart: a third is 0.67 m."""
    good = gridtools("send", planned, tmp_path / "a.gpx", "--fix-accuracy", "0.6m")
    assert "cannot hold" not in good.err
    bad = gridtools("send", planned, tmp_path / "a.gpx", "--fix-accuracy", "0.7m")
    assert "cannot hold" in bad.err
    assert "--positions lane" in bad.err


def test_send__nothing_to_send(gridtools, tmp_path, planned):
    result = gridtools("send", planned, tmp_path / "a.gpx", "--layer", "digs", code=1)
    assert "no digs" in result.err
    assert not (tmp_path / "a.gpx").exists()


def test_send__unwritable(gridtools, tmp_path, planned):
    (tmp_path / "file").write_text("")
    assert "cannot be written" in gridtools("send", planned, tmp_path / "file/a.gpx", code=1).err


def test_send__never_over_a_job_or_a_log(gridtools, tmp_path, planned):
    before = planned.read_bytes()
    assert ".gpx" in gridtools("send", planned, planned, code=1).err
    assert planned.read_bytes() == before
    log = tmp_path / "walk.gpx"
    log.write_text("<gpx creator='a unit'/>")
    assert "not written by gridtools" in gridtools("send", planned, log, code=1).err
    assert log.read_text() == "<gpx creator='a unit'/>"
    gridtools("send", planned, tmp_path / "lanes.gpx")
    gridtools("send", planned, tmp_path / "lanes.gpx", "--pass", "1")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--layer", "pegs", "--as", "routes"], "--as cannot go with --layer pegs"),
        (["--layer", "digs", "--pass", "1", "--join"], "--pass and --join cannot go"),
        (["--layer", "recheck", "--pass", "1"], "its lanes belong to no pass"),
    ],
)
def test_send__options_that_do_not_fit_the_layer(gridtools, tmp_path, planned, words, message):
    """Refused, not passed over: the user asked for something else than would be written."""
    assert message in gridtools("send", planned, tmp_path / "a.gpx", *words, code=2).err


def counted_by_ogrinfo(path):
    read = subprocess.run(
        ["ogrinfo", "-ro", "-al", "-so", path], capture_output=True, text=True, check=True
    )
    return sum(
        int(line.split()[-1]) for line in read.stdout.splitlines() if "Feature Count" in line
    )


@pytest.mark.skipif(shutil.which("ogrinfo") is None, reason="GDAL's programs are not installed")
@pytest.mark.parametrize("end", ["kml", "geojson"])
def test_send__several_layers_read_by_another_program(gridtools, tmp_path, planned, end):
    gridtools("pegs", planned)
    out = tmp_path / f"plan.{end}"
    result = gridtools(
        "send", planned, out, "--layer", "site", "--layer", "lanes", "--layer", "pegs", "--json"
    )
    counts = result.json["layers"]
    assert counts["site"] == 1
    assert counted_by_ogrinfo(out) == sum(counts.values())
    assert result.json["crs"] == "WGS 84"


def test_send__csv_states_its_crs_and_takes_orders(gridtools, tmp_path, planned):
    gridtools("pegs", planned)
    out = tmp_path / "pegs.csv"
    said = gridtools("send", planned, out, "--layer", "pegs", "--order", "PENZD").out
    assert "EPSG:32633) in metre" in said
    title, first, *_ = out.read_text().splitlines()
    assert title.startswith("point,easting,northing,height,description (EPSG:32633")
    assert 499_900 < float(first.split(",")[1]) < 500_100
    gridtools("send", planned, out, "--layer", "pegs", "--no-titles")
    again = gridtools("send", planned, out, "--layer", "pegs", code=1).err
    assert "was not written by gridtools" in again


def test_send__dxf_of_the_plan(gridtools, tmp_path, planned):
    out = tmp_path / "plan.dxf"
    assert "EPSG:32633" in gridtools("send", planned, out, "--layer", "lanes", "--pass", "1").out
    assert b"LANES_PASS_1" in out.read_bytes()
    assert b"LANES_PASS_2" not in out.read_bytes()


@pytest.mark.parametrize(
    ("out", "options", "problem"),
    [
        ("a.kml", ["--join"], "--join cannot go with .kml"),
        ("a.gpx", ["--order", "PNEZD"], "--order cannot go with .gpx"),
        ("a.csv", ["--layer", "pegs", "--layer", "digs"], ".csv takes one --layer"),
        ("a.gpx", ["--layer", "gaps"], "--layer gaps cannot go with .gpx"),
    ],
)
def test_send__options_that_do_not_fit(gridtools, tmp_path, planned, out, options, problem):
    assert problem in gridtools("send", planned, tmp_path / out, *options, code=2).err


def test_send__layers_on_offer_are_those_with_geometry():
    offered = [*LINES, *POINTS, *OTHERS]
    spatial = {layer.table for layer in ALL_LAYERS if layer.geometry_type}
    # Fixes and approaches are what was logged: they are in the archive, not for sending out.
    assert set(offered) == spatial - {"fixes", "approaches"}
    assert len(offered) == len(set(offered))
