"""GPX logs that cannot be used, built in code."""

import os
import time

import pytest

from gridtools.errors import InputError
from gridtools.formats.gpx import read_gpx

from ..commands import run
from .refusals import refused

SPACE = 'xmlns="http://www.topografix.com/GPX/1/1"'


def gpx(body, root=SPACE, before=""):
    return f"{before}<gpx {root}>{body}</gpx>".encode()


def track(*points):
    return gpx("<trk><trkseg>" + "".join(points) + "</trkseg></trk>")


def point(lat="52.348", lon="15.0004", time="2026-05-12T09:00:00Z"):
    return f'<trkpt lat="{lat}" lon="{lon}"><time>{time}</time></trkpt>'


LAUGHS = (
    '<!DOCTYPE gpx [<!ENTITY a0 "ha">'
    + "".join(f'<!ENTITY a{i} "{f"&a{i - 1};" * 10}">' for i in range(1, 10))
    + "]>"
)
EXTERNAL = '<!DOCTYPE gpx [<!ENTITY x SYSTEM "file:///etc/hostname">]>'
GOOD = point(time="2026-05-12T09:00:01Z")

#: Name to the file's bytes and words of the refusal.
CASES = {
    "billion laughs": (gpx("&a9;", before=LAUGHS), ["DOCTYPE", "remove it"]),
    "quadratic entity": (
        gpx("&a;" * 999, before=f'<!DOCTYPE gpx [<!ENTITY a "{"x" * 9999}">]>'), ["DOCTYPE"]),
    "external entity": (gpx("&x;", before=EXTERNAL), ["DOCTYPE"]),
    "parameter entity": (
        gpx("", before='<!DOCTYPE gpx [<!ENTITY % p SYSTEM "http://127.0.0.1:9/x"> %p;]>'),
        ["DOCTYPE"]),
    "external DTD": (gpx("", before='<!DOCTYPE gpx SYSTEM "file:///etc/hostname">'), ["DOCTYPE"]),
    "entity without DOCTYPE": (track(point(lat="&x;")), ["not well-formed"]),
    "root of another kind": (b"<?xml version='1.0'?><kml><trkpt/></kml>", ["walk.gpx"]),
    "namespace of no GPX": (gpx("", root='xmlns="urn:other"'), ["not GPX"]),
    "prefix not declared": (b"<g:gpx><g:trk/></g:gpx>", ["not GPX"]),
    "version 2.0 namespace": (
        gpx("", root='xmlns="http://www.topografix.com/GPX/2/0"'), ["not GPX"]),
    "two roots": (track(point()) + track(point()), ["walk.gpx"]),
    "text after the root": (track(point()) + b"tail", ["not well-formed"]),
    "cut in a tag": (track(point(), GOOD)[:-60], ["breaks off"]),
    "cut in an attribute": (track(point(), GOOD)[:90], ["breaks off"]),
    "tags crossed": (gpx("<trk><trkseg></trk></trkseg>"), ["not well-formed"]),
    "attribute twice": (gpx('<wpt lat="1" lat="2" lon="3"/>'), ["not well-formed"]),
    "bytes that are not UTF-8": (track(point()).replace(b"<trk>", b"<trk><name>\xff</name>"),
                                 ["not well-formed"]),
    "unknown encoding": (b"<?xml version='1.0' encoding='klingon'?>" + track(point()),
                         ["walk.gpx"]),
    "UTF-16 stated, UTF-8 written": (b"<?xml version='1.0' encoding='UTF-16'?>" + track(point()),
                                     ["walk.gpx"]),
    "NUL byte": (track(point()).replace(b"<trkseg>", b"<trkseg>\0"), ["walk.gpx"]),
    "empty": (b"", ["empty"]),
    "white space": (b" \n\t ", ["empty"]),
    "no points": (gpx(""), ["walk.gpx"]),
    "route only": (gpx('<rte><rtept lat="52.348" lon="15"/></rte>'), ["walk.gpx"]),
    "HTML sign-in page": (b"<!DOCTYPE html><html>Sign in</html>", ["is not a log"]),
    "JPEG": (b"\xff\xd8\xff\xe0\x00\x10JFIF\x01\x02", ["walk.gpx"]),
    "zip archive": (b"PK\x03\x04\x14\x00\x00\x00", ["walk.gpx"]),
    "PDF": (b"%PDF-1.7", ["is not a log"]),
    "JSON": (b'{"lat": 1}', ["is not a log"]),
    **{
        f"lat {text or 'empty'}": (track(point(lat=text)), ["line 1", "lat"])
        for text in ("", "NaN", "inf", "-inf", "90.0001", "1e400", "52,348", "52_3", "N52.3",
                     "52°20'", "0x34")
    },
    **{
        f"lon {text or 'empty'}": (track(point(lon=text)), ["line 1", "lon"])
        for text in ("", "nan", "180.5", "-181", "15,0004", "1_5", "E15", "999999")
    },
    "no lat": (gpx('<trk><trkseg><trkpt lon="1"/></trkseg></trk>'), ["no lat"]),
    "waypoint out of range": (gpx('<wpt lat="91" lon="1"/>'), ["lat '91'"]),
    "waypoint not a number": (gpx('<wpt lat="NaN" lon="1"/>'), ["lat 'NaN'"]),
    "waypoint with a bad time": (
        gpx('<wpt lat="1" lon="1"><time>noon</time></wpt>'), ["'noon' is not a time"]),
    **{
        f"time {text}": (track(point(time=text)), ["is not a time"])
        for text in ("yesterday", "2026-13-01T00:00:00Z", "2026-02-30T00:00:00Z",
                     "2026-05-12T25:00:00Z", "2026-05-12T09:61:00Z", "12/05/2026 09:00",
                     "1747040400", "2026-05-12T09:00:00+99:00", "0000-01-01T00:00:00Z",
                     "2026-05-12T09:00:00.Z")
    },
    "no times": (track(point(time="")), ["no times"]),
    "all at 0,0": (track(point("0", "0"), GOOD.replace("52.348", "0").replace("15.0004", "0")),
                   ["walk.gpx"]),
    "another continent": (track(point("-33.9", "18.4"), point("-33.9", "18.4",
                          "2026-05-12T09:00:01Z")), ["walk.gpx"]),
    "lat of a thousand digits": (track(point(lat="9" * 1000)), ["lat"]),
    "time of a thousand letters": (track(point(time="x" * 1000)), ["is not a time"]),
    "lat and lon changed over": (track(point("15.0004", "52.348"), point("15.0004", "52.348",
                                 "2026-05-12T09:00:01Z")), ["walk.gpx"]),
    "pole": (track(point("90", "0"), point("90", "0", "2026-05-12T09:00:01Z")), ["walk.gpx"]),
    "antimeridian": (track(point("0", "180"), point("0", "-180", "2026-05-12T09:00:01Z")),
                     ["walk.gpx"]),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_record__refuses(planned, tmp_path, name):
    refused(planned, tmp_path / "walk.gpx", *CASES[name])


@pytest.mark.parametrize("name", ["billion laughs", "quadratic entity", "external entity"])
def test_entities__are_refused_in_under_a_second_of_cpu(name):
    before = time.process_time()
    with pytest.raises(InputError, match="DOCTYPE"):
        read_gpx(CASES[name][0], "walk.gpx")
    assert time.process_time() - before < 1.0


@pytest.mark.parametrize("inside", ["<!ENTITY x SYSTEM '{}'>", "<!ENTITY % x SYSTEM '{}'> %x;"])
def test_entities__the_external_file_is_not_read(planned, tmp_path, inside):
    """It is a FIFO without a writer: to open it would wait for ever; and a file with a mark."""
    os.mkfifo(tmp_path / "fifo")
    (tmp_path / "mark").write_text("marked-text")
    for name in ("fifo", "mark"):
        doctype = f"<!DOCTYPE gpx [{inside.format((tmp_path / name).as_uri())}]>"
        path = tmp_path / "walk.gpx"
        path.write_bytes(gpx("<wpt lat='1' lon='1'><name>&x;</name></wpt>", before=doctype))
        before = planned.read_bytes()
        result = run("record", planned, path, code=1)
        assert "DOCTYPE" in result.err
        assert "marked-text" not in result.out + result.err
        assert planned.read_bytes() == before
