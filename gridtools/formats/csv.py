"""CSV logs in: fixes, hits or tape runs, told by the header.

The forms, which columns they need, and what else is accepted stand in docs/logs.md.
"""

from dataclasses import dataclass, fields
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from gridtools.errors import InputError
from gridtools.formats.table import Block, Header, decode, find_header, read_blocks
from gridtools.formats.times import Times
from gridtools.units import METRES_PER_UNIT

_COLUMNS = (
    "time", "lon", "lat", "x", "y", "strength", "part", "note", "lane", "direction",
    "chainage_m", "from_m", "to_m", "chainage_ft", "from_ft", "to_ft",
)  # fmt: skip
_KNOWN = {
    **{name: name for name in _COLUMNS},
    "longitude": "lon",
    "long": "lon",
    "lng": "lon",
    "latitude": "lat",
    "easting": "x",
    "northing": "y",
    "chainage": "chainage_m",
    "from": "from_m",
    "to": "to_m",
    "remark": "note",
}
_HIT_ONLY = ("strength", "part", "note")
_PARTS = {part: part for part in ("", "start", "peak", "end")}
_DIRECTIONS = {
    "": "",
    "forward": "forward",
    "forwards": "forward",
    "backward": "backward",
    "backwards": "backward",
    "reversed": "backward",
}
_FORMS = "time,lon,lat or time,x,y or lane,chainage_m or lane,from_m,to_m"


@dataclass(frozen=True, kw_only=True, eq=False)
class CsvLog:
    """A CSV log, column by column; unknown text is ``""``, unknown numbers NaN, times NaT.

    Attributes
    ----------
    kind
        ``fixes``, ``hits`` or ``tape``.
    geographic
        Whether positions are longitudes and latitudes, not x and y.
    position
        (n, 2): longitude and latitude, or x and y in the job CRS's own unit.
    time
        Times (n,) in UTC.
    strength, part, note
        Of hits (n,).
    lane, chainage_m, direction
        Of hits logged along a lane, and lane and direction of tape runs (n,).
    from_m, to_m
        Of tape runs (n,).
    row
        Row in the file (n,), counted from 1.
    unread
        Titles of columns that were not read.
    """

    kind: str
    geographic: bool
    position: NDArray[np.float64]
    time: Times
    strength: NDArray[np.float64]
    part: NDArray[np.object_]
    note: NDArray[np.object_]
    lane: NDArray[np.object_]
    chainage_m: NDArray[np.float64]
    direction: NDArray[np.object_]
    from_m: NDArray[np.float64]
    to_m: NDArray[np.float64]
    row: NDArray[np.int64]
    unread: tuple[str, ...]


def has_csv_header(text: str, name: str) -> bool:
    """Whether the first line that says anything is the header of a CSV log.

    Examples
    --------
    >>> has_csv_header("Time;Lon;Lat", "a.txt"), has_csv_header("1-001 to 1-020", "b.txt")
    (True, False)
    """
    header = find_header(text, name, _KNOWN)
    return bool(header.columns) and (len(header.columns) > 1 or header.width == 1)


def read_csv(
    data: bytes, name: str, *, tz: ZoneInfo | None = None, as_hits: bool = False
) -> CsvLog:
    r"""CSV log from its bytes.

    Parameters
    ----------
    data
        Bytes of the file, UTF-8.
    name
        Name of the file, for messages.
    tz
        Zone of times that state none.
    as_hits
        Take rows of time and position as hits, though no column says so.

    Raises
    ------
    InputError
        If the header fits no form or a value cannot be read: names row and column.

    Examples
    --------
    >>> log = read_csv(b"time,lon,lat\n2026-06-01T09:00:00Z,7.1,51.2\n", "walk.csv")
    >>> log.kind, log.position.tolist()
    ('fixes', [[7.1, 51.2]])
    """
    text = decode(data, name)
    header = find_header(text, name, _KNOWN)
    for what in ("chainage", "from", "to"):
        if {f"{what}_m", f"{what}_ft"} <= set(header.columns):
            raise InputError(f"{name}: has {what}_m and {what}_ft; leave one of them out")
    if {"lon", "lat", "x", "y"} <= set(header.columns):
        raise InputError(f"{name}: has lon, lat and x, y, which may disagree; leave one pair out")
    kind, source = _form(header, name, as_hits)
    logs = [_log(block, kind, source, tz, header) for block in read_blocks(text, name, header)]
    same = {"kind", "geographic", "unread"}
    columns = {
        f.name: np.concatenate([getattr(log, f.name) for log in logs])
        for f in fields(CsvLog)
        if f.name not in same
    }
    return CsvLog(kind=kind, geographic=source == "lonlat", unread=header.unread, **columns)


def _form(header: Header, name: str, as_hits: bool) -> tuple[str, str]:
    """Kind of log, and where it has its positions from: lonlat, xy, lane or time alone."""
    has = set(header.columns)
    if "lane" in has and has & {"from_m", "to_m", "from_ft", "to_ft"}:
        return "tape", "lane"
    if "lane" in has and has & {"chainage_m", "chainage_ft"}:
        return "hits", "lane"
    if "time" in has:
        hits = "hits" if as_hits or has & set(_HIT_ONLY) else "fixes"
        if has >= {"lon", "lat"}:
            return hits, "lonlat"
        if has >= {"x", "y"}:
            return hits, "xy"
        if not has & {"lon", "lat", "x", "y", "lane"}:
            return "hits", "time"
    titles = ", ".join([*header.columns, *header.unread])
    raise InputError(f"{name}: its header ({titles}) is none of {_FORMS}; name the columns so")


def _log(block: Block, kind: str, source: str, tz: ZoneInfo | None, header: Header) -> CsvLog:
    time = block.times("time", tz)
    chainage_m = _metres(block, "chainage")
    lane = block.texts("lane")
    if source == "lane":
        block.fail("no lane", lane == "", "lane")
        if kind == "hits":
            column = "chainage_m" if "chainage_m" in block.cells else "chainage_ft"
            block.fail("no chainage", np.isnan(chainage_m), column)
    else:
        block.fail("no time", np.isnat(time), "time")
        lane[:] = ""
        chainage_m[:] = np.nan
    return CsvLog(
        kind=kind,
        geographic=source == "lonlat",
        position=_positions(block, source),
        time=time,
        strength=block.numbers("strength"),
        part=block.words("part", _PARTS),
        note=block.texts("note"),
        lane=lane,
        chainage_m=chainage_m,
        direction=block.words("direction", _DIRECTIONS),
        from_m=_metres(block, "from"),
        to_m=_metres(block, "to"),
        row=block.lines,
        unread=header.unread,
    )


def _metres(block: Block, what: str) -> NDArray[np.float64]:
    feet = block.numbers(f"{what}_ft") * METRES_PER_UNIT["ft"]
    return feet if f"{what}_ft" in block.cells else block.numbers(f"{what}_m")


def _positions(block: Block, source: str) -> NDArray[np.float64]:
    if source not in ("lonlat", "xy"):
        return np.full((len(block), 2), np.nan)
    names = ("lon", "lat") if source == "lonlat" else ("x", "y")
    position = np.column_stack([block.numbers(name) for name in names])
    blank = np.isnan(position)
    for axis, name in enumerate(names):
        block.fail("no number", blank[:, axis] & ~blank[:, 1 - axis], name)
        if source == "lonlat":
            limit = (180.0, 90.0)[axis]
            far = np.abs(position[:, axis]) > limit
            block.fail(f"bad number (beyond {limit:.0f} degrees)", far, name)
    return position
