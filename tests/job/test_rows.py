import numpy as np
import pytest
import shapely

from gridtools.columns import Kind
from gridtools.errors import InputError
from gridtools.job.rows import BadValue, decode_column, encode_column
from gridtools.layers import Checks, Control, Logs

COLUMN = {column.kind: column for layer in (Checks, Control, Logs) for column in layer.columns()}
WHOLE = COLUMN[Kind.FLAG]._replace(name="number", kind=Kind.WHOLE)


def checks(**columns):
    return Checks.build(2, **columns)


def column_of(layer, name):
    return next(c for c in layer.columns() if c.name == name)


def test_encode__unknown_becomes_none_and_times_are_utc():
    rows = checks(note=["", "dry"], time_utc=np.array(["NaT", "2026-05-01T10:00:00"], "M8[ms]"))
    assert encode_column(rows, column_of(Checks, "note")) == [None, "dry"]
    assert encode_column(rows, column_of(Checks, "time_utc")) == [None, "2026-05-01T10:00:00.000Z"]
    assert encode_column(rows, column_of(Checks, "passed")) == [0, 0]


def test_encode__refuses_what_a_table_would_bend():
    with pytest.raises(InputError, match="layer checks, row 2: note is 3, not text"):
        encode_column(checks(note=["a", 3]), column_of(Checks, "note"))
    with pytest.raises(InputError, match="layer checks, row 1: note is None, not text"):
        encode_column(checks(note=[None, "a"]), column_of(Checks, "note"))
    marks = Control.build(height_m=[1.0, np.inf], geometry=list(shapely.points([0, 1], 0)))
    with pytest.raises(InputError, match="layer control, row 2: height_m is infinite"):
        encode_column(marks, column_of(Control, "height_m"))


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-05-01T10:00:00.123Z", "2026-05-01T10:00:00.123"),
        ("2026-05-01T10:00:00Z", "2026-05-01T10:00:00.000"),
        ("2026-05-01T12:00:00+02:00", "2026-05-01T10:00:00.000"),
        ("2026-05-01T10:00:00.123456Z", "2026-05-01T10:00:00.123"),
    ],
)
def test_decode__times(text, utc):
    found = decode_column(COLUMN[Kind.TIME], (None, text))
    assert np.isnat(found[0])
    assert found[1] == np.datetime64(utc, "ms")


@pytest.mark.parametrize(
    ("kind", "value", "problem"),
    [
        (Kind.TEXT, 3, "is 3, not a text"),
        (Kind.TEXT, b"x", "not a text"),
        (Kind.REAL, "abc", "is 'abc', not a number"),
        (Kind.REAL, float("inf"), "is infinite"),
        (Kind.FLAG, None, "struck is empty, not a yes/no"),
        (Kind.FLAG, 2, "is 2, not yes or no"),
        (Kind.FLAG, "true", "is 'true', not a yes/no"),
        (Kind.TIME, "yesterday", "write UTC"),
        (Kind.TIME, "2026-05-01T10:00:00", "write UTC"),
        (Kind.TIME, "2026-15-01T10:00:00.000Z", "write UTC"),
        (Kind.TIME, 17, "is 17, not a UTC time"),
        (Kind.BLOB, "x", "is 'x', not a bytes"),
    ],
)
def test_decode__says_what_is_wrong_and_where(kind, value, problem):
    good = {Kind.TEXT: "a", Kind.REAL: 1.5, Kind.FLAG: 1, Kind.TIME: None, Kind.BLOB: b"a"}[kind]
    with pytest.raises(BadValue, match=problem) as bad:
        decode_column(COLUMN[kind], (good, value, good))
    assert bad.value.index == 1


@pytest.mark.parametrize("value", [None, 1.5, "7"])
def test_decode__whole_numbers_are_never_bent(value):
    with pytest.raises(BadValue, match="not a whole number"):
        decode_column(WHOLE, (1, value))
