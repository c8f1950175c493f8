import json
import warnings
import zipfile

import fiona
import libpysal.examples
import numpy as np
import pyproj
import pytest
import shapely

from gridtools.errors import FileError, GridtoolsError, InputError
from gridtools.formats.vector import ANY, LINES, POINTS, POLYGONS, read_vector

SQUARE = shapely.box(500_000, 5_600_000, 500_100, 5_600_100)
UTM = "EPSG:32632"
TWO_POINTS = {"type": "Polygon", "coordinates": [[[0, 0], [1, 1]]]}


def write(path, layer, geometries, *, crs=UTM, type_="Unknown", driver="GPKG", rows=None):
    schema = {"geometry": type_, "properties": {"name": "str"}}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        options = {"layer": layer} if driver == "GPKG" else {}
        with fiona.open(path, "w", driver=driver, schema=schema, crs=crs, **options) as out:
            for i, geometry in enumerate(geometries):
                shape = None if geometry is None else shapely.geometry.mapping(geometry)
                row = {"name": (rows or [f"row {i + 1}"] * (i + 1))[i]}
                out.write({"geometry": shape, "properties": row})
    return path


def geojson(path, *geometries):
    features = [{"type": "Feature", "properties": {"name": "a"}, "geometry": g} for g in geometries]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


@pytest.mark.parametrize(
    ("driver", "suffix"),
    [("GPKG", "gpkg"), ("ESRI Shapefile", "shp"), ("GeoJSON", "geojson"), ("FlatGeobuf", "fgb")],
)
def test_read_vector__formats(tmp_path, driver, suffix):
    path = write(tmp_path / f"site.{suffix}", "site", [SQUARE], type_="Polygon", driver=driver)
    vector = read_vector(path, kinds=POLYGONS)
    assert len(vector) == 1
    assert shapely.equals(vector.geometry[0].normalize(), SQUARE.normalize())
    assert vector.rows[0]["name"] == "row 1"
    assert vector.crs == pyproj.CRS(UTM)
    assert vector.name == str(path)


def test_read_vector__kml(tmp_path):
    path = tmp_path / "site.kml"
    path.write_text(
        '<kml xmlns="http://www.opengis.net/kml/2.2"><Placemark><name>yard</name><Polygon>'
        "<outerBoundaryIs><LinearRing><coordinates>7,51,9 7.01,51,9 7.01,51.01,9 7,51,9"
        "</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></kml>"
    )
    vector = read_vector(str(path), kinds=POLYGONS)
    assert vector.crs == pyproj.CRS(4326)
    assert not vector.geometry[0].has_z
    assert vector.rows[0]["Name"] == "yard"


def test_read_vector__real_zipped_shapefile():
    """prenz_bound.zip of libpysal: one polygon in EPSG:3857 (its own .prj and count)."""
    path = libpysal.examples.get_path("prenz_bound.zip") or ""
    vector = read_vector(path, kinds=POLYGONS)
    assert len(vector) == 1
    assert vector.crs.to_epsg() == 3857


def test_read_vector__zip(tmp_path):
    folder = tmp_path / "shape"
    folder.mkdir()
    write(folder / "site.shp", "site", [SQUARE], type_="Polygon", driver="ESRI Shapefile")
    with zipfile.ZipFile(tmp_path / "site.zip", "w") as archive:
        for file in folder.iterdir():
            archive.write(file, file.name)
    assert len(read_vector(tmp_path / "site.zip", kinds=POLYGONS)) == 1


def gpx(path, *tracks):
    body = "".join(
        "<trk><trkseg>" + "".join(f'<trkpt lon="{x}" lat="{y}"/>' for x, y in t) + "</trkseg></trk>"
        for t in tracks
    )
    path.write_text(f'<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">{body}</gpx>')
    return path


def test_read_vector__boundary_walked_with_a_gps_unit(tmp_path):
    """A GPX track is closed to a polygon, and that is said; tracks without points are left out."""
    ring = [(7.0, 51.0), (7.01, 51.0), (7.01, 51.01), (7.0, 51.01)]
    vector = read_vector(gpx(tmp_path / "walk.gpx", ring, []), kinds=POLYGONS)
    assert len(vector) == 1
    assert shapely.equals(vector.geometry[0], shapely.Polygon(ring))
    assert vector.notices == (f"{vector.name}, row 1: line closed to a polygon",)


def test_read_vector__gpx_of_two_points_is_no_boundary(tmp_path):
    path = gpx(tmp_path / "walk.gpx", [(7.0, 51.0), (7.01, 51.0)])
    with pytest.raises(InputError, match="row 1: is a MultiLineString, not a Polygon"):
        read_vector(path, kinds=POLYGONS)


def test_read_vector__closed_line(tmp_path):
    """A closed line is a polygon where polygons are wanted, and a line where lines are."""
    path = write(tmp_path / "a.gpkg", "a", [shapely.LineString(SQUARE.exterior)])
    assert read_vector(path, kinds=POLYGONS).geometry[0].equals(SQUARE)
    assert read_vector(path, kinds=LINES).geometry[0].geom_type == "LineString"
    assert read_vector(path, kinds=ANY).geometry[0].geom_type == "LineString"
    with pytest.raises(InputError, match="row 1: is a LineString, not a Point"):
        read_vector(path, kinds=POINTS)


def test_read_vector__chooses_the_only_polygon_layer(tmp_path):
    path = write(tmp_path / "a.gpkg", "posts", [shapely.Point(1, 2)])
    write(path, "yard", [SQUARE])
    vector = read_vector(path, kinds=POLYGONS)
    assert vector.name == f"{path}, layer yard"
    write(path, "field", [SQUARE])
    with pytest.raises(InputError, match=r"several layers \(yard, field\): name the one"):
        read_vector(path, kinds=POLYGONS)
    assert read_vector(path, "field", kinds=POLYGONS).name == f"{path}, layer field"


def test_read_vector__crs_stated_or_given(tmp_path):
    path = write(tmp_path / "a.gpkg", "a", [SQUARE], crs=None)
    given = read_vector(path, crs=pyproj.CRS(25832))
    assert given.crs == pyproj.CRS(25832)
    path = write(tmp_path / "b.gpkg", "b", [SQUARE])
    assert read_vector(path, crs=pyproj.CRS(25832)).crs == pyproj.CRS(UTM)


def test_read_vector__curves_are_stroked(tmp_path):
    """A CurvePolygon comes back as a polygon: a circle of radius 10, area 314.16, in chords."""
    path = tmp_path / "a.csv"
    path.write_text('WKT,name\n"CURVEPOLYGON(CIRCULARSTRING(0 0,20 0,0 0))",c\n')
    vector = read_vector(path, kinds=POLYGONS, crs=pyproj.CRS(UTM))
    assert vector.geometry[0].area == pytest.approx(np.pi * 100, rel=0.01)


@pytest.mark.parametrize(
    ("make", "error", "message"),
    [
        (lambda d: d / "none.gpkg", FileError, "none.gpkg does not exist"),
        (lambda d: d, FileError, "cannot be read as vector data"),
        (lambda d: _bytes(d / "a.gpkg", b"SQLite format 3\0junk"), FileError, "cannot be read"),
        (lambda d: _bytes(d / "a.gpkg", b""), FileError, "cannot be read as vector data"),
        (lambda d: _bytes(d / "a.zip", b"PK junk"), FileError, "cannot be read as vector data"),
        (lambda d: _bytes(d / "a.gpx", b"<gpx><trk>"), GridtoolsError, "a.gpx"),
        (lambda d: write(d / "a.gpkg", "a", []), InputError, "a.gpkg is empty"),
        (lambda d: write(d / "a.gpkg", "a", [SQUARE], crs=None), InputError, "states no CRS"),
        (
            lambda d: write(d / "a.gpkg", "a", [SQUARE, shapely.Point(1, 2)]),
            InputError,
            "a.gpkg, row 2: is a Point, not a Polygon",
        ),
        (
            lambda d: write(d / "a.gpkg", "a", [SQUARE, None]),
            InputError,
            "row 2: has no geometry; remove the row",
        ),
        (
            lambda d: write(d / "a.gpkg", "a", [shapely.Polygon()]),
            InputError,
            "row 1: its Polygon is empty|row 1: has no geometry",
        ),
        (
            lambda d: geojson(d / "a.geojson", TWO_POINTS),
            InputError,
            "row 1: its Polygon cannot be used",
        ),
        (
            lambda d: _bytes(d / "a.csv", b"WKT,n\n\"POLYGON((nan 0,1 0,1 1,nan 0))\",1\n"),
            GridtoolsError,
            "a.csv",
        ),
    ],
)  # fmt: skip
def test_read_vector__refuses(tmp_path, capfd, make, error, message):
    """One sentence with the file's name; GDAL itself prints nothing."""
    with pytest.raises(error, match=message) as caught:
        read_vector(make(tmp_path), kinds=POLYGONS)
    assert "\n" not in str(caught.value)
    assert capfd.readouterr() == ("", "")


def _bytes(path, data):
    path.write_bytes(data)
    return path


def test_read_vector__missing_layer(tmp_path):
    path = write(tmp_path / "a.gpkg", "yard", [SQUARE])
    with pytest.raises(InputError, match="has no layer 'yrd'; it has yard"):
        read_vector(path, "yrd")
