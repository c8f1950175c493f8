"""Sites and exclusions that cannot be used: `new` refuses them and makes no job."""

import json

import pytest

from gridtools.formats.vector import read_vector

from ..commands import feature_collection, run

E, N = 500000, 5800000


def box(x=E, y=N, width=60, height=40):
    return [[x, y], [x + width, y], [x + width, y + height], [x, y + height], [x, y]]


def area(ring, *holes):
    return {"type": "Polygon", "coordinates": [ring, *holes]}


def of(kind, coordinates):
    return {"type": kind, "coordinates": coordinates}


BOW = [[E, N], [E + 60, N + 40], [E + 60, N], [E, N + 40], [E, N]]

#: Name to geometry, EPSG code, and words of the refusal.
GEOMETRIES = {
    "null": (None, 32633, "row 1: has no geometry"),
    "empty": (of("Polygon", []), 32633, "row 1"),
    "point": (of("Point", [E, N]), 32633, "is a Point, not a Polygon"),
    "open line": (of("LineString", box()[:3]), 32633, "is a LineString, not a Polygon"),
    "mixed collection": ({"type": "GeometryCollection", "geometries": [of("Point", [E, N])]},
                         32633, "row 1"),
    "two points": (area([[E, N], [E + 1, N], [E, N]]), 32633, "row 1"),
    "no area": (area([[E, N], [E + 9, N], [E + 20, N], [E, N]]), 32633, "site.geojson"),
    "self-crossing": (area(BOW), 32633, "site.geojson"),
    "hole outside": (area(box(), box(E + 900)), 32633, "site.geojson"),
    "NaN": (area([[E, float("nan")], *box()[1:4], [E, float("nan")]]), 32633, "site.geojson"),
    "infinite": (area([[float("inf"), N], *box()[1:4], [float("inf"), N]]), 32633,
                 "site.geojson"),
    "1e300": (area(box(1e300, 1e300)), 32633, "check which CRS"),
    "metres said to be degrees": (area(box()), 4326, "check which CRS"),
    "degrees said to be metres": (area([[15, 52], [15.001, 52], [15.001, 52.001], [15, 52]]),
                                  32633, "degrees may be stated as metres"),
    "pole": (area([[0, 90], [90, 89.9], [180, 89.9], [0, 90]]), 4326, "no UTM zone"),
    "antimeridian": (area([[-179.99, 1], [179.99, 1], [179.99, 1.01], [-179.99, 1]]), 4326,
                     "too large"),
    "half the globe": (area([[-90, -60], [90, -60], [90, 60], [-90, 60], [-90, -60]]), 4326,
                       "too large"),
    "thousands of km": (area(box(width=3e6, height=3e6)), 32633, "too large"),
    "a hundredth of a metre": (area(box(width=0.009, height=0.009)), 32633, "check its units"),
    "CRS unknown": (area(box()), 999999, "check which CRS"),
    "CRS of heights": (area(box()), 5773, "check which CRS"),
}  # fmt: skip

FILES = {
    "text": ("site.gpkg", b"not a site"),
    "empty file": ("site.geojson", b""),
    "cut GeoJSON": ("site.geojson", json.dumps(area(box())).encode()[:-20]),
    "features that are none": ("site.geojson", b'{"type": "FeatureCollection", "features": 7}'),
    "no features": ("site.geojson", b'{"type": "FeatureCollection", "features": []}'),
    "JSON nested deeply": ("site.geojson", b"[" * 100_000),
    "zip that is none": ("site.zip", b"PK\x03\x04 cut"),
    "shapefile header alone": ("site.shp", b"\x00\x00\x27\x0a" + b"\0" * 20),
    "XML with an entity": ("site.kml", b'<!DOCTYPE k [<!ENTITY a "a">]><kml>&a;</kml>'),
    "database header alone": ("site.gpkg", b"SQLite format 3\0" + b"\0" * 84),
}


@pytest.mark.parametrize("name", GEOMETRIES)
def test_site__geometry(tmp_path, name):
    geometry, epsg, words = GEOMETRIES[name]
    site = feature_collection(tmp_path / "site.geojson", [(geometry, {})], epsg)
    refused(tmp_path, site, words)


@pytest.mark.parametrize("name", FILES)
def test_site__file(tmp_path, name):
    file, data = FILES[name]
    (tmp_path / file).write_bytes(data)
    refused(tmp_path, tmp_path / file, file)


def refused(folder, site, words):
    result = run("new", folder / "job.gpkg", "--site", site, code=1)
    assert len(result.err.splitlines()) == 1
    assert words in result.err
    assert site.name in result.err
    assert not (folder / "job.gpkg").exists()


@pytest.mark.parametrize(
    "name", ["null", "point", "NaN", "metres said to be degrees", "CRS of heights"]
)
def test_exclusion__geometry_leaves_the_job(job, tmp_path, name):
    geometry, epsg, _ = GEOMETRIES[name]
    path = feature_collection(tmp_path / "no-go.geojson", [(geometry, {})], epsg)
    before = job.read_bytes()
    result = run("area", job, "--exclusion", path, code=1)
    assert len(result.err.splitlines()) == 1
    assert job.read_bytes() == before


def test_site__wholly_excluded(tmp_path, boundary):
    wide = feature_collection(tmp_path / "no-go.geojson", [(area(box(E - 9, N - 9, 99, 99)), {})])
    result = run("new", tmp_path / "job.gpkg", "--site", boundary, "--exclusion", wide, code=1)
    assert "boundary.geojson: nothing of the site's 0.240 ha is left" in result.err
    assert "the exclusions take it all up" in result.err
    assert not (tmp_path / "job.gpkg").exists()


@pytest.mark.parametrize(
    "name",
    ['it\'s a "job".gpkg', "zwölf Äcker 土地.gpkg", "a b;c$(d)`e`.gpkg", "x" * 195 + ".gpkg"],
)
def test_path__of_a_job(tmp_path, boundary, name):
    folder = tmp_path / "with space 'and quote'"
    folder.mkdir()
    path = folder / name
    run("new", path, "--site", boundary)
    run("lanes", path, "--spacing", "5m", "--sweep-width", "6m")
    run("status", path)
    assert [p.name for p in folder.iterdir()] == [name]


@pytest.mark.parametrize(
    "layer", ["select", "table", "drop table site", 'a"b', "a'b; --", "union", "sqlite", "группа"]
)
def test_layer__named_like_sql(tmp_path, layer):
    import fiona

    source = tmp_path / "site.gpkg"
    schema = {"geometry": "Polygon", "properties": {"where": "str", "order": "int"}}
    with fiona.open(source, "w", "GPKG", schema, "EPSG:32633", layer=layer) as out:
        out.write({"geometry": area(box()), "properties": {"where": "'; --", "order": 1}})
    before = source.read_bytes()
    vector = read_vector(source, layer)
    assert vector.rows == ({"where": "'; --", "order": 1},)
    assert source.read_bytes() == before
