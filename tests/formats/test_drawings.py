"""KML, GeoJSON and DXF, and point lists, read back by other programs: GDAL, gpsbabel, csv."""

import csv
import io
import json
import shutil
import subprocess
from xml.etree import ElementTree as ET

import fiona
import numpy as np
import pytest
import shapely
from pyproj import CRS, Transformer
from shapely.geometry import shape

from gridtools.errors import InputError
from gridtools.formats.dxf import write_dxf
from gridtools.formats.geojson import write_geojson
from gridtools.formats.kml import write_kml
from gridtools.formats.point_list import check_order, write_points
from gridtools.layers import Candidates, Control, Covered, Gaps, Lanes, Pegs

UTM33 = CRS.from_epsg(32633)
#: EPSG:2263, New York Long Island in US survey feet; one is 1200/3937 m by definition.
FEET, FOOT_M = CRS.from_epsg(2263), 1200 / 3937
CM = 0.01
EAST, NORTH = 500_000.0, 5_800_000.0
HOSTILE = "<script>alert('x')</script>\n=cmd() \"quoted\" & 北"

SQUARE = shapely.Polygon(
    # clockwise, with a counterclockwise hole: the wrong way round for GeoJSON
    [(0, 0), (0, 10), (10, 10), (10, 0)],
    [[(2, 2), (4, 2), (4, 4), (2, 4)]],
)


def moved(geometry):
    return shapely.transform(geometry, lambda xy: np.add(xy, (EAST, NORTH)))


LANES = Lanes.build(
    geometry=[moved(shapely.LineString([(2.0 * i, 0.123), (2.0 * i, 50.456)])) for i in range(5)],
    lane_id=[f"1-{i + 1:03d}" for i in range(5)],
    pass_no=[1, 1, 1, 2, 2],
    seq=[5, 4, 3, 2, 1],
    start_peg=["1-001s", "", "", "", ""],
)
PEGS = Pegs.build(
    geometry=[moved(shapely.Point(7.0 * i, 8.0 + i)) for i in range(3)],
    peg_id=["P001", HOSTILE, "=P003"],
    role=["baseline", "=cmd()", "lane end"],
)
GAPS = Gaps.build(geometry=[moved(SQUARE)], gap_id=["1-001"], pass_no=[1], area_m2=[96.0])
COVERED = Covered.build(
    geometry=[moved(shapely.MultiPolygon([SQUARE, shapely.box(20, 0, 30, 10)]))], pass_no=[2]
)
ALL = [LANES, PEGS, GAPS, COVERED]


def back(geometry):
    """WGS 84 to the job CRS, by pyproj itself."""
    take = Transformer.from_crs(4326, UTM33, always_xy=True).transform
    return shapely.transform(geometry, lambda xy: np.column_stack(take(xy[:, 0], xy[:, 1])))


def gdal(path, layer=None, **options):
    """Features that GDAL reads, as (properties, geometry)."""
    with fiona.open(path, layer=layer, **options) as source:
        return [(dict(f["properties"]), shape(f["geometry"])) for f in source]


def apart(read, layer):
    """Greatest distance between what was read and what was sent, row by row."""
    assert len(read) == len(layer)
    return max(
        shapely.hausdorff_distance(shapely.force_2d(a), b)
        for a, b in zip(read, layer.geometry, strict=True)
    )


def test_geojson__read_by_gdal_in_place(tmp_path):
    path = tmp_path / "all.geojson"
    path.write_bytes(write_geojson(ALL, UTM33, title=HOSTILE))
    read = gdal(path)
    for layer in ALL:
        mine = [back(g) for p, g in read if p["layer"] == layer.table]
        assert apart(mine, layer) < CM
    assert [p["peg_id"] for p, _ in read if p["layer"] == "pegs"] == PEGS.peg_id.tolist()


def test_geojson__follows_rfc_7946():
    """Right-hand rule (3.1.6), no crs member (4), two-dimensional positions."""
    found = json.loads(write_geojson(ALL, UTM33))
    assert "crs" not in found
    polygon = next(f for f in found["features"] if f["geometry"]["type"] == "Polygon")
    outer, inner = (shapely.LinearRing(ring) for ring in polygon["geometry"]["coordinates"])
    assert outer.is_ccw
    assert not inner.is_ccw
    assert polygon["properties"]["width_m"] is None
    assert {len(p) for p in polygon["geometry"]["coordinates"][0]} == {2}


def test_kml__read_by_gdal_in_place(tmp_path):
    path = tmp_path / "all.kml"
    path.write_bytes(write_kml(ALL, UTM33, title=HOSTILE))
    reader = subprocess.run(
        ["ogrinfo", "-ro", "-q", path], capture_output=True, text=True, check=False
    )
    assert reader.returncode == 0
    root = ET.fromstring(path.read_bytes())
    kml = "{http://www.opengis.net/kml/2.2}"
    folders = root.findall(f"{kml}Document/{kml}Folder")
    assert [len(f.findall(f"{kml}Placemark")) for f in folders] == [5, 3, 1, 1]
    styles = {style.get("id") for style in root.iter(f"{kml}Style")}
    used = {url.text.removeprefix("#") for url in root.iter(f"{kml}styleUrl")}
    assert used <= styles
    assert {"lanes-0", "lanes-1"} <= used


@pytest.mark.skipif(shutil.which("ogr2ogr") is None, reason="GDAL's programs are not installed")
def test_kml__same_places_by_ogr2ogr(tmp_path):
    path = tmp_path / "all.kml"
    path.write_bytes(write_kml(ALL, UTM33))
    for layer in ALL:
        out = tmp_path / f"{layer.table}.geojson"
        subprocess.run(
            ["ogr2ogr", "-lco", "COORDINATE_PRECISION=10", out, path, layer.table],
            check=True, capture_output=True,
        )  # fmt: skip
        assert apart([back(g) for _, g in gdal(out)], layer) < CM


@pytest.mark.skipif(shutil.which("gpsbabel") is None, reason="gpsbabel is not installed")
def test_kml__points_read_by_gpsbabel(tmp_path):
    path, out = tmp_path / "pegs.kml", tmp_path / "pegs.gpx"
    path.write_bytes(write_kml([PEGS], UTM33))
    subprocess.run(
        ["gpsbabel", "-i", "kml", "-f", path, "-o", "gpx", "-F", out],
        check=True, capture_output=True,
    )  # fmt: skip
    read = list(ET.parse(out).getroot().iter("{http://www.topografix.com/GPX/1/0}wpt"))
    places = [back(shapely.Point(float(w.get("lon")), float(w.get("lat")))) for w in read]
    assert apart(places, PEGS) < CM


def test_kml__hostile_words_are_text():
    data = write_kml([PEGS], UTM33, title=HOSTILE)
    assert b"<script" not in data
    names = [e.text for e in ET.fromstring(data).iter("{http://www.opengis.net/kml/2.2}name")]
    assert names[0] == HOSTILE
    assert "<script>alert('x')</script> =cmd() \"quoted\" & 北" in names


@pytest.mark.parametrize(("crs", "metres_per_unit"), [(UTM33, 1.0), (FEET, FOOT_M)])
def test_dxf__read_by_gdal_in_place(tmp_path, crs, metres_per_unit):
    path = tmp_path / "all.dxf"
    path.write_bytes(write_dxf([LANES, PEGS, GAPS], crs, metres_per_unit))
    read = gdal(path)
    on = {}
    for values, geometry in read:
        scaled = shapely.transform(shapely.force_2d(geometry), lambda xy: xy * metres_per_unit)
        on.setdefault(values["Layer"], []).append(scaled)
    assert apart([*on["LANES_PASS_1"], *on["LANES_PASS_2"]], LANES) < CM
    assert apart(on["PEGS"], PEGS) < CM
    assert len(on["GAPS_PASS_1"]) == 2
    outline = shapely.union_all(on["GAPS_PASS_1"])
    assert shapely.hausdorff_distance(outline, GAPS.geometry[0].boundary) < CM
    words = [values["Text"] for values, _ in read if values["Layer"] == "PEGS_TEXT"]
    # CAD programs read the code as the letter; GDAL leaves it as it stands.
    assert words == ["P001", "<script>alert('x')</script> =cmd() \"quoted\" & \\U+5317", "=P003"]


def test_dxf__says_its_crs_and_unit():
    head = write_dxf([PEGS], FEET, FOOT_M)[:200].decode()
    assert "EPSG:2263" in head
    assert "US survey foot" in head


def rows(data):
    return list(csv.reader(io.StringIO(data.decode())))


def test_points__northing_before_easting_with_titles():
    found = rows(write_points(PEGS, UTM33, 1.0).data)
    assert found[0] == [
        "point", "northing", "easting", "height", "description (EPSG:32633 in metre; gridtools)",
    ]  # fmt: skip
    assert found[1] == ["P001", "5800008.000", "500000.000", "", "peg baseline"]


def test_points__formulas_and_line_breaks_become_text():
    found = rows(write_points(PEGS, UTM33, 1.0, titles=False).data)
    assert found[1][0] == "<script>alert('x')</script> =cmd() \"quoted\" & 北"
    assert found[2][0] == "'=P003"
    assert not any(cell.startswith(("=", "+", "@")) for row in found for cell in row)


def test_points__other_orders_and_numbers():
    found = rows(write_points(PEGS, UTM33, 1.0, order="pend", titles=False, number_from=101).data)
    assert [row[0] for row in found] == ["101", "102", "103"]
    assert found[0][1:] == ["500000.000", "5800008.000", "P001 peg baseline"]


@pytest.mark.parametrize("order", ["", "PNE!", "PNNE", "PNZD", "xyz"])
def test_points__bad_order(order):
    with pytest.raises(InputError, match="is no order of columns"):
        check_order(order)


def test_points__lane_ends_in_walking_order():
    found = rows(write_points(LANES, UTM33, 1.0, titles=False).data)
    assert len(found) == 2 * len(LANES)
    assert [row[0] for row in found[:2]] == ["1-005s", "1-005f"]
    assert found[-2][0] == "1-001s"
    assert found[-1] == ["1-001f", "5800050.456", "500000.000", "", "finish of 1-001"]


def test_points__in_feet_with_heights():
    marks = Control.build(
        geometry=[shapely.Point(300_000 * FOOT_M, 60_000 * FOOT_M)], name=["A"], height_m=[FOOT_M]
    )
    found = rows(write_points(marks, FEET, FOOT_M).data)
    assert found[1] == ["A", "60000.000", "300000.000", "1.000", "control"]
    assert "US survey foot" in found[0][-1]


def test_points__nothing_to_send():
    with pytest.raises(InputError, match="there are no candidates to send"):
        write_points(Candidates.empty(), UTM33, 1.0)


@pytest.mark.parametrize("write", [
    lambda: write_kml(ALL, UTM33), lambda: write_geojson(ALL, UTM33),
    lambda: write_dxf(ALL, UTM33, 1.0),
])  # fmt: skip
def test_all__same_bytes_every_time(write):
    assert write() == write()
