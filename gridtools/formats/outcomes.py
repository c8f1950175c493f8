"""Outcomes from a CSV file or from the waypoints of a GPS unit, as people write them.

CSV is told by its header: ``dig`` and, in any order, ``found, metal, depth, length, width, height,
dug_to, material, recheck, time, note``, and for the place ``x,y`` (job CRS), ``lon,lat``, or
``offset,offset_deg`` (taped from the dig's centre, with the bearing from grid north). With a place
the dig may be left out: the nearest one is meant. A length stands in a column with its unit
(``depth_m``, ``depth_ft``), or has its unit beside it (``3.5 ft``); a bare number is metres.

In GPX, a waypoint named after its dig says the same in its comment: ``found fuel tank, metal,
depth 1.1 m, recheck quiet``.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from gridtools.errors import InputError, quote
from gridtools.formats.gpx import read_gpx
from gridtools.formats.table import Block, decode, find_header, read_blocks
from gridtools.formats.times import NAT
from gridtools.units import METRES_PER_UNIT, parse_length

LENGTHS = ("depth", "length", "width", "height", "dug_to", "offset")
_TITLES = {
    "dig": "dig", "dig_id": "dig", "id": "dig", "name": "dig", "found": "found", "metal": "metal",
    "material": "material", "recheck": "recheck", "re-check": "recheck", "time": "time",
    "time_utc": "time", "note": "note", "remark": "note", "x": "x", "y": "y", "lon": "lon",
    "lat": "lat", "longitude": "lon", "latitude": "lat", "offset_deg": "offset_deg",
    "bearing_deg": "offset_deg", "dug_to": "dug_to",
    **{what: what for what in LENGTHS},
    **{f"{what}_{unit}": f"{what}_{unit}" for what in LENGTHS for unit in METRES_PER_UNIT},
}  # fmt: skip
_YES = {"yes": True, "y": True, "true": True, "1": True, "metal": True}
_NO = {"no": False, "n": False, "false": False, "0": False, "not metal": False, "no metal": False}
_NOTHING = ("nothing", "none", "no", "0", "-")
RECHECKS = {
    "": "", "quiet": "quiet", "silent": "quiet", "no response": "quiet", "nothing": "quiet",
    "responds": "responds", "response": "responds", "responded": "responds", "signal": "responds",
}  # fmt: skip
#: What a row without a find says: the hole and spoil of an earlier lift swept again.
RECHECK_ONLY = "re-check"


@dataclass(frozen=True, kw_only=True)
class RawOutcome:
    """One outcome as written; lengths in metres, NaN where unknown.

    Attributes
    ----------
    dig
        Name of the dig, or of its candidate; empty where the place tells it.
    found
        What it was; ``nothing``; or ``re-check`` where only that was made.
    metal
        Whether it was metal.
    lengths
        Metres by name: depth, length, width, height, dug_to, offset.
    material, recheck, note
        Texts; recheck is quiet, responds or empty.
    time
        Time in UTC, NaT if unknown.
    place, kind
        Two coordinates, and whether they are ``xy``, ``lonlat`` or ``gps``; None and empty if
        there are none.
    offset_deg
        Bearing of the taped offset.
    where
        File and row, for messages.
    """

    dig: str
    found: str
    metal: bool
    lengths: dict[str, float] = field(default_factory=dict)
    material: str = ""
    recheck: str = ""
    note: str = ""
    time: Any = NAT
    place: tuple[float, float] | None = None
    kind: str = ""
    offset_deg: float = float("nan")
    where: str = ""

    def metres(self, what: str) -> float:
        """Length by its name, NaN where it is not given."""
        return self.lengths.get(what, float("nan"))


def read_outcomes(
    data: bytes, name: str, *, tz: ZoneInfo | None = None
) -> tuple[list[RawOutcome], list[str]]:
    r"""Outcomes of a file, CSV or GPX as its content says, and what was not taken.

    Parameters
    ----------
    data
        Bytes of the file.
    name
        Name of the file, for messages.
    tz
        Zone of times that state none.

    Raises
    ------
    InputError
        If a row cannot be read; names it.

    Examples
    --------
    >>> rows, _ = read_outcomes(b"dig,found,metal,depth_ft\nD001,tank,yes,3.5\n", "out.csv")
    >>> rows[0].found, round(rows[0].metres("depth"), 4)
    ('tank', 1.0668)
    """
    if data.lstrip(b"\xef\xbb\xbf \t\r\n")[:1] == b"<":
        return _from_gpx(data, name)
    text = decode(data, name)
    header = find_header(text, name, _TITLES)
    has = set(header.columns)
    if "found" not in has or not ("dig" in has or any(has >= set(pair) for pair in _PLACES)):
        raise InputError(
            f"{name}: its header needs the columns dig (or a place) and found, as in "
            "dig,found,metal,depth_m,recheck,time"
        )
    rows = [row for block in read_blocks(text, name, header) for row in _from_block(block, tz)]
    unread = [f"{name}: columns not read: {', '.join(header.unread)}"] if header.unread else []
    return rows, unread


def _from_block(block: Block, tz: ZoneInfo | None) -> list[RawOutcome]:
    lengths = {what: _metres(block, what) for what in LENGTHS}
    times = block.times("time", tz)
    degrees = block.numbers("offset_deg")
    places = {pair: np.column_stack([block.numbers(n) for n in pair]) for pair in _PLACES}
    texts = {c: block.texts(c) for c in ("dig", "found", "metal", "material", "recheck", "note")}
    out = []
    for i in range(len(block)):
        where = f"{block.name}, row {block.lines[i]:,}"
        place, kind = None, ""
        for pair, columns in places.items():
            if np.isfinite(columns[i]).all():
                place, kind = (float(columns[i, 0]), float(columns[i, 1])), _PLACES[pair]
        if not texts["dig"][i] and place is None:
            raise InputError(f"{where}: name the dig, or give the place")
        found, recheck = texts["found"][i], _recheck(texts["recheck"][i], where)
        out.append(
            RawOutcome(
                dig=texts["dig"][i],
                **_find(found, texts["metal"][i], recheck, where),
                lengths={k: float(v[i]) for k, v in lengths.items()},
                material=texts["material"][i],
                recheck=recheck,
                note=texts["note"][i],
                time=times[i],
                place=place,
                kind=kind,
                offset_deg=float(degrees[i]),
                where=where,
            )
        )
    return out


_PLACES = {("x", "y"): "xy", ("lon", "lat"): "lonlat"}


def _metres(block: Block, what: str) -> Any:
    """Lengths (n,) of one kind, from a column with a unit in its title or beside its values."""
    columns = [c for c in block.cells if c == what or c.removeprefix(f"{what}_") in METRES_PER_UNIT]
    columns = [c for c in columns if c == what or c.startswith(f"{what}_")]
    if len(columns) > 1:
        raise InputError(f"{block.name}: the header has two columns for {what}: keep one")
    if not columns:
        return np.full(len(block), np.nan)
    if columns[0] != what:
        unit = columns[0].removeprefix(f"{what}_")
        values = block.numbers(columns[0]) * METRES_PER_UNIT[unit]
    else:
        texts = block.texts(what)
        if block.decimal_comma:
            texts[:] = [t.replace(",", ".") for t in texts]
        values = np.full(len(block), np.nan)
        for i, text in enumerate(texts):
            if text:
                where = f"{block.name}, row {block.lines[i]:,}, {what}"
                values[i] = _said(parse_length, text, where)
    block.fail("less than nothing", values < 0, columns[0])
    return values


def _find(found: str, metal: str, recheck: str, where: str) -> dict[str, Any]:
    """What was found, and whether it was metal, from two cells."""
    text, said = found.strip(), metal.strip().lower()
    if not text and not said and recheck:
        return {"found": RECHECK_ONLY, "metal": False}
    if text.lower() in _NOTHING:
        if said in _YES:
            raise InputError(f"{where}: nothing was found, and yet it was metal: correct one")
        return {"found": "nothing", "metal": False}
    if not text:
        raise InputError(f"{where}: write what was found, or nothing")
    known = _YES | _NO
    if said not in known:
        raise InputError(f"{where}: write yes or no in metal, for {text}")
    return {"found": "object" if text.lower() in _YES else text, "metal": known[said]}


def _recheck(text: str, where: str) -> str:
    word = RECHECKS.get(text.strip().lower())
    if word is None:
        raise InputError(f"{where}: recheck {quote(text)} is neither quiet nor responds")
    return word


def _said(read: Callable[[str], float], text: str, where: str) -> float:
    try:
        return read(text)
    except InputError as error:
        raise InputError(f"{where}: {error}") from error


_KEYS = ("found", "material", "recheck", "dug to", "depth", "length", "width", "height", "note")


def _from_gpx(data: bytes, name: str) -> tuple[list[RawOutcome], list[str]]:
    points = read_gpx(data, name).waypoints
    rows, other = [], []
    for i in range(len(points)):
        text = "; ".join(dict.fromkeys(t for t in (points.cmt[i], points.desc[i]) if t))
        row = _from_text(text, points.name[i], f"{name}, waypoint {points.name[i]}")
        if row is None:
            other.append(points.name[i] or "unnamed")
            continue
        lonlat = (float(points.lonlat[i, 0]), float(points.lonlat[i, 1]))
        rows.append(RawOutcome(**{**row, "time": points.time[i], "place": lonlat, "kind": "gps"}))
    return rows, [f"{name}: waypoints that say of no find: {', '.join(other)}"] if other else []


def _from_text(text: str, title: str, where: str) -> dict[str, Any] | None:
    """Outcome from the comment of a waypoint; None if it says nothing of a find."""
    said: dict[str, str] = {}
    metal, notes = "", []
    for part in (p.strip() for p in re.split(r"[;\n]|,(?!\d)", text)):
        word = part.lower()
        key = next((k for k in _KEYS if word.startswith(f"{k} ") or word.startswith(f"{k}:")), "")
        if word in _YES | _NO and word not in ("yes", "no", "1", "0"):
            metal = word
        elif word.startswith("metal"):
            metal = word.removeprefix("metal").strip(" :")
        elif word in _NOTHING[:2]:
            said["found"] = word
        elif key and key != "note":
            said[key] = part[len(key) :].strip(" :")
        elif part:
            notes.append(part[4:].strip(" :") if key else part)
    if not {"found", "recheck"} & set(said):
        return None
    recheck = _recheck(said.get("recheck", ""), where)
    lengths = {
        what: _said(parse_length, said[what.replace("_", " ")], f"{where}, {what}")
        for what in LENGTHS
        if what.replace("_", " ") in said
    }
    return {
        "dig": title.split()[0] if title.split() else "",
        **_find(said.get("found", ""), metal, recheck, where),
        "lengths": lengths,
        "material": said.get("material", ""),
        "recheck": recheck,
        "note": "; ".join(notes),
        "where": where,
    }
