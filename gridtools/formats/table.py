"""Tables of text: rows and columns of a CSV file, read in blocks and turned into numbers.

Separators may be commas, semicolons or tabs; lines that are blank or begin with # are passed over.
With semicolons or tabs a decimal comma is understood.
"""

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from gridtools.errors import InputError, quote
from gridtools.formats.times import Times, parse_times, to_utc

# A million rows held as lists at once are slow: blocks stay in the processor's cache.
_BLOCK = 10_000


def decode(data: bytes, name: str) -> str:
    """Text of a file in UTF-8, with or without a byte order mark, line ends made alike.

    Raises
    ------
    InputError
        If the bytes are not UTF-8 text.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(f"{name}, line {line:,}: is not UTF-8 text; save it as UTF-8") from error
    if "\0" in text:
        raise InputError(f"{name} is not a text file")
    return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text


@dataclass(frozen=True)
class Header:
    """Header of a table.

    Attributes
    ----------
    columns
        Position of each known column.
    width
        Number of columns.
    unread
        Titles of the columns that are not known.
    delimiter
        Separator of the table.
    """

    columns: dict[str, int]
    width: int
    unread: tuple[str, ...]
    delimiter: str


def find_header(text: str, name: str, known: Mapping[str, str]) -> Header:
    """Header of a table: its first line that says anything.

    Parameters
    ----------
    text
        Text of the table.
    name
        Name of the file, for messages.
    known
        Column that each title stands for; titles are compared in lower case, spaces as ``_``.

    Raises
    ------
    InputError
        If two titles stand for one column.
    """
    line = next(
        (line for line in io.StringIO(text) if line.strip() and not line.lstrip().startswith("#")),
        "",
    )
    delimiter = max(",;\t", key=line.count)
    try:
        titles = next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error as error:
        raise InputError(f"{name}: its header cannot be read as CSV ({error})") from error
    columns: dict[str, int] = {}
    unread = []
    for i, title in enumerate(titles):
        column = known.get(re.sub(r"\s+", "_", title.strip().lower()))
        if column is None:
            unread.append(title.strip())
        elif column in columns:
            raise InputError(f"{name}: the header has two columns for {column}")
        else:
            columns[column] = i
    return Header(columns, len(titles), tuple(filter(None, unread)), delimiter)


class Block:
    """Some rows of a table, column by column."""

    def __init__(self, name: str, header: Header, rows: list[list[str]], lines: list[int]) -> None:
        self.name = name
        self.lines: NDArray[np.int64] = np.array(lines, dtype=np.int64)
        self.decimal_comma = header.delimiter != ","
        cells = list(zip(*_square(rows, lines, header.width, name), strict=True))
        self.cells: dict[str, Sequence[str]] = {c: cells[i] for c, i in header.columns.items()}

    def __len__(self) -> int:
        return len(self.lines)

    def fail(self, what: str, bad: NDArray[np.bool_], column: str) -> None:
        """Raise an error about the first bad row (n,) of a column, if there is one."""
        if bad.any():
            row = int(np.flatnonzero(bad)[0])
            value = self.cells[column][row].strip()
            quoted = f": {quote(value)}" if value else ""
            raise InputError(
                f"{self.name}: {what} at row {self.lines[row]:,}, column {column}{quoted}"
            )

    def numbers(self, column: str) -> NDArray[np.float64]:
        """Numbers (n,) of a column, NaN where it is blank or missing."""
        cells = self.cells.get(column)
        if cells is None:
            return np.full(len(self), np.nan)
        blank = np.zeros(len(self), dtype=np.bool_)
        try:
            values = np.array(cells, dtype=np.float64)
            plain = "_" not in "".join(cells)  # which Python takes inside numbers
        except ValueError:
            plain = False
        if not plain:
            texts = [cell.strip() for cell in cells]
            values = np.array([_number(text, self.decimal_comma) for text in texts])
            blank = np.array([not text for text in texts])
        self.fail("bad number", ~np.isfinite(values) & ~blank, column)
        return values

    def texts(self, column: str) -> NDArray[np.object_]:
        """Texts (n,) of a column, stripped, empty where it is missing."""
        out = np.full(len(self), "", dtype=np.object_)
        if column in self.cells:
            out[:] = [cell.strip() for cell in self.cells[column]]
        return out

    def words(self, column: str, known: Mapping[str, str]) -> NDArray[np.object_]:
        """Words (n,) of a column, each one of a closed list."""
        out = self.texts(column)
        if column in self.cells:
            found = [known.get(text.lower()) for text in out]
            choice = ", ".join(dict.fromkeys(word for word in known.values() if word))
            self.fail(f"none of {choice}", np.array([word is None for word in found]), column)
            out[:] = found
        return out

    def times(self, column: str, tz: ZoneInfo | None) -> Times:
        """Times (n,) in UTC, NaT where blank or missing; naive ones are in the zone."""
        if column not in self.cells:
            return np.full(len(self), np.datetime64("NaT", "ms"))
        times, naive, bad = parse_times(self.cells[column])
        self.fail("not a time as in 2026-06-01T09:30:15Z", bad, column)
        if naive.any():
            if tz is None:
                self.fail(
                    "a time without a zone (give --tz, for example --tz Europe/Berlin)",
                    naive,
                    column,
                )
            else:
                times[naive], unclear = to_utc(times[naive], tz)
                naive[naive] = unclear
                self.fail(f"clocks in {tz.key} changed here, write the zone,", naive, column)
        return times


def read_blocks(text: str, name: str, header: Header) -> Iterator[Block]:
    """Rows of a table below its header, in blocks.

    Raises
    ------
    InputError
        If a row cannot be read or is wider than the header, or there is none.
    """
    if "#" in text:
        # Comments become blank lines, so that rows keep their numbers.
        text = re.sub(r"(?m)^[ \t]*#.*$", "", text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=header.delimiter)
    rows: list[list[str]] = []
    lines: list[int] = []
    before, count = 0, -1
    try:
        for row in reader:
            if row and (row[0] or any(row)):
                count += 1
                if count:
                    rows.append(row)
                    lines.append(before + 1)
                if len(rows) == _BLOCK:
                    yield Block(name, header, rows, lines)
                    rows, lines = [], []
            before = reader.line_num
    except csv.Error as error:
        raise InputError(f"{name}: row {before + 1:,} cannot be read as CSV ({error})") from error
    if count < 1:
        raise InputError(f"{name} has {'no header and no' if count else 'a header, but no'} rows")
    if rows:
        yield Block(name, header, rows, lines)


def _square(rows: list[list[str]], lines: list[int], width: int, name: str) -> list[list[str]]:
    """Rows of the width of the header: spreadsheets drop or add empty cells at the end."""
    if set(map(len, rows)) == {width}:
        return rows
    for i, row in enumerate(rows):
        if any(cell.strip() for cell in row[width:]):
            raise InputError(
                f"{name}: row {lines[i]:,} has {len(row)} values, the header has {width}"
            )
        rows[i] = (row + [""] * width)[:width]
    return rows


def _number(text: str, decimal_comma: bool) -> float:
    if decimal_comma and text.count(",") == 1 and "." not in text:
        text = text.replace(",", ".")
    try:
        return np.nan if "_" in text else float(text)
    except ValueError:
        return np.nan
