"""Blocks of plain points change nothing but speed: expat alone reads the same."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.formats import gpx
from gridtools.formats.gpx_blocks import STANDS_IN, blocks

POINT = '<trkpt lat="51.2" lon="7.1"><time>2026-06-01T09:00:00Z</time></trkpt>'
PIECES = st.sampled_from([
    POINT,
    POINT,
    POINT + "\n",
    POINT.replace("51.2", "51.3").replace("<time>", "\r\n<ele>-3.5</ele>\r<time>"),
    POINT.replace("</trkpt>", "<sat>9</sat><fix>3d</fix>\n</trkpt>\n"),
    POINT.replace("09:00:00Z", "09:00:01.250Z"),
    POINT.replace("09:00:00Z", "25:00:00Z"),
    POINT.replace("51.2", "95.0"),
    POINT.replace("51.2", "5.1.2"),
    POINT.replace("Z<", "+02:00<"),
    POINT.replace("<time>", "<ele>3</sat><time>"),
    POINT.replace("<time>", "<extensions><time>no</time></extensions><time>"),
    POINT.replace("trkpt", "wpt"),
    '<trkpt lat="51.2" lon="7.1"/>',
    f"<!-- {POINT} -->",
    f"<name><![CDATA[{POINT}]]></name>",
    f"<?pi {POINT}?>",
    f"<extensions>\n{POINT}</extensions>",
    f'<trkseg xmlns="urn:other">{POINT}</trkseg>',
    f"</trkseg><trkseg>{POINT}",
    f"</trkseg></trk>\n<trk><name>two</name><trkseg>\n{POINT}",
    "<time>2026-06-01T10:00:00Z</time>",
    "text\n",
    "&amp;",
    "&bad;",
    "<trkpt ",
    "<!--",
    "</gpx>",
])  # fmt: skip


def read(data):
    """Content as plain values, or the message."""
    try:
        content = gpx.read_gpx(data, "walk.gpx")
    except InputError as error:
        return str(error)
    points = content.waypoints
    return [
        column.astype(str).tolist()
        for column in (
            content.lonlat, content.time, content.track, content.segment, points.lonlat,
            points.time, points.name, np.array([*content.tracks, "|", *content.routes]),
        )
    ]  # fmt: skip


@settings(max_examples=400, deadline=None)
@given(
    st.lists(PIECES, max_size=14).map("".join),
    st.sampled_from([20, 100, 300, 5_000]),
    st.sampled_from(["utf-8", "iso-8859-1", "utf-16"]),
)
def test_blocks__read_as_expat_reads(body, size, encoding):
    data = (
        f'<?xml version="1.0" encoding="{encoding}"?>\n<gpx xmlns="{gpx.NAMESPACE}"><trk>'
        f"<name>one</name><trkseg>{body}</trkseg></trk></gpx>"
    ).encode(encoding)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(gpx, "blocks", lambda data, _: blocks(data, size))
        found = read(data)
        patch.setattr(gpx, "blocks", lambda data, _: [(data, ([], [], []))])
        assert found == read(data)


def test_blocks__plain_points_pass_expat_by():
    """All but the frame of a plain log is taken in bulk, segment by segment."""
    segment = f"<trkseg>{(POINT + chr(10)) * 500}</trkseg>"
    data = f'<gpx xmlns="{gpx.NAMESPACE}"><trk>{segment * 3}</trk></gpx>'.encode()
    pieces = list(blocks(data, 10_000))
    assert sum(len(plain[0]) for _, plain in pieces) == 1500
    rest = b"".join(piece for piece, _ in pieces)
    assert b"<time>" not in rest
    assert rest.count(b"\n") == data.count(b"\n")


def test_blocks__a_file_that_uses_the_stand_in_itself():
    data = (
        f'<gpx xmlns="{gpx.NAMESPACE}"><trk><trkseg><trkpt {STANDS_IN}="" lat="1" lon="2"/>'
        "</trkseg></trk></gpx>"
    ).encode()
    assert [bytes(piece) for piece, _ in blocks(data, 10_000)] == [data]
    assert gpx.read_gpx(data, "walk.gpx").lonlat.tolist() == [[2.0, 1.0]]
