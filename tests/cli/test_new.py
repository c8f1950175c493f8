import json

import fiona
import pytest

from gridtools.job import Job
from gridtools.layers import Control, Exclusion, Interference, SearchArea, Site

from ..commands import feature_collection, polygon


def test_new__rectangle(gridtools, tmp_path, boundary):
    job = tmp_path / "job.gpkg"
    result = gridtools("new", job, "--site", boundary, "--json").json
    assert result["search_area"]["search_m2"] == pytest.approx(2400.0)
    with Job.open(job) as opened:
        assert opened.crs.to_epsg() == 32633
        assert opened.read(Site).name.tolist() == ["Field"]
        assert opened.setting("name").value == "Field"


def test_new__ground_files_are_buffered(gridtools, tmp_path, boundary):
    """Areas by hand: a 10 m fence with 2 m standoff is 40 m2 and a circle of 4 pi m2."""
    shed = (polygon([500010, 5800010], [500020, 5800010], [500020, 5800020], [500010, 5800020]),
            {"reason": "shed"})  # fmt: skip
    fence = ({"type": "LineString", "coordinates": [[500030, 5800020], [500040, 5800020]]},
             {"kind": "fence", "standoff_m": "2m"})  # fmt: skip
    mark = ({"type": "Point", "coordinates": [500001, 5800001]},
            {"name": "K1", "local_e_m": 1.0, "local_n_m": 1.0})  # fmt: skip
    job = tmp_path / "job.gpkg"
    gridtools(
        "new", job, "--site", boundary,
        "--exclusion", feature_collection(tmp_path / "x.geojson", [shed]),
        "--interference", feature_collection(tmp_path / "i.geojson", [fence]),
        "--control", feature_collection(tmp_path / "c.geojson", [mark]),
    )  # fmt: skip
    with Job.open(job) as opened:
        area = opened.read(SearchArea)
        assert area.confidence.tolist() == ["full", "reduced"]
        assert area.area_m2.sum() == pytest.approx(2300.0)
        assert area.area_m2[1] == pytest.approx(40 + 4 * 3.14159, rel=2e-3)
        assert opened.read(Exclusion).reason.tolist() == ["shed"]
        assert opened.read(Interference).standoff_m.tolist() == [2.0]
        assert opened.read(Control).name.tolist() == ["K1"]


def test_new__geographic_goes_to_utm(gridtools, tmp_path):
    square = polygon([15.0, 52.0], [15.001, 52.0], [15.001, 52.001], [15.0, 52.001])
    site = feature_collection(tmp_path / "b.geojson", [(square, {})], epsg=4326)
    result = gridtools("new", tmp_path / "job.gpkg", "--site", site)
    assert "UTM zone 33N" in result.err


def test_new__bow_tie_refused(gridtools, tmp_path):
    """A figure of eight with equal loops has no area as drawn."""
    bow = polygon([500000, 5800000], [500050, 5800050], [500050, 5800000], [500000, 5800050])
    site = feature_collection(tmp_path / "b.geojson", [(bow, {})])
    result = gridtools("new", tmp_path / "job.gpkg", "--site", site, code=1)
    assert "row 1" in result.err
    assert "redraw it" in result.err
    assert not (tmp_path / "job.gpkg").exists()


def test_new__never_overwrites(gridtools, job, boundary):
    before = job.read_bytes()
    assert "exists" in gridtools("new", job, "--site", boundary, code=1).err
    assert job.read_bytes() == before


@pytest.mark.parametrize(
    ("features", "message"),
    [
        ([], "empty"),
        ([({"type": "Point", "coordinates": [500000, 5800000]}, {})], "row 1"),
        ([(polygon([500000, 5800000], [500001, 5800000], [500002, 5800000]), {})], "row 1"),
    ],
    ids=["empty layer", "wrong geometry type", "zero area"],
)
def test_new__unusable_boundary(gridtools, tmp_path, features, message):
    site = feature_collection(tmp_path / "b.geojson", features)
    result = gridtools("new", tmp_path / "job.gpkg", "--site", site, code=1)
    assert message in result.err
    assert "b.geojson" in result.err
    assert not (tmp_path / "job.gpkg").exists()


def test_new__missing_file_and_layer(gridtools, tmp_path, job):
    missing = tmp_path / "nowhere.gpkg"
    assert "nowhere.gpkg" in gridtools("new", tmp_path / "a.gpkg", "--site", missing, code=1).err
    result = gridtools("new", tmp_path / "a.gpkg", "--site", job, "--site-layer", "moat", code=1)
    assert "moat" in result.err


def test_new__no_crs(gridtools, tmp_path):
    path = tmp_path / "b.shp"
    schema = {"geometry": "Polygon", "properties": {}}
    with fiona.open(path, "w", driver="ESRI Shapefile", schema=schema) as out:
        square = polygon([500000, 5800000], [500050, 5800000], [500050, 5800050])
        out.write({"geometry": square, "properties": {}})
    assert "--crs" in gridtools("new", tmp_path / "a.gpkg", "--site", path, code=1).err
    gridtools("new", tmp_path / "a.gpkg", "--site", path, "--crs", "EPSG:32633")


def test_new__bad_crs(gridtools, tmp_path, boundary):
    result = gridtools("new", tmp_path / "a.gpkg", "--site", boundary, "--crs", "EPSG:0", code=1)
    assert "EPSG:0" in result.err


def test_new__bad_buffer_names_row(gridtools, tmp_path, boundary):
    shed = (polygon([500010, 5800010], [500020, 5800010], [500020, 5800020]), {"buffer_m": "wide"})
    path = feature_collection(tmp_path / "x.geojson", [shed])
    result = gridtools("new", tmp_path / "a.gpkg", "--site", boundary, "--exclusion", path, code=1)
    assert "x.geojson, row 1, buffer_m" in result.err


def test_area__takes_up_a_drawn_exclusion(gridtools, tmp_path, job):
    shed = (polygon([500010, 5800010], [500020, 5800010], [500020, 5800020], [500010, 5800020]),
            {"reason": "shed"})  # fmt: skip
    path = feature_collection(tmp_path / "x.geojson", [shed])
    gridtools("area", job, "--exclusion", path, "--buffer", "1m")
    with Job.open(job) as opened:
        # By hand: 10 m square with a 1 m buffer: 100 + 40 + pi m2.
        assert opened.read(SearchArea).area_m2.sum() == pytest.approx(2400 - 143.14, abs=0.01)
        history = json.loads(str(opened.read(_history()).outputs[-1]))
    assert history == ["exclusion", "search_area"]


def _history():
    from gridtools.layers import History

    return History


def test_area__refuses_a_drawn_outline_that_crosses_itself(gridtools, job):
    bow = polygon([500010, 5800010], [500020, 5800020], [500020, 5800010], [500010, 5800020])
    with fiona.open(job, "a", layer="exclusion") as gis:
        gis.write({"geometry": bow, "properties": {"reason": "drawn", "buffer_m": 0.0}})
    for command in ("area", "lanes"):
        words = ["--spacing", "2m", "--sweep-width", "2m"] if command == "lanes" else []
        result = gridtools(command, job, *words, code=1)
        assert "layer exclusion, row 1: self-intersection" in result.err


def test_area__names_lanes_that_now_enter_no_go_ground(gridtools, tmp_path, planned):
    """A hut at 10 m to 11.5 m east, 10 m to 11.5 m north: lanes at 11 m run through it,
    the 6th from the west and the 15th of 20 from the north."""
    hut = polygon(
        [500010, 5800010], [500011.5, 5800010], [500011.5, 5800011.5], [500010, 5800011.5]
    )
    path = feature_collection(tmp_path / "x.geojson", [(hut, {"reason": "hut"})])
    expected = "Lanes enter ground not to be walked: 1-006, 2-015."
    assert expected in gridtools("area", planned, "--exclusion", path).err
    assert expected in gridtools("send", planned, tmp_path / "lanes.gpx").err
