from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.formats.csv import has_csv_header, read_csv

T = "2026-06-01T09:00:00Z"


def read(text, **options):
    return read_csv(text.encode(), "walk.csv", **options)


@pytest.mark.parametrize(
    ("header", "kind"),
    [
        ("time,lon,lat", "fixes"),
        ("time,x,y", "fixes"),
        ("time,lon,lat,note", "hits"),
        ("time,x,y,strength,part", "hits"),
        ("time", "hits"),
        ("time,strength", "hits"),
        ("lane,chainage_m", "hits"),
        ("lane,chainage_m,direction", "hits"),
        ("time,lane,chainage,direction,strength,part,remark", "hits"),
        ("lane,from_m,to_m", "tape"),
        ("lane,to_m", "tape"),
        ("lane,from_m,to_m,direction,time", "tape"),
    ],
)
def test_read_csv__kind_is_told_by_the_header(header, kind):
    values = {
        "time": T, "lon": "7.1", "lat": "51.2", "x": "400000", "y": "5600000", "lane": "1-001",
        "chainage_m": "12.5", "chainage": "12.5", "from_m": "0", "to_m": "50",
    }  # fmt: skip
    row = ",".join(values.get(name, "") for name in header.split(","))
    assert has_csv_header(header, "walk.csv")
    assert read(f"{header}\n{row}\n").kind == kind


def test_read_csv__as_hits():
    assert read(f"time,lon,lat\n{T},7,51\n", as_hits=True).kind == "hits"


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_read_csv__separators_newlines_and_byte_order_mark(separator, newline, mark):
    row = '2026-06-01 09:00:00Z, 7.5 ,51.25,"a ""b"""'
    lines = ["# my walk, by ear", "", " Time ,LON,Lat,Note", "", row, "#7", ",,,"]
    text = newline.join(line.replace(",", separator) for line in lines)
    log = read_csv(mark + text.encode(), "walk.csv")
    assert log.position.tolist() == [[7.5, 51.25]]
    assert log.note.tolist() == ['a "b"']
    assert log.row.tolist() == [5]
    assert log.time.astype(str).tolist() == ["2026-06-01T09:00:00.000"]


def test_read_csv__decimal_comma():
    log = read("time;lon;lat\n2026-06-01T09:00:00,5Z;7,125;51,5\n")
    assert log.position.tolist() == [[7.125, 51.5]]
    assert log.time.astype(str).tolist() == ["2026-06-01T09:00:00.500"]


def test_read_csv__quoted_separators_and_line_breaks():
    """A quoted field may run over lines; the next row still knows its own."""
    text = f'time,lon,lat,note\n{T},7,51,"by the gate,\nleft"\n{T},x,51,\n'
    with pytest.raises(InputError, match="bad number at row 4, column lon: 'x'"):
        read(text)


def test_read_csv__short_rows_and_unknown_columns():
    log = read(f"time,lon,lat,hdop,note\n{T},7,51\n{T},7,51,0.9,pipe,,\n")
    assert log.note.tolist() == ["", "pipe"]
    assert log.unread == ("hdop",)


def test_read_csv__naive_times_need_a_zone():
    text = "time,lon,lat\n2026-06-01 09:00:00,7,51\n"
    with pytest.raises(InputError, match=r"row 2, column time: '2026-06-01 09:00:00'") as caught:
        read(text)
    assert "--tz" in str(caught.value)
    log = read(text, tz=ZoneInfo("Europe/Berlin"))
    assert log.time.astype(str).tolist() == ["2026-06-01T07:00:00.000"]


def test_read_csv__feet():
    """NIST SP 811 appendix B.6: 1 ft = 0.3048 m."""
    log = read("lane,from_ft,to_ft\n1-001,10,100\n")
    assert log.from_m.tolist() == [pytest.approx(3.048)]
    assert log.to_m.tolist() == [pytest.approx(30.48)]


def test_read_csv__positions_may_be_blank():
    log = read(f"time,x,y,note\n{T},,,late\n{T},1,2,\n")
    assert np.isnan(log.position[0]).all()
    assert log.position[1].tolist() == [1.0, 2.0]


def test_read_csv__bad_number_at_row_1234():
    rows = [f"{T},7.0,51.0" for _ in range(2000)]
    rows[1232] = f"{T},7.0,fifty"
    with pytest.raises(
        InputError, match=r"^walk.csv: bad number at row 1,234, column lat: 'fifty'$"
    ):
        read("time,lon,lat\n" + "\n".join(rows))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "walk.csv: its header .* is none of time,lon,lat"),
        ("time,lon,lat\n", "a header, but no rows"),
        (f"when,lon,lat\n{T},7,51\n", r"its header \(lon, lat, when\) is none of"),
        (f"time,lon\n{T},7\n", "is none of"),
        (f"time,lon,lat,lon\n{T},7,51,7\n", "two columns for lon"),
        (f"time,lon,longitude,lat\n{T},7,7,51\n", "two columns for lon"),
        (f"time,lon,lat\n{T},7,51,52\n", "row 2 has 4 values, the header has 3"),
        (
            f"time,lon,lat\n{T},7,91\n",
            r"bad number \(beyond 90 degrees\) at row 2, column lat: '91'",
        ),
        (f"time,lon,lat\n{T},-181,1\n", "beyond 180 degrees"),
        (f"time,lon,lat\n{T},nan,1\n", "bad number at row 2, column lon: 'nan'"),
        (f"time,lon,lat\n{T},inf,1\n", "bad number at row 2, column lon: 'inf'"),
        (f"time,lon,lat\n{T},1_0,1\n", "bad number at row 2, column lon: '1_0'"),
        (f"time,lon,lat\n{T},,51\n", "no number at row 2, column lon"),
        ("time,lon,lat\n,7,51\n", "no time at row 2, column time"),
        ("time,lon,lat\nnoon,7,51\n", "not a time .* at row 2, column time: 'noon'"),
        ("lane,chainage_m\n,3\n", "no lane at row 2, column lane"),
        ("lane,chainage_m\n1-001,\n", "no chainage at row 2, column chainage_m"),
        ("lane,chainage_m,direction\n1-001,3,up\n", "none of forward, backward at row 2"),
        (f"time,part\n{T},middle\n", "none of start, peak, end at row 2, column part: 'middle'"),
        (f"time,strength\n{T},strong\n", "bad number at row 2, column strength: 'strong'"),
        (f"time\n{T}\0\n", "is not a text file"),
        ("time,lon," + "x" * 200_000, r"its header cannot be read as CSV \(field larger"),
        (f"time,note\n{T}," + "x" * 200_000, r"row 2 cannot be read as CSV \(field larger"),
    ],
)
def test_read_csv__refuses(text, message):
    with pytest.raises(InputError, match=message) as caught:
        read(text)
    assert "\n" not in str(caught.value)


def test_read_csv__not_utf8():
    with pytest.raises(InputError, match="line 2: is not UTF-8 text; save it as UTF-8"):
        read_csv(b"time,lon,lat\n\xff\xfe", "walk.csv")


def test_read_csv__clock_change_is_unclear():
    text = "time,lon,lat\n2026-10-25 01:00:00,7,51\n2026-10-25 02:30:00,7,51\n"
    with pytest.raises(InputError, match=r"clocks in Europe/Berlin changed here.* at row 3"):
        read(text, tz=ZoneInfo("Europe/Berlin"))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("time,lon,lat\n", True),
        ("# c\n\nLANE\tFROM_M\tTO_M\n", True),
        ("time\n", True),
        ("1-001 to 1-020, missed 1-007", False),
        ("lanes walked: 1-001, 1-002", False),
        ("lane 1-001, 1-002", False),
        ("", False),
    ],
)
def test_has_csv_header(text, expected):
    assert has_csv_header(text, "x") is expected


rows_of_fixes = st.lists(
    st.tuples(
        st.integers(0, 4_000_000_000_000), st.floats(-180, 180), st.floats(-90, 90)
    ),
    min_size=1,
    max_size=20,
)  # fmt: skip


@settings(deadline=None)
@given(rows_of_fixes, st.sampled_from(",;\t"))
def test_read_csv__round_trip(rows, separator):
    times = np.array([r[0] for r in rows], dtype="datetime64[ms]")
    lines = [
        separator.join([f"{t}Z", repr(x), repr(y)])
        for t, (_, x, y) in zip(times, rows, strict=True)
    ]
    log = read("\n".join([f"time{separator}lon{separator}lat", *lines]))
    np.testing.assert_array_equal(log.time, times)
    np.testing.assert_array_equal(log.position, [r[1:] for r in rows])


def test_read_csv__more_rows_than_a_block():
    count = 25_000
    body = "\n".join(f"{T},{i / 1000},1" for i in range(count))
    log = read(f"time,lon,lat\n{body}\n")
    np.testing.assert_array_equal(log.position[:, 0], np.arange(count) / 1000)
    np.testing.assert_array_equal(log.row, np.arange(2, count + 2))


def reads_or_says(text):
    try:
        read(text)
    except InputError as error:
        return "walk.csv" in str(error)
    return True


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet='time,lonaty;\t"#\n\r 0123456789-:TZ.', max_size=60))
def test_read_csv__any_text_gives_a_log_or_one_sentence(text):
    assert reads_or_says(text)
    assert reads_or_says("time,lon,lat\n" + text)
