"""What a layer is: columns of one length, with their kinds, meanings, checks and ids.

Conventions: unknown text is ``""``, an unknown measure is NaN, an unknown time is NaT; all three
are NULL in the file. Whole numbers and flags are never unknown.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, fields
from enum import Enum
from functools import cache
from typing import Annotated, Any, ClassVar, NamedTuple, Self, TypeGuard, get_type_hints

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from gridtools.errors import InputError, quote


class Kind(Enum):
    """What a column holds; the value is the type name shown in the reference."""

    TEXT = "text"
    WHOLE = "whole number"
    REAL = "number"
    FLAG = "yes/no"
    TIME = "UTC time"
    BLOB = "bytes"
    GEOMETRY = "geometry"


Text = Annotated[NDArray[np.object_], Kind.TEXT]
Whole = Annotated[NDArray[np.int64], Kind.WHOLE]
Real = Annotated[NDArray[np.float64], Kind.REAL]
Flag = Annotated[NDArray[np.bool_], Kind.FLAG]
Time = Annotated[NDArray[np.datetime64], Kind.TIME]
Blob = Annotated[NDArray[np.object_], Kind.BLOB]
Geometry = Annotated[NDArray[np.object_], Kind.GEOMETRY]

_DTYPE: dict[Kind, Any] = {
    Kind.TEXT: np.object_,
    Kind.WHOLE: np.int64,
    Kind.REAL: np.float64,
    Kind.FLAG: np.bool_,
    Kind.TIME: np.dtype("datetime64[ms]"),
    Kind.BLOB: np.object_,
    Kind.GEOMETRY: np.object_,
}
_UNKNOWN: dict[Kind, Any] = {
    Kind.TEXT: "",
    Kind.WHOLE: 0,
    Kind.REAL: np.nan,
    Kind.FLAG: False,
    Kind.TIME: np.datetime64("NaT", "ms"),
    Kind.BLOB: b"",
    Kind.GEOMETRY: None,
}


@dataclass(frozen=True)
class Col:
    """Meaning of a column, and who owns it.

    Attributes
    ----------
    meaning
        One phrase, with the permitted values where they are a closed list.
    derived
        Recomputed from the rest of a layer that otherwise belongs to the user: (d).
    kept
        Written by a person into a derived layer and carried over by id: (k).
    """

    meaning: str
    derived: bool = False
    kept: bool = False


class Column(NamedTuple):
    """One column of a layer's schema."""

    name: str
    kind: Kind
    meaning: str
    derived: bool
    kept: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class Layer:
    """Base of all layers: numpy columns of one length, checked on construction.

    Raises
    ------
    InputError
        If columns differ in length or type, or a geometry is not of the layer's type.
    """

    table: ClassVar[str]
    meaning: ClassVar[str]
    geometry_type: ClassVar[str | None] = None
    id_column: ClassVar[str | None] = None
    user_owned: ClassVar[bool] = False
    #: Command that makes a derived layer again.
    made_by: ClassVar[str] = ""

    def __post_init__(self) -> None:
        lengths = {len(getattr(self, f.name)) for f in fields(self)}
        if len(lengths) > 1:
            raise InputError(f"layer {self.table}: columns differ in length {sorted(lengths)}")
        for column in self.columns():
            values = getattr(self, column.name)
            if not isinstance(values, np.ndarray) or values.dtype != _DTYPE[column.kind]:
                raise InputError(
                    f"layer {self.table}, column {column.name}: not a {column.kind.value} column"
                )
        if self.geometry_type is not None:
            geometry: NDArray[np.object_] = self.geometry  # type: ignore[attr-defined]
            wanted = shapely.GeometryType[self.geometry_type.upper()]
            bad = np.flatnonzero(shapely.get_type_id(geometry) != wanted)
            if bad.size:
                raise InputError(
                    f"layer {self.table}, row {bad[0] + 1}: geometry is not a {self.geometry_type}"
                )

    def __len__(self) -> int:
        return len(getattr(self, fields(self)[0].name))

    @classmethod
    def columns(cls) -> tuple[Column, ...]:
        """Schema of the layer, geometry left out, in the order of the table."""
        return tuple(c for c in cls._schema() if c.kind is not Kind.GEOMETRY)

    @classmethod
    @cache
    def _schema(cls) -> tuple[Column, ...]:
        hints = get_type_hints(cls, include_extras=True)
        columns = []
        for field in fields(cls):
            marks = hints[field.name].__metadata__
            kind = next(m for m in marks if isinstance(m, Kind))
            col = next((m for m in marks if isinstance(m, Col)), Col(""))
            columns.append(Column(field.name, kind, col.meaning, col.derived, col.kept))
        return tuple(columns)

    @classmethod
    def build(cls, count: int | None = None, **columns: ArrayLike) -> Self:
        """Layer from columns given in any array-like form; those left out are unknown.

        Parameters
        ----------
        count
            Number of rows; needed only where no column is given, or to spread scalars.
        **columns
            One value for all rows, or a sequence of values, for each column.

        Raises
        ------
        InputError
            If a value does not fit its column, or columns differ in length.

        Examples
        --------
        >>> from gridtools.layers import Tape
        >>> tape = Tape.build(tape_id=["T001"], session_id="S001", lane_id="1-001", from_m=0.0)
        >>> len(tape), tape.from_m.tolist(), tape.to_m.tolist()
        (1, [0.0], [nan])
        """
        known = {c.name: c.kind for c in cls._schema()}
        if unexpected := set(columns) - set(known):
            raise InputError(f"layer {cls.table} has no column {sorted(unexpected)[0]}")
        if count is None:
            count = next((len(v) for v in columns.values() if _is_sequence(v)), 0)
        return cls(
            **{
                name: _column(cls.table, name, kind, columns.get(name, _UNKNOWN[kind]), count)
                for name, kind in known.items()
            }
        )

    @classmethod
    def empty(cls) -> Self:
        """Layer without rows."""
        return cls.build(0)

    def take(self, index: ArrayLike) -> Self:
        """Rows chosen by a boolean mask (n,) or by positions."""
        where = np.asarray(index)
        if where.size == 0 and where.dtype != np.bool_:
            where = where.astype(np.intp)
        return type(self)(**{f.name: getattr(self, f.name)[where] for f in fields(self)})

    def with_columns(self, **columns: ArrayLike) -> Self:
        """Copy of the layer with some columns replaced."""
        same = {f.name: getattr(self, f.name) for f in fields(self)}
        return self.build(len(self), **{**same, **columns})

    @classmethod
    def concat(cls, layers: Sequence[Self]) -> Self:
        """Rows of several layers of this class, one after the other."""
        if not layers:
            return cls.empty()
        return cls(
            **{
                f.name: np.concatenate([getattr(layer, f.name) for layer in layers])
                for f in fields(cls)
            }
        )

    def feature_ids(self) -> NDArray[np.int64]:
        """Feature ids (n,): from the number in the row's own id, else counted from 1.

        An id must map to one feature id for ever, since a desktop GIS saves its edits by feature
        id: replaced rows with fresh numbers would take a buffered note to another row.
        """
        if self.id_column is None:
            return np.arange(1, len(self) + 1, dtype=np.int64)
        ids = list(map(str, getattr(self, self.id_column).tolist()))
        numbers = [i[1:] for i in ids]
        letters = {i[:1] for i in ids}
        if all(numbers) and "".join(numbers).isdecimal() and "".join(letters).isalpha():
            # Fixes come by the million, as one letter and a number each.
            return np.array(list(map(int, numbers)), dtype=np.int64)
        return np.array([feature_id(i) for i in ids], dtype=np.int64)


def _is_sequence(value: object) -> TypeGuard[list[Any] | tuple[Any, ...] | NDArray[Any]]:
    return isinstance(value, list | tuple) or (isinstance(value, np.ndarray) and value.ndim > 0)


def _column(table: str, name: str, kind: Kind, value: Any, count: int) -> NDArray[Any]:
    out: NDArray[Any] = np.empty(count, dtype=_DTYPE[kind])
    try:
        if kind in (Kind.WHOLE, Kind.FLAG) and count:
            given = np.asarray(value)
            if not np.array_equal(given, given.astype(_DTYPE[kind])):
                raise ValueError
            value = given
        if isinstance(value, np.ndarray) or not _is_sequence(value):
            out[:] = value
        else:
            if len(value) != count:
                raise ValueError
            if out.dtype == np.object_:
                for i, item in enumerate(value):
                    out[i] = item
            else:
                out[:] = value
    except (ValueError, TypeError) as error:
        raise InputError(
            f"layer {table}, column {name}: values do not fit {count} rows of {kind.value}"
        ) from error
    return out


_ID = re.compile(r"(?:[A-Za-z]?(\d+)-)?([A-Za-z]*)(\d+)([a-z]*)")
# Room for legs to zzz and for ten million numbers; below 2**53, so that any reader has it exact.
_LEGS = 100_000
_NUMBERS = 10_000_000


def feature_id(row_id: str) -> int:
    """Feature id of a row from the number in its own id.

    The parts of an id (group, number, leg) each keep their own decimal places, so that no two
    ids of one layer share a feature id.

    Raises
    ------
    InputError
        If the text holds no number in the form of an id.

    Examples
    --------
    >>> feature_id("C001"), feature_id("1-003"), feature_id("1-003b"), feature_id("S002-0007")
    (1, 1000000300000, 1000000300002, 2000000700000)
    """
    match = _ID.fullmatch(row_id)
    if match is None:
        raise InputError(
            f"{quote(row_id)} is not an id: a letter or a pass, and a number, as in 1-003"
        )
    group, _, number, leg = match.groups()
    if group is None and not leg:
        return int(number)
    leg_number = 0
    for letter in leg:
        leg_number = leg_number * 26 + ord(letter) - ord("a") + 1
    return (int(group or 0) * _NUMBERS + int(number)) * _LEGS + leg_number
