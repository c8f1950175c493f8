"""Columns of a layer to and from the values of a table, each one checked."""

from contextlib import suppress
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gridtools.columns import Column, Kind, Layer
from gridtools.errors import InputError, quote

FID = "fid"
GEOMETRY = "geom"

# What SQLite may hand back for each kind of column; a GIS lets people leave any of them empty.
_STORED: dict[Kind, set[type]] = {
    Kind.TEXT: {str, type(None)},
    Kind.WHOLE: {int},
    Kind.REAL: {float, int, type(None)},
    Kind.FLAG: {int},
    Kind.TIME: {str, type(None)},
    Kind.BLOB: {bytes, type(None)},
}
# First and last time that has a year of four digits.
_TIMES = np.array(["0001-01-01", "9999-12-31T23:59:59.999"], dtype="datetime64[ms]")
_UTC_LENGTH = len("2026-05-01T10:00:00.000Z")


class BadValue(Exception):  # noqa: N818 (never leaves the package)
    """Row at a position holds a value that cannot be used."""

    def __init__(self, index: int, problem: str) -> None:
        super().__init__(problem)
        self.index = index
        self.problem = problem


def quoted(name: str) -> str:
    """Name of a table or column as SQL writes it."""
    return '"' + name.replace('"', '""') + '"'


def encode_column(layer: Layer, column: Column) -> list[Any]:
    """Values (n,) to store for one column of a layer; what is unknown becomes None.

    Raises
    ------
    InputError
        If a text column holds something else, a number is infinite, or a time has no year of
        four digits.
    """
    values: NDArray[Any] = getattr(layer, column.name)
    if column.kind in (Kind.TEXT, Kind.BLOB):
        wanted = str if column.kind is Kind.TEXT else bytes
        given: list[Any] = values.tolist()
        if not all(issubclass(kind, wanted) for kind in set(map(type, given))):
            i = next(i for i, value in enumerate(given) if not isinstance(value, wanted))
            raise InputError(
                f"layer {layer.table}, row {i + 1}: {column.name} is {quote(given[i])}, "
                f"not {column.kind.value}"
            )
        return [value or None for value in given]
    if column.kind is Kind.REAL:
        infinite = np.flatnonzero(np.isinf(values))
        if infinite.size:
            raise InputError(
                f"layer {layer.table}, row {infinite[0] + 1}: {column.name} is infinite"
            )
        stored: list[Any] = values.tolist()  # SQLite stores NaN as NULL
        return stored
    if column.kind is Kind.TIME:
        outside = np.flatnonzero((values < _TIMES[0]) | (values > _TIMES[1]))
        if outside.size:
            raise InputError(
                f"layer {layer.table}, row {outside[0] + 1}: {column.name} is not in "
                "the years 1 to 9999"
            )
        texts: list[Any] = np.datetime_as_string(values, unit="ms", timezone="UTC").tolist()
        for unknown in np.flatnonzero(np.isnat(values)):
            texts[unknown] = None
        return texts
    if column.kind is Kind.FLAG:
        values = values.astype(np.int64)
    numbers: list[Any] = values.tolist()
    return numbers


def decode_column(column: Column, values: tuple[Any, ...]) -> NDArray[Any]:
    """Column (n,) of a layer from what its table holds.

    Raises
    ------
    BadValue
        If a value does not fit the column.
    """
    found = set(map(type, values))
    if strange := found - _STORED[column.kind]:
        i = next(i for i, value in enumerate(values) if type(value) in strange)
        said = "empty" if values[i] is None else repr(values[i])[:40]
        raise BadValue(i, f"{column.name} is {said}, not a {column.kind.value}")
    if column.kind in (Kind.TEXT, Kind.BLOB):
        out = np.empty(len(values), dtype=np.object_)
        unknown = "" if column.kind is Kind.TEXT else b""
        # SQLite makes a new object for each row: hold what repeats, such as run ids, once.
        distinct = {value: value or unknown for value in values}
        out[:] = [distinct[value] for value in values]
        return out
    if column.kind is Kind.TIME:
        return _times(column.name, values)
    if column.kind is Kind.REAL:
        numbers = np.array(values, dtype=np.float64)
        infinite = np.flatnonzero(np.isinf(numbers))
        if infinite.size:
            raise BadValue(int(infinite[0]), f"{column.name} is infinite")
        return numbers
    whole = np.array(values, dtype=np.int64)
    if column.kind is Kind.FLAG:
        bad = np.flatnonzero((whole != 0) & (whole != 1))
        if bad.size:
            raise BadValue(int(bad[0]), f"{column.name} is {whole[bad[0]]}, not yes or no")
        return whole.astype(np.bool_)
    return whole


def _times(name: str, texts: tuple[str | None, ...]) -> NDArray[np.datetime64]:
    """Times (n,) in UTC, to the millisecond."""
    known = np.array([text is not None for text in texts], dtype=np.bool_)
    times = np.full(len(texts), np.datetime64("NaT", "ms"))
    given = [text for text in texts if text is not None]
    if set(map(len, given)) == {_UTC_LENGTH} and {text[-1] for text in given} == {"Z"}:
        with suppress(ValueError):
            times[known] = np.array([text[:-1] for text in given], dtype="datetime64[ms]")
            return times
    for i in np.flatnonzero(known):
        text = str(texts[i])
        try:
            time = datetime.fromisoformat(text)
            utc = time.astimezone(UTC).replace(tzinfo=None) if time.tzinfo else None
        except (ValueError, OverflowError):
            utc = None
        if utc is None:
            raise BadValue(
                int(i), f"{name} is {quote(text)}: write UTC, as in 2026-05-01T10:00:00Z"
            )
        times[i] = np.datetime64(utc, "ms")
    return times
