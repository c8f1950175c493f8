from pathlib import Path

import gpxpy
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.formats.gpx import read_gpx

DATA = Path(__file__).parents[1] / "data"
GPX11 = "http://www.topografix.com/GPX/1/1"
GPX10 = "http://www.topografix.com/GPX/1/0"


def document(body, space=GPX11, prefix=""):
    declaration = f' xmlns{":" if prefix else ""}{prefix}="{space}"' if space else ""
    tag = f"{prefix}:gpx" if prefix else "gpx"
    return f'<?xml version="1.0"?>\n<{tag}{declaration} version="1.1">{body}</{tag}>'.encode()


def track(*points):
    return f"<trk><name>walk</name><trkseg>\n{chr(10).join(points)}\n</trkseg></trk>"


def trkpt(lat="51.2", lon="7.1", time="2026-06-01T09:00:00Z"):
    stamp = f"<time>{time}</time>" if time else ""
    return f'<trkpt lat="{lat}" lon="{lon}">{stamp}</trkpt>'


@pytest.mark.parametrize(
    "name", ["korita-zbevnica.gpx", "cerknicko-jezero.gpx", "around-visnjan-with-car.gpx"]
)
def test_read_gpx__real_files_as_an_independent_reader_has_them(name):
    """gpxpy reads the same points, times, segments, names and waypoints."""
    data = (DATA / name).read_bytes()
    ours = read_gpx(data, name)
    theirs = gpxpy.parse(data.decode())
    points = [
        (p.longitude, p.latitude, p.time, t.name or "", i)
        for i, (t, s) in enumerate((t, s) for t in theirs.tracks for s in t.segments)
        for p in s.points
    ]
    assert len(points) == len(ours.lonlat) > 0
    np.testing.assert_array_equal(ours.lonlat, [p[:2] for p in points])
    assert [t.item() for t in ours.time] == [
        None if p[2] is None else p[2].replace(tzinfo=None) for p in points
    ]
    assert ours.track.tolist() == [p[3] for p in points]
    assert ours.segment.tolist() == [p[4] for p in points]
    assert list(ours.tracks) == [t.name or "" for t in theirs.tracks]
    assert list(ours.routes) == [r.name or "" for r in theirs.routes]
    waypoints = theirs.waypoints
    np.testing.assert_array_equal(
        ours.waypoints.lonlat, np.reshape([(w.longitude, w.latitude) for w in waypoints], (-1, 2))
    )
    for field, column in (
        ("name", "name"),
        ("comment", "cmt"),
        ("description", "desc"),
        ("symbol", "sym"),
    ):
        assert getattr(ours.waypoints, column).tolist() == [
            (getattr(w, field) or "").strip() for w in waypoints
        ]


def test_read_gpx__counts_of_real_files():
    """Counted in the files with grep: 871 and 296 trkpt, 4 and 8 trk, 2 and 7 wpt."""
    korita, cerknicko = (
        read_gpx((DATA / f).read_bytes(), f)
        for f in ("korita-zbevnica.gpx", "cerknicko-jezero.gpx")
    )
    assert (len(korita.lonlat), len(korita.tracks), len(korita.waypoints)) == (871, 4, 2)
    assert (len(cerknicko.lonlat), len(cerknicko.tracks), len(cerknicko.waypoints)) == (296, 8, 7)


@pytest.mark.parametrize(("space", "prefix"), [(GPX11, ""), (GPX10, ""), (GPX11, "g"), ("", "")])
def test_read_gpx__any_prefix_and_version(space, prefix):
    body = (
        '<wpt lat="51.0" lon="7.0"><time>2026-06-01T09:00:01+02:00</time><name>hit</name>'
        "<type>metal</type></wpt>" + track(trkpt(), trkpt(time=""))
    )
    if prefix:
        body = body.replace("</", f"</{prefix}:").replace("<", f"<{prefix}:")
        body = body.replace(f"<{prefix}:/", "</")
    content = read_gpx(document(body, space, prefix), "walk.gpx")
    assert content.waypoints.name.tolist() == ["hit"]
    assert content.waypoints.type.tolist() == ["metal"]
    assert content.waypoints.time.astype(str).tolist() == ["2026-06-01T07:00:01.000"]
    assert content.track.tolist() == ["walk", "walk"]
    assert np.isnat(content.time).tolist() == [False, True]


def test_read_gpx__foreign_elements_are_passed_over():
    """Same names in another namespace, in extensions or in a link are not ours."""
    body = (
        "<metadata><name>n</name><time>2020-01-01T00:00:00Z</time></metadata>"
        '<wpt lat="1" lon="2"><name>a</name><link href="x"><type>web</type></link>'
        "<extensions><wpt><name>no</name></wpt></extensions><type>t</type></wpt>"
        '<trk><name>w</name><trkseg><trkpt lat="1" lon="2"><x:time xmlns:x="urn:x">9</x:time>'
        "<extensions><trkpt lat='9' lon='9'/><time>2020-01-01T00:00:00Z</time></extensions>"
        "<time>2026-06-01T09:00:00Z</time><name>p</name></trkpt></trkseg></trk>"
    )
    content = read_gpx(document(body), "walk.gpx")
    assert content.waypoints.name.tolist() == ["a"]
    assert content.waypoints.type.tolist() == ["t"]
    assert content.lonlat.tolist() == [[2.0, 1.0]]
    assert content.time.astype(str).tolist() == ["2026-06-01T09:00:00.000"]
    assert content.track.tolist() == ["w"]


def test_read_gpx__text_in_pieces():
    """Entities, CDATA and comments inside a text do not break it."""
    body = '<wpt lat="1" lon="2"><name>a &amp; <![CDATA[<b>]]><!-- no --> c</name></wpt>' + track(
        trkpt(time="2026-06-01<!-- x -->T09:00:00Z")
    )
    content = read_gpx(document(body), "walk.gpx")
    assert content.waypoints.name.tolist() == ["a & <b> c"]
    assert content.time.astype(str).tolist() == ["2026-06-01T09:00:00.000"]


def test_read_gpx__segments_and_empty_ones():
    body = (
        "<trk><trkseg/><trkseg>" + trkpt() + trkpt() + "</trkseg></trk><trk><name>b</name></trk>"
        "<trk><name>c</name><trkseg>" + trkpt() + "</trkseg></trk><rte><name>r</name>"
        '<rtept lat="1" lon="1"><name>p</name></rtept></rte>'
    )
    content = read_gpx(document(body), "walk.gpx")
    assert content.track.tolist() == ["", "", "c"]
    assert content.segment.tolist() == [1, 1, 2]
    assert content.tracks == ("", "b", "c")
    assert content.routes == ("r",)


def test_read_gpx__many_points_across_chunks():
    """Larger than one chunk of the streaming reader, with a point on every cut."""
    count = 30_000
    times = np.datetime64("2026-06-01T00:00:00") + np.arange(count)
    points = [trkpt(f"{i / 1000:.3f}", f"{-i / 1000:.3f}", f"{t}Z") for i, t in enumerate(times)]
    content = read_gpx(document(track(*points)), "walk.gpx")
    np.testing.assert_array_equal(content.lonlat[:, 1], np.arange(count) / 1000)
    np.testing.assert_array_equal(content.time, times.astype("datetime64[ms]"))


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "iso-8859-1"])
def test_read_gpx__encodings(encoding):
    text = document('<wpt lat="1" lon="2"><name>Grün</name></wpt>').decode()
    text = text.replace('"1.0"?', f'"1.0" encoding="{encoding.removesuffix("-sig")}"?')
    assert read_gpx(text.encode(encoding), "a.gpx").waypoints.name.tolist() == ["Grün"]


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", r"^walk.gpx is empty$"),
        (b" \n", r"^walk.gpx is empty$"),
        (b"time,lon,lat", "walk.gpx is not GPX: line 1 cannot be read as XML"),
        (b"\x89PNG\r\n\x1a\n\0", "walk.gpx is not GPX"),
        (b"<kml/>", r"line 1: is not GPX 1.0 or 1.1 \(its first element is kml\)"),
        (document("", "urn:other"), "is not GPX 1.0 or 1.1"),
        (document(track(trkpt(), trkpt()))[:150], r"walk.gpx, line 3: the file breaks off here"),
        (document("<trk>")[:-6], "the file breaks off here"),
        (document("<trk></wpt>"), r"line 2: not well-formed XML \(mismatched tag\)"),
        (document(track(trkpt(), trkpt(lat="91"))), r"4: lat '91' is not a number from -90 to 90"),
        (document(track(trkpt(lon="180.5"))), r"3: lon '180.5' is not a number from -180 to"),
        (document(track(trkpt(lat="nan"))), r"line 3: lat 'nan' is not a number"),
        (document(track(trkpt(lat="inf"))), r"line 3: lat 'inf' is not a number"),
        (document(track(trkpt(), trkpt(lon="seven"))), r"line 4: lon 'seven' is not a number"),
        (document(track(trkpt(lon="1_0"))), r"line 3: lon '1_0' is not a number"),
        (document(track("<trkpt lon='1'/>")), r"line 3: the point has no lat"),
        (document(track(trkpt(), trkpt(time="noon"))), r"line 4: 'noon' is not a time"),
        (document('\n<wpt lat="95" lon="1"/>'), r"line 3: lat '95' is not a number"),
        (document('\n<wpt lat="9" lon="1"><time>x</time></wpt>'), r"line 3: 'x' is not a time"),
        (b'<?xml version="1.0" encoding="klingon"?><gpx/>', "walk.gpx is not GPX"),
    ],
)  # fmt: skip
def test_read_gpx__refuses(data, message):
    with pytest.raises(InputError, match=message) as caught:
        read_gpx(data, "walk.gpx")
    assert "\n" not in str(caught.value)


def test_read_gpx__refuses_doctype():
    """A nest of entities would grow to gigabytes: refused before anything is expanded."""
    bomb = (
        '<?xml version="1.0"?>\n<!DOCTYPE gpx [<!ENTITY a "x"><!ENTITY b "&a;&a;">]><gpx>&b;</gpx>'
    )
    with pytest.raises(InputError, match="line 2: has a DOCTYPE"):
        read_gpx(bomb.encode(), "walk.gpx")


def test_read_gpx__line_of_a_late_fault():
    """The line is right even after points have been converted and let go."""
    points = [trkpt() for _ in range(40_000)]
    points[35_000] = trkpt(lat="x")
    with pytest.raises(InputError, match=r"line 35,003: lat 'x'"):
        read_gpx(document(track(*points)), "walk.gpx")


def reads_or_says(data):
    """Read a file; any failure is an InputError that names the file in one sentence."""
    try:
        read_gpx(data, "walk.gpx")
    except InputError as error:
        return "walk.gpx" in str(error) and "\n" not in str(error)
    return True


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=200) | st.text(max_size=100).map(lambda t: document(t)))
def test_read_gpx__any_bytes_give_content_or_one_sentence(data):
    assert reads_or_says(data)


@settings(max_examples=100, deadline=None)
@given(st.integers(1, 87_000), st.integers(0, 255))
def test_read_gpx__damaged_file(cut, byte):
    """A real file cut short or with one byte changed never ends in anything but an InputError."""
    data = (DATA / "korita-zbevnica.gpx").read_bytes()
    for damaged in (data[:cut], data[:cut] + bytes([byte]) + data[cut + 1 :]):
        assert reads_or_says(damaged)
