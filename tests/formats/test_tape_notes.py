from zoneinfo import ZoneInfo

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.formats.tape_notes import read_tape_note
from gridtools.layers import Lanes

LENGTH = 45.2
IDS = [f"1-{i:03d}" for i in range(1, 21) if i != 3] + [
    "1-003a", "1-003b", "2-001", "2-002", "1-i001", "1-i002", "r001",
]  # fmt: skip
LANES = Lanes.build(geometry=[shapely.LineString([(0, 0), (LENGTH, 0)])] * len(IDS), lane_id=IDS)


def read(text, **options):
    return read_tape_note(text, "note.txt", LANES, **options)


def walked(text):
    """Stretches as short texts: the lane alone if it was walked whole, from start to finish."""
    log = read(text)
    return [
        lane if (a, b) == (0.0, LENGTH) else f"{lane} {a:g}>{b:g}"
        for lane, a, b in zip(log.tape_lane, log.tape_from_m, log.tape_to_m, strict=True)
    ]


def lanes(*numbers):
    return [f"1-{n:03d}" for n in numbers]


ALL = [*lanes(1, 2), "1-003a", "1-003b", *lanes(*range(4, 21))]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1-001", lanes(1)),
        ("1-001, 1-002 and 1-004", lanes(1, 2, 4)),
        ("1-001 & 1-2 + 1-4", lanes(1, 2, 4)),
        ("1-004 to 1-006", lanes(4, 5, 6)),
        ("1-4-1-6", lanes(4, 5, 6)),
        ("1-004 – 1-006 in order.", lanes(4, 5, 6)),
        ("1-006 to 1-004", lanes(6, 5, 4)),
        ("1-002 to 1-004", ["1-002", "1-003a", "1-003b", "1-004"]),
        ("1-003", ["1-003a", "1-003b"]),
        ("1-003a", ["1-003a"]),
        ("Walked lanes 1-004 through 1-006", lanes(4, 5, 6)),
        ("pass 1 but not 1-002 to 1-020", ["1-001"]),
        ("all of pass 2", ["2-001", "2-002"]),
        ("1-i1 to 1-i2; R1", ["1-i001", "1-i002", "r001"]),
        ("1-001 to 1-020 in order, missed 1-007", [i for i in ALL if i != "1-007"]),
        ("1-004 to 1-006 except 1-005", lanes(4, 6)),
        ("1-004 to 1-006, skipped 1-005 and 1-006", lanes(4)),
        ("1-004 to 1-006, left out 1-005 to 1-006", lanes(4)),
        ("1-004 to 1-006\nmissed 1-005", lanes(4, 6)),
        ("1-004 to 1-006, missed 1-005; 1-008", lanes(4, 6, 8)),
        ("1-004 to 1-006, missed 1-005, then 1-008", lanes(4, 6, 8)),
        ("1-004 to 1-006, missed 1-005\n1-005 later", lanes(4, 6, 5)),
        ("1-012 from 34 m", ["1-012 34>45.2"]),
        ("1-012 from 34 m on", ["1-012 34>45.2"]),
        ("1-012 from 34 m to the end", ["1-012 34>45.2"]),
        ("1-012 to 34 m", ["1-012 0>34"]),
        ("1-012 only up to 34m", ["1-012 0>34"]),
        ("1-012 from 10 m to 34 m", ["1-012 10>34"]),
        ("1-012 from 10 to 34.5 m", ["1-012 10>34.5"]),
        ("1-012 0 to 20 m", ["1-012 0>20"]),
        ("1-012 10-20 m", ["1-012 10>20"]),
        ("1-012 from 34 m to 10 m", ["1-012 34>10"]),
        # NIST SP 811 appendix B.6: 1 ft = 0.3048 m.
        ("1-012 from 10 ft to 100 feet", ["1-012 3.048>30.48"]),
        ("1-012 to 46 m", lanes(12)),
        ("1-004 reversed", ["1-004 45.2>0"]),
        ("1-004, 1-005 backwards, 1-006", ["1-004", "1-005 45.2>0", "1-006"]),
        ("1-004 to 1-005, backwards; 1-006 forwards", ["1-004 45.2>0", "1-005 45.2>0", "1-006"]),
        ("1-012, missed 1-012 from 10 m to 20 m", ["1-012 0>10", "1-012 20>45.2"]),
        ("1-012 backwards, missed 1-012 10 to 20 m", ["1-012 45.2>20", "1-012 10>0"]),
        ("1-004 to 1-006, missed: 1-005", lanes(4, 6)),
        ("1-012 reversed\nmissed 1-012 10 to 20 m", ["1-012 45.2>20", "1-012 10>0"]),
        ("# Sallow Yard\n\n1-004  # wet\n", lanes(4)),
        ("2026-05-14\n1-004", lanes(4)),
    ],
)
def test_read_tape_note__as_people_write(text, expected):
    assert walked(text) == expected


def test_read_tape_note__missed_part_is_told():
    """After missed, a part of a lane is the part missed; what was understood is said."""
    log = read("1-001 to 1-020 in order, missed 1-007, 1-012 from 34 m")
    assert "1-007" not in log.tape_lane
    assert log.tape_to_m[log.tape_lane == "1-012"].tolist() == [34.0]
    assert len(log.tape_lane) == 20
    assert log.notices == ("note.txt, line 1: 1-012 taken as missed from 34.0 m to 45.2 m",)


def test_read_tape_note__notices():
    assert "was not among the lanes walked" in read("1-004, missed 1-005").notices[0]
    twice = read("1-004 to 1-006, 1-005")
    assert twice.tape_lane.tolist() == lanes(4, 5, 6)
    assert twice.notices == ("note.txt: 1-005 is stated twice, counted once",)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("1-001 wandered about, 1-002", "line 1: cannot read 'wandered about'"),
        ("1-001\nhello", "line 2: cannot read 'hello'"),
        ("1-001 / 1-002", "cannot read '/ 1-002'"),
        ("1-004 from 34", "cannot read '1-004 from 34'"),
        ("1-004 at 34 m", "cannot read 'at 34 m'"),
        ("1-004 34 m", "cannot read '1-004 34 m'"),
        ("1-004 to 20", "cannot read '1-004 to 20'"),
        ("1-004 to 1-006 from 10 m", "cannot read 'from 10 m'"),
        ("1-004 in reverse", "cannot read 'in reverse'"),
        ("1-012 backwards from 34 m", "cannot read 'from 34 m'"),
        ("1-004 to 1-006, 1-005 missed", "cannot read 'missed'"),
        ("1-005 missed, 1-006", "cannot read 'missed'"),
        ("1-005 not walked", "cannot read 'not walked'"),
        ("1-004 to 1-006, missed", "cannot read 'missed'"),
        ("backwards", "cannot read 'backwards'"),
        ("pass two", "cannot read 'pass two'"),
        ("34 m", "cannot read '34 m'"),
        ("1-030", "line 1: there is no lane 1-030"),
        ("1-001 to 1-030", "there is no lane 1-030"),
        ("1-001 to 2-001", "1-001 and 2-001 are not lanes of one pass"),
        ("pass 7", "there are no lanes of pass 7"),
        ("1-003 from 3 m", "lane 1-003 is split into 1-003a, 1-003b"),
        ("1-004 to 345 m", r"chainage 345.0 m is not on lane 1-004, which is 45.2 m long"),
        ("1-004 from 10 m to 10 m", "the stretch of lane 1-004 has no length"),
        ("", "states no lanes walked"),
        ("# nothing\n", "states no lanes walked"),
        ("1-004, missed 1-004", "states no lanes walked"),
    ],
)
def test_read_tape_note__refuses(text, words):
    with pytest.raises(InputError, match=words) as caught:
        read(text)
    assert str(caught.value).startswith("note.txt")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "hit"),
    [
        ("hit 1-004 at 12.5 m strong", ("1-004", 12.5, "", None, "strong", "")),
        ("Hit: lane 1-4, 12.5m, strength 40", ("1-004", 12.5, "", 40.0, "", "")),
        ("hit on 1-004 @ 41 ft peak, by gate", ("1-004", 12.4968, "peak", None, "by gate", "")),
        ("hit 1-4 at 12 m end strength: 7.5 backwards", ("1-004", 12, "end", 7.5, "", "backward")),
        ("1-001 and hit 1-004 at 3 m.", ("1-004", 3.0, "", None, "", "")),
    ],
)  # fmt: skip
def test_read_tape_note__hits(text, hit):
    log = read(text)
    lane, chainage, part, strength, note, direction = hit
    assert log.hit_lane.tolist() == [lane]
    assert log.hit_chainage_m.tolist() == [pytest.approx(chainage)]
    assert log.hit_part.tolist() == [part]
    assert np.isnan(log.hit_strength[0]) if strength is None else log.hit_strength[0] == strength
    assert log.hit_note.tolist() == [note]
    assert log.hit_direction.tolist() == [direction]
    assert np.isnan(log.hit_xy).all()


def test_read_tape_note__hits_and_walk_in_one_line():
    log = read("1-004, 1-005; hit 1-004 at 3 m, hit 1-005 at 9 m faint; 1-006")
    assert log.tape_lane.tolist() == lanes(4, 5, 6)
    assert log.hit_lane.tolist() == lanes(4, 5)
    assert log.hit_note.tolist() == ["", "faint"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("hit 1-004", "cannot read 'hit 1-004'; write a hit as in hit 1-004 at 12.5 m"),
        ("hit at 12 m", "cannot read 'hit at 12 m'"),
        ("hit 1-004 at 12", "cannot read 'hit 1-004 at 12'"),
        ("hit 1-004 at 12 m and 14 m", "write each hit on its own line"),
        ("hit 1-004 at 12 m strong, 1-005 to 1-009", "write each hit on its own line"),
        ("hit 1-004 at 120 m", "chainage 120.0 m is not on lane 1-004"),
        ("hit 1-003 at 12 m", "lane 1-003 is split into"),
        ("1-004 hit at 12 m", "cannot read 'hit at 12 m'"),
    ],
)
def test_read_tape_note__refuses_hits(text, message):
    """A hit must not be lost inside a remark, nor a lane inside a hit."""
    with pytest.raises(InputError, match=message):
        read(text)


def test_read_tape_note__times():
    text = (
        "date: 2026-06-01\n1-001\n9:30 1-002\n10:05-10:20 1-004, hit 1-004 at 3 m\n"
        "2026-06-02 08:00\n1-005"
    )
    log = read(text, tz=ZoneInfo("Europe/Berlin"))
    assert log.tape_time.astype("datetime64[m]").astype(str).tolist() == [
        "2026-05-31T22:00", "2026-06-01T07:30", "2026-06-01T08:05", "2026-06-02T06:00",
    ]  # fmt: skip
    assert log.hit_time[0] == log.tape_time[2]


def test_read_tape_note__date_alone_needs_no_zone():
    assert read("2026-06-01\n1-001").tape_time.astype(str).tolist() == ["2026-06-01T00:00:00.000"]
    assert np.isnat(read("1-001").tape_time[0])
    assert read("2026-06-01 09:00Z\n1-001").tape_time.astype(str).tolist() == [
        "2026-06-01T09:00:00.000"
    ]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("09:00 1-001", "line 1: the time 09:00 needs a line with the date above it"),
        ("2026-06-01\n09:00 1-001", "line 2: the time 09:00 has no zone: give --tz"),
        ("2026-02-30\n1-001", "cannot read '2026-02-30'"),
        ("2026-06-01 25:00Z\n1-001", "cannot read '25:00Z'"),
    ],
)
def test_read_tape_note__refuses_times(text, message):
    with pytest.raises(InputError, match=message):
        read(text)


def test_read_tape_note__clock_change():
    with pytest.raises(InputError, match="clocks in Europe/Berlin changed over 02:30"):
        read("2026-10-25\n02:30 1-001", tz=ZoneInfo("Europe/Berlin"))


def counted(first, last):
    return range(first, last + 1) if first <= last else range(first, last - 1, -1)


wholes = st.integers(0, 45)
numbers = st.integers(4, 20)
stretches = st.one_of(
    numbers.map(lambda n: (f"1-{n:03d}", [(n, 0.0, LENGTH)])),
    st.tuples(numbers, wholes, wholes)
    .filter(lambda t: t[1] != t[2])
    .map(lambda t: (f"1-{t[0]} from {t[1]} m to {t[2]} m", [(t[0], float(t[1]), float(t[2]))])),
    numbers.map(lambda n: (f"1-{n:03d} backwards", [(n, LENGTH, 0.0)])),
    st.tuples(numbers, numbers).map(
        lambda t: (f"1-{t[0]:03d} to 1-{t[1]:03d}", [(n, 0.0, LENGTH) for n in counted(*t)])
    ),
)


@settings(deadline=None)
@given(st.lists(stretches, min_size=1, max_size=6), st.sampled_from([", ", "; ", "\n", " and "]))
def test_read_tape_note__round_trip(items, joiner):
    """What was walked, written down in the documented forms, comes back; repeats count once."""
    log = read(joiner.join(text for text, _ in items))
    expected = list(dict.fromkeys((f"1-{n:03d}", a, b) for _, walk in items for n, a, b in walk))
    assert list(zip(log.tape_lane, log.tape_from_m, log.tape_to_m, strict=True)) == expected


def reads_or_says(text):
    try:
        read(text)
    except InputError as error:
        return str(error).startswith("note.txt") and "\n" not in str(error)
    return True


WORDS = """1-001 1-003 1-020 2-1 r1 to from missed except backwards hit at 12 m 34 ft , ; . - and
pass 1 in order 09:00 2026-06-01 strength the end # x"""
words = st.sampled_from([*WORDS.split(), "\n"])


@settings(max_examples=300, deadline=None)
@given(st.lists(words, max_size=12).map(" ".join) | st.text(max_size=40))
def test_read_tape_note__any_words_give_a_log_or_one_sentence(text):
    assert reads_or_says(text)
