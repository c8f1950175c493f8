from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.formats.times import parse_times, time_zone, to_utc

BERLIN = ZoneInfo("Europe/Berlin")
moments = st.datetimes(datetime(1970, 1, 1), datetime(2100, 1, 1))
offsets = st.integers(-14 * 60, 14 * 60)


def reference(moment: datetime) -> np.datetime64:
    """The standard library's own arithmetic, cut to milliseconds."""
    return np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "us").astype("datetime64[ms]")


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(moments, offsets, st.sampled_from("T ")), max_size=8))
def test_parse_times__agrees_with_datetime(cases):
    stamped = [(m.replace(tzinfo=timezone(timedelta(minutes=o))), s) for m, o, s in cases]
    times, naive, bad = parse_times([m.isoformat(s) for m, s in stamped])
    assert not bad.any()
    assert not naive.any()
    assert times.tolist() == [reference(m).item() for m, _ in stamped]


@settings(deadline=None)
@given(moments, st.sampled_from(["", "Z", "z", "+00:00", "-0000", "+00"]), st.integers(0, 9))
def test_parse_times__zones_and_fractions(moment, zone, places):
    fraction = f".{moment.microsecond:06d}000"[: places + 1] if places else ""
    text = moment.strftime("%Y-%m-%dT%H:%M:%S") + fraction + zone
    times, naive, bad = parse_times([f" {text} "])
    thousandths = int(fraction[1:4].ljust(3, "0") or 0)
    expected = np.datetime64(moment.replace(microsecond=0), "ms") + thousandths
    assert (times[0], naive[0], bad[0]) == (expected, zone == "", False)


@pytest.mark.parametrize(
    "text",
    [
        "yesterday", "2026-13-01T00:00:00Z", "2026-02-29T00:00:00Z", "2026-06-31T00:00:00Z",
        "2026-06-01T24:30:00Z", "2026-06-01T09:60:00Z", "2026-06-01T09:00:00.Z",
        "2026-06-01T09:00:00+2", "2026-06-01T09:00:00+02:99", "2026-06-01T09:00:00X",
        "2026-06-01T09:00:00Zulu", "2026-06-01", "20260601", "2026-W23-1T09:00:00Z",
        "2026-06-01T09:0٣:00Z", "0000-01-01T00:00:00Z", "x" * 500,
        f"2026-06-01T09:00:00.{'0' * 40}+02:00",
    ],
)  # fmt: skip
def test_parse_times__unreadable(text):
    times, _, bad = parse_times(["2026-06-01T09:00:00Z", text])
    assert bad.tolist() == [False, True]
    assert np.isnat(times[1])


def test_parse_times__leap_day_and_rare_forms():
    times, naive, bad = parse_times(
        ["2024-02-29T00:00:00Z", "2026-06-01T09:30", "20260601T093000Z"]
    )
    assert times.astype(str).tolist() == [
        "2024-02-29T00:00:00.000", "2026-06-01T09:30:00.000", "2026-06-01T09:30:00.000",
    ]  # fmt: skip
    assert naive.tolist() == [False, True, False]
    assert not bad.any()


def test_parse_times__none():
    assert [len(part) for part in parse_times([])] == [0, 0, 0]


@settings(deadline=None)
@given(moments, st.sampled_from(["Europe/Berlin", "America/St_Johns", "Asia/Kathmandu", "UTC"]))
def test_to_utc__agrees_with_zoneinfo(moment, zone_name):
    zone = ZoneInfo(zone_name)
    utc, unclear = to_utc(np.array([moment], dtype="datetime64[ms]"), zone)
    early, late = (moment.replace(tzinfo=zone, fold=f) for f in (0, 1))
    assert unclear[0] == (early.utcoffset() != late.utcoffset())
    if not unclear[0]:
        assert utc[0] == reference(early)


def test_to_utc__clock_changes_are_unclear():
    """Clocks in Berlin went forward on 2026-03-29 at 02:00 and back on 2026-10-25 at 03:00
    (Directive 2000/84/EC: last Sundays of March and October, 01:00 UTC)."""
    local = np.array(
        ["2026-03-29T01:59", "2026-03-29T02:30", "2026-10-25T02:30", "2026-10-25T03:00"],
        dtype="datetime64[ms]",
    )
    assert to_utc(local, BERLIN)[1].tolist() == [False, True, True, False]


def test_to_utc__unknown_stays_unknown():
    utc, unclear = to_utc(np.array(["NaT"], dtype="datetime64[ms]"), BERLIN)
    assert np.isnat(utc[0])
    assert not unclear[0]


@pytest.mark.parametrize("name", ["Europe/Nowhere", "", "../etc/passwd", "Europe"])
def test_time_zone__refuses(name):
    with pytest.raises(InputError, match="not a time zone"):
        time_zone(name)


def test_time_zone__known():
    assert time_zone("Europe/Berlin") == BERLIN
