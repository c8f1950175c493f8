from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.errors import GridtoolsError, InputError
from gridtools.formats.logs import read_logs
from gridtools.formats.send import send_lanes, send_points
from gridtools.formats.waypoints import Sent, parse_hit_filter
from gridtools.geodesy import WGS84, metric_twin, transform_xy
from gridtools.layers import Lanes
from gridtools.plan.pegs import lane_pegs

DATA = Path(__file__).parents[1] / "data"
CRS = pyproj.CRS(32632)
ORIGIN = np.array([400_000.0, 5_700_000.0])


def at(east, north):
    return ORIGIN + np.array([east, north], dtype=float)


LINES = [shapely.LineString([at(2 * i, 0), at(2 * i, 50)]) for i in range(4)]
LANES = Lanes.build(
    geometry=LINES,
    lane_id=["1-001", "1-002", "1-003a", "1-003b"],
    pass_no=1,
    seq=[1, 2, 3, 4],
    length_m=50.0,
    bearing_deg=0.0,
)
SITE = shapely.box(*ORIGIN, *(ORIGIN + 50.0))
START = np.datetime64("2026-06-01T09:00:00", "ms")
SECOND = np.timedelta64(1000, "ms")


def lonlat(xy):
    return transform_xy(np.asarray(xy, dtype=float), CRS, WGS84)


def gpx(points=(), waypoints=()):
    """GPX of ((east, north) from the origin, seconds or None) points and waypoints."""

    def element(tag, east, north, seconds, texts=""):
        ((lon, lat),) = lonlat([at(east, north)])
        stamp = "" if seconds is None else f"<time>{START + seconds * SECOND}Z</time>"
        return f'<{tag} lat="{lat:.9f}" lon="{lon:.9f}">{stamp}{texts}</{tag}>'

    marks = "".join(element("wpt", *w[:3], "".join(w[3:])) for w in waypoints)
    track = "".join(element("trkpt", *p) for p in points)
    tracks = f"<trk><name>walk</name><trkseg>{track}</trkseg></trk>" if points else ""
    return f'<gpx xmlns="http://www.topografix.com/GPX/1/1">{marks}{tracks}</gpx>'.encode()


WALK = [(0.0, float(i), i) for i in range(51)]


def only(data, name, **options):
    """What one file by itself gives."""
    return read_logs([(name, data)], **options)[0]


def read(data, name="walk.gpx", **options):
    return only(data, name, **{"crs": CRS, "lanes": LANES, "site": SITE, **options})


def named(text):
    return f"<name>{text}</name>"


def test_read_log__gpx_fixes():
    log = read(gpx(WALK))
    np.testing.assert_allclose(log.fix_xy, ORIGIN + [(0, i) for i in range(51)], atol=1e-4)
    np.testing.assert_array_equal(log.fix_time, START + np.arange(51) * SECOND)
    assert set(log.fix_track) == {"walk"}
    assert not log.fix_segment.any()
    assert log.notices == ()


def test_read_log__which_waypoints_are_hits():
    data = gpx(
        WALK,
        [
            (0, 10, 10, named("001")),
            (0, 20, None, named("002")),
            (500, 10, 12, named("003")),
            (0, 30, 5000, named("004")),
            (-4, 30, 30, named("005")),
            (0, 30, 80, named("006")),
        ],
    )
    log = read(data)
    assert log.hit_note.tolist() == ["001", "005", "006"]
    np.testing.assert_allclose(log.hit_xy[0], at(0, 10), atol=1e-4)
    assert log.hit_time[0] == START + 10 * SECOND
    assert log.notices == (
        "walk.gpx: 1 waypoint not taken, no time: 002",
        "walk.gpx: 1 waypoint not taken, not during a walk: 004",
        "walk.gpx: 1 waypoint not taken, outside the site: 003",
    )


@pytest.mark.parametrize(
    ("hits", "expected"),
    [
        ("auto", ["hit 1", "hit 2"]),
        ("all", ["hit 1", "car", "hit 2"]),
        ("none", []),
        ("name=HIT*", ["hit 1", "hit 2"]),
        ("name=c?r", ["car"]),
        ("type=metal", ["hit 1; x"]),
        ("sym=Flag*", ["hit 2"]),
    ],
)
def test_read_log__hits_as_asked(hits, expected):
    texts = [named("hit 1"), named("car"), named("hit 2") + "<sym>Flag, Blue</sym>"]
    if hits == "type=metal":
        texts[0] += "<desc>x</desc><type>Metal</type>"
    data = gpx(WALK, [(0, 10, 10, texts[0]), (900, 10, None, texts[1]), (0, 12, 12, texts[2])])
    log = read(data, hits=parse_hit_filter(hits))
    assert log.hit_note.tolist() == expected
    taken = sum(line.count(n) for line in log.notices for n in ("hit 1", "car", "hit 2"))
    assert taken == 3 - len(expected)


def test_read_log__standing_walker_with_a_unit_that_records_movement_only():
    """Nine minutes between two fixes is a stand; eleven are not."""
    for gap, count in ((540, 1), (660, 0)):
        data = gpx([(0, 0, 0), (0, 1, gap)], [(0, 0, 200, named("001"))])
        assert len(read(data).hit_note) == count


def test_read_log__hit_texts():
    texts = named("Start 3") + "<cmt>strength 40</cmt><desc>by gate</desc>"
    log = read(gpx(WALK, [(0, 10, 10, texts), (0, 12, 12, named("end of fence"))]))
    assert log.hit_part.tolist() == ["start", ""]
    assert log.hit_strength[0] == 40.0
    assert np.isnan(log.hit_strength[1])
    assert log.hit_note.tolist() == ["Start 3; strength 40; by gate", "end of fence"]


def test_read_log__lane_marks():
    """A waypoint named as a lane states the lane; a split lane says nothing without its leg."""
    names = ["1-002", "Lane 1-3B", "1-003", "1-099"]
    data = gpx(WALK, [(0, i, i, named(n)) for i, n in enumerate(names)])
    log = read(data)
    assert log.mark_lane.tolist() == ["1-002", "1-003b"]
    np.testing.assert_array_equal(log.mark_time, START + np.arange(2) * SECOND)
    assert log.hit_note.tolist() == ["1-003", "1-099"]


def sent_ends():
    starts, finishes = lane_pegs(LANES.lane_id)
    ends = [shapely.get_point(LANES.geometry, i) for i in (0, -1)]
    return Sent(
        name=np.concatenate([starts, finishes]),
        xy=shapely.get_coordinates(np.concatenate(ends)),
    )


@pytest.mark.parametrize("limit", [None, 6, 5])
@pytest.mark.parametrize("keeps_type", [True, False])
def test_read_log__what_was_sent_comes_back(limit, keeps_type):
    """Lane ends come back with times, and without the texts that the unit dropped: no hits."""
    data = send_lanes(LANES, crs=CRS, as_="waypoints", max_name=limit).data
    body = data.decode().replace("<name>", f"<time>{START}Z</time><name>")
    if not keeps_type:
        body = body.replace("<type>gridtools lane end</type>", "")
    walk = gpx(WALK).decode()
    walk = walk[walk.index("<trk>") :]
    log = read(body.replace("</gpx>", walk).encode(), sent=sent_ends())
    assert not len(log.hit_note)
    assert log.notices[0].startswith("walk.gpx: 8 waypoints sent to the unit came back: ")


def test_read_log__own_name_elsewhere_is_a_hit():
    """Named like a peg but more than 1 m from it: something that the walker marked."""
    data = gpx(WALK, [(0, 0.9, 1, named("1-001s")), (0, 1.2, 1, named("1-001s"))])
    log = read(data, sent=sent_ends())
    np.testing.assert_allclose(log.hit_xy, [at(0, 1.2)], atol=1e-4)


def test_read_log__near_a_peg_is_not_yet_the_peg():
    data = gpx(WALK, [(0, 0.1, 1, named("001"))])
    assert read(data, sent=sent_ends()).hit_note.tolist() == ["001"]


def test_read_logs__waypoints_in_a_file_of_their_own():
    """Times of fixes in another file of the same call, or in the job, tell that a walk went on."""
    files = [("track.gpx", gpx(WALK)), ("points.gpx", gpx([], [(0, 10, 10, named("001"))]))]
    logs = read_logs(files, crs=CRS, lanes=LANES, site=SITE)
    assert [len(log.hit_note) for log in logs] == [0, 1]
    alone = read(files[1][1])
    assert alone.notices == ("walk.gpx: 1 waypoint not taken, not during a walk: 001",)
    held = read(files[1][1], walk_times=logs[0].fix_time)
    assert held.hit_note.tolist() == ["001"]


def test_read_log__tracks_without_times():
    with pytest.raises(InputError, match=r"^walk.gpx: its tracks have no times; export the track"):
        read(gpx([(0, 0, None), (0, 1, None)]))
    log = read(gpx([(0, 0, None), *WALK]))
    assert len(log.fix_time) == 51
    assert log.notices == ("walk.gpx: 1 track point without times left out (walk)",)


def test_read_log__planned_tracks_that_came_back():
    data = send_lanes(LANES, crs=CRS, as_="tracks").data
    log = read(data)
    assert not len(log.fix_time)
    assert "8 track points without times left out (1-001, 1-002, 1-003a, 1-003b)" in log.notices[0]


@pytest.mark.parametrize("data", [b"<gpx/>", send_lanes(LANES, crs=CRS).data])
def test_read_log__nothing_to_record(data):
    with pytest.raises(InputError, match="holds no track points and no waypoints"):
        read(data)


def test_read_log__another_place():
    with pytest.raises(InputError, match="no fix lies within 1 km of the site"):
        read((DATA / "korita-zbevnica.gpx").read_bytes())


FAR = '<{0} lon="99" lat="0"><time>2026-06-01T09:00:03Z</time><name>home</name></{0}>'


def test_read_log__points_in_another_part_of_the_world():
    """Where the projection is not even defined, as transverse Mercator at 90 degrees east."""
    data = gpx(WALK).replace(b"<trk>", FAR.format("wpt").encode() + b"<trk>")
    data = data.replace(b"</trkseg>", FAR.format("trkpt").encode() + b"</trkseg>")
    for hits in ("auto", "all", "name=home"):
        log = read(data, hits=parse_hit_filter(hits), sent=sent_ends())
        assert len(log.fix_xy) == 51
        assert not len(log.hit_xy)
        assert log.notices == (
            "walk.gpx: 1 track point in another part of the world left out",
            "walk.gpx: 1 waypoint not taken, in another part of the world: home",
        )


def test_read_log__csv_in_another_part_of_the_world():
    ((lon, lat),) = lonlat([ORIGIN])
    log = csv(f"time,lon,lat\n{START}Z,0,0\n{START}Z,{lon},{lat}\n{START}Z,-170,0\n")
    assert len(log.fix_xy) == 1
    assert log.notices == ("walk.csv: 2 rows in another part of the world left out",)
    with pytest.raises(InputError, match="row 2: the position is in another part of the world"):
        csv(f"time,lon,lat,note\n{START}Z,-170,0,\n")
    with pytest.raises(InputError, match="no fix lies within 1 km"):
        csv(f"time,lon,lat\n{START}Z,-170,0\n")


def test_read_log__real_walk():
    """Timed points are fixes, the 358 points of a track without times and the waypoints are not.

    Counted in the file with grep: 871 trkpt, 514 time elements, one of them the file's own.
    """
    data = (DATA / "korita-zbevnica.gpx").read_bytes()
    crs = pyproj.CRS(32633)
    log = only(data, "korita.gpx", crs=crs, lanes=LANES)
    assert len(log.fix_xy) == data.count(b"<time>") - 1 == 513
    assert log.notices == (
        "korita.gpx: 358 track points without times left out (03-OCT-10 #2)",
        "korita.gpx: 2 waypoints not taken, no time: 001, 002",
    )
    speed = np.hypot(*np.diff(log.fix_xy, axis=0).T) / np.diff(log.fix_time).astype(float) * 1000
    assert 0.3 < np.median(speed[np.isfinite(speed)]) < 2.0


# --- CSV ------------------------------------------------------------------------------------


def csv(text, **options):
    return read(text.encode(), "walk.csv", **options)


def test_read_log__csv_lonlat_and_xy_agree():
    ((lon, lat),) = lonlat([at(3, 4)])
    a = csv(f"time,lon,lat\n{START}Z,{lon:.10f},{lat:.10f}\n")
    b = csv(f"time,x,y\n{START}Z,{ORIGIN[0] + 3},{ORIGIN[1] + 4}\n")
    np.testing.assert_allclose(a.fix_xy, b.fix_xy, atol=1e-4)
    assert b.fix_xy.tolist() == [at(3, 4).tolist()]


def test_read_log__csv_in_feet():
    """x and y in a job CRS in US survey feet (EPSG:2263); NIST SP 811: 1 ftUS = 1200/3937 m."""
    log = only(
        f"time,x,y\n{START}Z,3937,7874\n".encode(),
        "walk.csv",
        crs=pyproj.CRS(2263),
        lanes=LANES,
    )
    np.testing.assert_allclose(log.fix_xy, [[1200.0, 2400.0]], rtol=1e-12)


def test_read_log__csv_fixes_without_position():
    log = csv(f"time,x,y\n{START}Z,,\n{START}Z,{ORIGIN[0]},{ORIGIN[1]}\n")
    assert len(log.fix_xy) == 1
    assert log.notices == ("walk.csv: 1 row without a position left out",)


def test_read_log__csv_hits():
    rows = f"{START}Z,,,40,peak,gate\n{START}Z,{ORIGIN[0]},{ORIGIN[1]},,,\n"
    log = csv("time,x,y,strength,part,note\n" + rows)
    assert np.isnan(log.hit_xy[0]).all()
    assert log.hit_xy[1].tolist() == ORIGIN.tolist()
    assert log.hit_part.tolist() == ["peak", ""]
    assert log.hit_strength[0] == 40.0
    assert not len(log.fix_xy)
    none = csv("time,x,y,strength,part,note\n" + rows, hits=parse_hit_filter("none"))
    assert not len(none.hit_xy)
    assert none.notices == ("walk.csv: 2 hits not taken, as asked",)
    every = csv(f"time,x,y\n{START}Z,{ORIGIN[0]},{ORIGIN[1]}\n", hits=parse_hit_filter("all"))
    assert (len(every.fix_xy), len(every.hit_xy)) == (0, 1)


def test_read_log__csv_hits_by_lane():
    log = csv("lane,chainage_m,direction,hdop\n1-1,12.5,backward,\n1-003b,50.5,,\n")
    assert log.hit_lane.tolist() == ["1-001", "1-003b"]
    assert log.hit_chainage_m.tolist() == [12.5, 50.0]
    assert log.hit_direction.tolist() == ["backward", ""]
    assert log.notices == ("walk.csv: columns not read: hdop",)


def test_read_log__csv_tape():
    log = csv(
        "lane,from_m,to_m,direction,time\n1-1,,,,\n1-2,10,20,backward,2026-06-01 11:00:00\n"
        "1-2,30,10,,\n1-003a,30,10,backward,\n",
        tz=ZoneInfo("Europe/Berlin"),
    )
    assert log.tape_lane.tolist() == ["1-001", "1-002", "1-002", "1-003a"]
    assert log.tape_from_m.tolist() == [0.0, 20.0, 30.0, 30.0]
    assert log.tape_to_m.tolist() == [50.0, 10.0, 10.0, 10.0]
    assert log.tape_time[1] == START


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("lane,chainage_m\n1-1,3\n1-009,3\n", "walk.csv: row 3: there is no lane 1-009"),
        ("lane,chainage_m\n1-003,3\n", "row 2: lane 1-003 is split into 1-003a, 1-003b"),
        ("lane,chainage_m\n1-1,345\n", "row 2: chainage 345.0 m is not on lane 1-001"),
        ("lane,from_m,to_m\n1-1,-3,4\n", "row 2: chainage -3.0 m is not on lane 1-001"),
        ("lane,from_m,to_m\n1-1,3,3\n", "row 2: the stretch of lane 1-1 has no length"),
        ("lane,from_m,to_m,direction\n1-1,9,3,forward\n", "row 2: from_m is beyond to_m, but the"),
        (f"time,x,y\n{START}Z,7,51\n", "no fix lies within 1 km of the site"),
    ],
)
def test_read_log__csv_refuses(text, message):
    with pytest.raises(InputError, match=message):
        csv(text)


# --- telling formats apart ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "name", "found"),
    [
        (gpx(WALK), "log", "fix_xy"),
        (b"\xef\xbb\xbf \n" + gpx(WALK), "log.txt", "fix_xy"),
        (f"time,x,y\n{START}Z,{ORIGIN[0]},{ORIGIN[1]}\n".encode(), "log.txt", "fix_xy"),
        (b"lane,from_m,to_m\n1-1,0,9\n", "log", "tape_lane"),
        (b"1-001 to 1-002", "notes.md", "tape_lane"),
        (b"\xef\xbb\xbf1-001 to 1-002", "notes.txt", "tape_lane"),
    ],
)
def test_read_log__told_by_content(data, name, found):
    assert len(getattr(read(data, name), found))


@pytest.mark.parametrize(
    ("data", "name", "message"),
    [
        (b"", "a.gpx", "a.gpx is empty"),
        (b"\n", "a.csv", "a.csv is empty"),
        (b"1-001", "a.gpx", "a.gpx is not GPX"),
        (b"1-001 to 1-002", "a.csv", "a.csv: its header .* is none of"),
        (b"<kml/>", "a.txt", "a.txt is not a log: expected GPX, CSV"),
        (b"<gpx-like/>", "a.txt", "is not GPX 1.0 or 1.1"),
        (b"lane\n1-001 H\xfcgel", "a.csv", "line 2: is not UTF-8 text"),
        (b"some prose", "a.txt", "a.txt, line 1: cannot read 'some prose'"),
    ],
)
def test_read_log__refuses(data, name, message):
    with pytest.raises(InputError, match=message):
        read(data, name)


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=80), st.sampled_from(["a.gpx", "a.csv", "a.txt", "a"]))
def test_read_log__any_bytes(data, name):
    try:
        read(data, name)
    except GridtoolsError as error:
        message = str(error)
    else:
        message = name
    assert name in message


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-50, 100), st.floats(-50, 100), st.integers(0, 100_000)),
        min_size=1,
        max_size=20,
    )
)
def test_read_log__round_trip(points):
    """A walk written as GPX comes back within a tenth of a millimetre, time for time."""
    log = read(gpx(points), site=None)
    np.testing.assert_allclose(log.fix_xy, ORIGIN + [p[:2] for p in points], atol=2e-4)
    np.testing.assert_array_equal(log.fix_time, START + np.array([p[2] for p in points]) * SECOND)


def test_read_log__metric_twin_is_the_frame_of_results():
    """For a job in feet, positions come out in the metric twin."""
    crs = pyproj.CRS(2263)
    data = send_points(
        ["C001"], np.array([[300_000.0, 60_000.0]]), crs=metric_twin(crs), kind="candidates"
    ).data.replace(b"<type>gridtools candidates</type>", b"")
    log = only(data, "a.gpx", crs=crs, lanes=LANES, hits=parse_hit_filter("all"))
    np.testing.assert_allclose(log.hit_xy, [[300_000.0, 60_000.0]], atol=2e-3)
