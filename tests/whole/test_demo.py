"""The demo job, made by the command, seen through programs that are not ours."""

import importlib.util
import os
import subprocess
import sys
from pathlib import Path

import fiona
import geopandas
import gpxpy
import numpy as np
import pytest
import shapely

from gridtools.layers import ALL_LAYERS

from ..pdf import text_of

GRIDTOOLS = Path(sys.executable).parent / "gridtools"
OFFSCREEN = {**os.environ, "QT_QPA_PLATFORM": "offscreen"}


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """Folder of the demo, and what it printed."""
    folder = tmp_path_factory.mktemp("demo") / "yard"
    done = subprocess.run([GRIDTOOLS, "demo", folder], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return folder, done.stdout


def test_demo__prints_every_step(demo):
    folder, out = demo
    for command in (
        "new", "lanes", "pegs", "send", "record", "coverage", "candidates", "digs", "outcomes",
        "sheets",
    ):  # fmt: skip
        assert f"\n$ gridtools {command} yard.gpkg" in out
    assert "invented" in out
    assert {p.name for p in folder.iterdir()} >= {"yard.gpkg", "lanes.gpx", "sheets"}


def test_demo__lists_what_to_dig_and_learns_from_what_came_out(demo):
    _, out = demo
    digs = out.split("$ gridtools digs")[1].split("$ gridtools")[0]
    assert all(f"D00{i}" in digs for i in range(1, 6))
    assert "competent person" in digs
    outcomes = out.split("$ gridtools outcomes")[1].split("$ gridtools")[0]
    assert "Taken in: 5 outcomes." in outcomes
    assert "False digs, that found no metal: 0 of 5." in outcomes


def test_demo__never_calls_ground_safe_or_clear(demo):
    folder, out = demo
    pages = [text_of(p.read_bytes()) for p in (folder / "sheets").iterdir()]
    for text in (out, *pages):
        words = set(text.lower().replace(".", " ").replace(",", " ").split())
        assert not words & {"safe", "cleared"}
        assert "is clear" not in text.lower()


@pytest.mark.skipif(
    importlib.util.find_spec("osgeo_utils") is None,
    reason="the GeoPackage validator is absent: pip install --no-deps gdal-utils",
)
def test_demo__is_a_valid_geopackage(demo):
    """The validator of the GDAL project, pure Python on sqlite3."""
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-m", "osgeo_utils.samples.validate_gpkg",
         demo[0] / "yard.gpkg"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


def test_demo__covered_and_gaps_by_geopandas(demo):
    """Buffer, union and difference of the runs in geopandas: areas within 0.1 %, the same gaps."""
    job = demo[0] / "yard.gpkg"
    area = geopandas.read_file(job, layer="search_area").union_all()
    runs = geopandas.read_file(job, layer="runs")
    covered = geopandas.read_file(job, layer="covered")
    gaps = geopandas.read_file(job, layer="gaps")
    figures = geopandas.read_file(job, layer="coverage")
    settings = geopandas.read_file(job, layer="settings")
    width = float(settings.value[settings.key == "sweep_width_m"].iloc[0])
    for number in (1, 2):
        accepted = runs[runs.accepted & (runs.pass_no == number)]
        swept = accepted.buffer(width / 2, quad_segs=8).union_all()
        ours = covered[covered.pass_no == number]
        expected = area.intersection(swept).area
        assert ours.area.sum() == pytest.approx(expected, rel=1e-3)
        assert ours.area_m2.sum() == pytest.approx(expected, rel=1e-3)
        left = np.array(shapely.get_parts(area.difference(swept)))
        left = left[shapely.area(left) >= 0.5]
        mine = gaps[gaps.pass_no == number]
        assert len(mine) == len(left)
        for gap in left:
            match = mine[mine.intersects(gap)]
            assert match.area.sum() == pytest.approx(gap.area, rel=1e-3)
        row = figures[(figures.part == f"pass {number}") & (figures.confidence == "all")]
        assert row.percent.iloc[0] == pytest.approx(100 * expected / area.area, rel=1e-3)


def test_demo__lanes_read_by_gpxpy(demo):
    read = gpxpy.parse((demo[0] / "lanes.gpx").read_text())
    with fiona.open(demo[0] / "yard.gpkg", layer="lanes") as lanes:
        rows = sorted((f["properties"]["seq"], f["properties"]["lane_id"]) for f in lanes)
    assert [route.name for route in read.routes] == [lane_id for _, lane_id in rows]


QGIS = """
import sys
from qgis.core import QgsApplication, QgsVectorLayer
application = QgsApplication([], False)
application.initQgis()
for name in sys.argv[2:]:
    layer = QgsVectorLayer(f"{sys.argv[1]}|layername={name}", name, "ogr")
    print(name, layer.isValid(), layer.crs().authid(), layer.featureCount(),
          sum(1 for f in layer.getFeatures() if f.hasGeometry()))
"""


@pytest.mark.slow
def test_demo__opens_in_a_desktop_gis(demo):
    """PyQGIS offscreen: every layer valid, with the CRS and the counts that fiona sees."""
    look = ["/usr/bin/python3", "-c", "import qgis.core"]
    if subprocess.run(look, env=OFFSCREEN, capture_output=True, check=False).returncode:
        pytest.skip("PyQGIS is not installed for /usr/bin/python3")
    job = demo[0] / "yard.gpkg"
    names = [layer.table for layer in ALL_LAYERS]
    done = subprocess.run(
        ["/usr/bin/python3", "-c", QGIS, job, *names],
        env=OFFSCREEN, capture_output=True, text=True, check=True,
    )  # fmt: skip
    seen = dict(line.split(" ", 1) for line in done.stdout.splitlines() if line.split()[0] in names)
    for layer in ALL_LAYERS:
        with fiona.open(job, layer=layer.table) as collection:
            count = len(collection)
        drawn = count if layer.geometry_type else 0
        crs = "EPSG:32631" if layer.geometry_type else ""
        assert seen[layer.table] == f"True {crs} {count} {drawn}", layer.table
