"""Boundaries and tracks that others made go through the whole job with no special handling."""

import json
from importlib.resources import files

import gpxpy
import pyproj
import pytest
import shapely

from gridtools.job import Job
from gridtools.layers import Runs, SearchArea

from ..commands import ROOT, run
from ..walks import lanes_of, walk_gpx

#: Widest sweep that is taken for one.
SWEEP = 50.0


def search(job, folder, *, spacing):
    """Plan, send, walk every lane but the first, record, measure; returns the coverage.

    Lanes on a large site are far apart, so that the test is quick: about sweep width over spacing
    is covered.
    """
    width = min(SWEEP, spacing)
    run("lanes", job, "--spacing", f"{spacing}m", "--sweep-width", f"{width}m")
    run("send", job, folder / "lanes.gpx")
    lanes, crs = lanes_of(job)
    assert len(gpxpy.parse((folder / "lanes.gpx").read_text()).routes) == len(lanes)
    (folder / "walk.gpx").write_text(walk_gpx(lanes, crs, skip=["1-001"]))
    run("record", job, folder / "walk.gpx")
    return run("coverage", job, "--json").json


def test_real__berlin_district(tmp_path):
    """Prenzlauer Berg from libpysal: EPSG:3857, 10.997 km² in EPSG:32633 (its own geometry,
    projected with pyproj); a boundary in Web Mercator goes to UTM with a notice."""
    site = files("libpysal") / "examples/berlin/prenz_bound.zip"
    job = tmp_path / "job.gpkg"
    made = run("new", job, "--site", site, "--json").json
    assert made["search_area"]["site_m2"] == pytest.approx(10.997e6, rel=1e-3)
    assert any("UTM zone 33N" in notice for notice in made["notices"])
    covered = search(job, tmp_path, spacing=150)
    share = 100 * SWEEP / 150
    assert covered["pass 1"] == pytest.approx(share, rel=0.1)
    assert covered["pass 2"] == pytest.approx(share, rel=0.02)


@pytest.mark.parametrize("name", ["cerknicko-jezero", "korita-zbevnica", "around-visnjan-with-car"])
def test_real__hull_of_a_gpx_track(tmp_path, name):
    """A site round somebody's track (gpxpy's test files); then that track itself is recorded."""
    log = ROOT / "tests/data" / f"{name}.gpx"
    track = gpxpy.parse(log.read_text())
    points = [(p.longitude, p.latitude) for t in track.tracks for s in t.segments for p in s.points]
    utm = pyproj.Transformer.from_crs(4326, 32633, always_xy=True)
    hull = shapely.MultiPoint([utm.transform(*p) for p in points]).convex_hull.buffer(100)
    lonlat = shapely.transform(
        hull, lambda x, y: utm.transform(x, y, direction="INVERSE"), interleaved=False
    )
    site = tmp_path / "site.geojson"
    geometry = shapely.geometry.mapping(lonlat)
    site.write_text(json.dumps({"type": "Feature", "properties": {}, "geometry": geometry}))
    job = tmp_path / "job.gpkg"
    run("new", job, "--site", site)
    with Job.open(job) as opened:
        assert opened.read(SearchArea).area_m2.sum() == pytest.approx(hull.area, rel=2e-3)
    spacing = round(hull.area**0.5 / 20)
    covered = search(job, tmp_path, spacing=spacing)
    assert covered["pass 2"] == pytest.approx(100 * min(1.0, SWEEP / spacing), rel=0.03)
    before = len(_runs(job))
    result = run("record", job, log, code=None)
    if result.code == 0:
        assert len(_runs(job)) >= before
    else:
        assert "no times" in result.err


def _runs(job):
    with Job.open(job) as opened:
        return opened.read(Runs)
