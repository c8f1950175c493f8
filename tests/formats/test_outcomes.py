import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.formats.outcomes import RECHECK_ONLY, read_outcomes
from gridtools.formats.times import time_zone
from gridtools.units import METRES_PER_UNIT


def read(text, name="out.csv", **more):
    return read_outcomes(text.encode(), name, **more)[0]


def test_read_outcomes__every_column():
    (row,) = read(
        "dig,found,metal,depth,length,width,height,dug_to,material,recheck,time,note,offset,"
        "offset_deg\nD001,fuel tank,yes,3.5 ft,2.4m,1.2,48in,1.6,steel,quiet,"
        "2026-06-10T10:30:00Z,on its side,0.3,90\n"
    )
    assert (row.dig, row.found, row.metal, row.material) == ("D001", "fuel tank", True, "steel")
    assert row.metres("depth") == pytest.approx(1.0668)
    assert row.metres("height") == pytest.approx(1.2192)
    assert (row.metres("length"), row.metres("width"), row.metres("dug_to")) == (2.4, 1.2, 1.6)
    assert (row.recheck, row.note) == ("quiet", "on its side")
    assert str(row.time) == "2026-06-10T10:30:00.000"
    assert (row.metres("offset"), row.offset_deg) == (0.3, 90.0)


@given(st.sampled_from(sorted(METRES_PER_UNIT)), st.floats(0.01, 50.0))
def test_read_outcomes__unit_in_the_title_or_beside_the_value(unit, value):
    titled = read(f"dig,found,metal,depth_{unit}\nD001,pipe,yes,{value!r}\n")[0]
    beside = read(f"dig,found,metal,depth\nD001,pipe,yes,{value!r} {unit}\n")[0]
    assert titled.metres("depth") == pytest.approx(value * METRES_PER_UNIT[unit])
    assert beside.metres("depth") == titled.metres("depth")


def test_read_outcomes__semicolons_and_decimal_commas():
    (row,) = read("dig;found;metal;depth;width_m\nD001;pipe;yes;1,2 m;0,5\n")
    assert (row.metres("depth"), row.metres("width")) == (1.2, 0.5)


@pytest.mark.parametrize("word", ["nothing", "None", "no", "-"])
def test_read_outcomes__nothing(word):
    (row,) = read(f"dig,found,metal\nD001,{word},\n")
    assert (row.found, row.metal) == ("nothing", False)


def test_read_outcomes__a_later_recheck_by_itself():
    (row,) = read("dig,found,metal,recheck\nD001,,,responds\n")
    assert (row.found, row.metal, row.recheck) == (RECHECK_ONLY, False, "responds")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("found,metal\npipe,yes\n", "needs the columns dig \\(or a place\\) and found"),
        ("dig,found,metal\n,pipe,yes\n", "row 2: name the dig, or give the place"),
        ("dig,found,metal\nD001,pipe,\n", "row 2: write yes or no in metal, for pipe"),
        ("dig,found,metal\nD001,pipe,perhaps\n", "row 2: write yes or no"),
        ("dig,found,metal\nD001,,\n", "row 2: write what was found"),
        ("dig,found,metal\nD001,nothing,yes\n", "nothing was found, and yet"),
        ("dig,found,metal,depth\nD001,pipe,yes,deep\n", "row 2, depth: 'deep' is not a length"),
        ("dig,found,metal,depth\nD001,pipe,yes,-1 m\n", "less than nothing at row 2"),
        ("dig,found,metal,depth_m,depth_ft\nD001,pipe,yes,1,3\n", "two columns for depth"),
        ("dig,found,metal,recheck\nD001,pipe,yes,maybe\n", "neither quiet nor responds"),
        ("dig,found,metal,time\nD001,pipe,yes,2026-06-10 10:30:00\n", "--tz"),
    ],
)
def test_read_outcomes__one_sentence_for_what_is_wrong(text, message):
    with pytest.raises(InputError, match=message):
        read(text)


def test_read_outcomes__zone_of_naive_times():
    rows = read(
        "dig,found,metal,time\nD001,pipe,yes,2026-06-10 10:30:00\n", tz=time_zone("Europe/Berlin")
    )
    assert str(rows[0].time) == "2026-06-10T08:30:00.000"


def gpx(*points):
    inner = "".join(
        f'<wpt lat="52.35" lon="15.0"><time>2026-06-10T10:30:00Z</time><name>{name}</name>'
        f"<cmt>{cmt}</cmt></wpt>"
        for name, cmt in points
    )
    return f'<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">{inner}</gpx>'


def test_read_outcomes__waypoints():
    rows, other = read_outcomes(
        gpx(
            ("D001", "found fuel tank, metal, depth 3.5 ft; length 2.4 m; recheck quiet; lid off"),
            ("D002 b", "nothing, dug to 1.5 m"),
            ("D003", "found brick; metal no"),
            ("D004", ""),
            ("gate", "muddy"),
        ).encode(),
        "units.gpx",
    )
    assert [(r.dig, r.found, r.metal) for r in rows] == [
        ("D001", "fuel tank", True), ("D002", "nothing", False), ("D003", "brick", False),
    ]  # fmt: skip
    assert rows[0].metres("depth") == pytest.approx(1.0668)
    assert (rows[0].recheck, rows[0].note) == ("quiet", "lid off")
    assert (rows[1].metres("dug_to"), np.isnan(rows[1].metres("depth"))) == (1.5, True)
    assert (rows[0].place, rows[0].kind) == ((15.0, 52.35), "gps")
    assert other == ["units.gpx: waypoints that say of no find: D004, gate"]


def test_read_outcomes__a_waypoint_that_does_not_say_whether_it_was_metal():
    with pytest.raises(InputError, match="waypoint D001: write yes or no in metal, for pipe"):
        read(gpx(("D001", "found pipe")), "units.gpx")
