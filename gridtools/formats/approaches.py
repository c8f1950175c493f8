"""Approach points in: GPX waypoints by their names, or CSV told by its header.

The forms stand in docs/pinpoint-and-depth.md.
"""

import re
from dataclasses import dataclass
from pathlib import PurePath
from zoneinfo import ZoneInfo

import numpy as np
import pyproj
from numpy.typing import NDArray

from gridtools.errors import InputError, quote
from gridtools.formats.columns import text_column
from gridtools.formats.gpx import read_gpx
from gridtools.formats.gpx_names import OWN_TYPE
from gridtools.formats.table import Block, decode, find_header, read_blocks
from gridtools.formats.times import Times
from gridtools.geodesy import WGS84, metric_twin, transform_xy, unit_factor
from gridtools.units import METRES_PER_UNIT, counted, listed, parse_length

_COLUMNS = (
    "candidate_id", "kind", "heading_deg", "x", "y", "lon", "lat", "distance_m", "distance_ft",
    "start_distance_m", "start_distance_ft", "leading_coil", "accuracy_m", "time", "note",
)  # fmt: skip
_KNOWN = {
    **{name: name for name in _COLUMNS},
    "candidate": "candidate_id",
    "heading": "heading_deg",
    "distance": "distance_m",
    "start_distance": "start_distance_m",
    "easting": "x",
    "northing": "y",
    "longitude": "lon",
    "latitude": "lat",
    "remark": "note",
}
_KINDS = {"": "onset", "onset": "onset", "start": "onset"}
_KINDS |= dict.fromkeys(("centre", "center", "flag"), "centre")
_COILS = {"": "", "front": "front", "rear": "rear"}
_NAME = re.compile(
    r"(?:\b(C\d+)[\s_-]*)?\b(onset|start|centre|center|flag)(?![a-z])[\s_-]*"
    r"(\d{1,3}(?:\.\d+)?(?!\d*\s*(?:m|ft)\b))?",
    re.IGNORECASE,
)
_FROM = re.compile(r"\bfrom\s*(\d+(?:\.\d+)?\s*(?:m|ft))\b", re.IGNORECASE)
_COIL = re.compile(r"\b(front|rear)\b", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True, eq=False)
class RawApproaches:
    """Approach points as read; unknown text is ``""``, unknown numbers NaN, times NaT.

    Attributes
    ----------
    xy
        Places (n, 2) in metres in the job's metric CRS, NaN where only taped.
    candidate_id, kind, leading_coil, note, placed
        Texts (n,); placed is gps, survey or, without a place, tape.
    heading_deg, distance_m, start_distance_m, accuracy_m
        Numbers (n,).
    time
        Times (n,) in UTC.
    place
        Where in the file each stands (n,), for messages.
    notices
        What was not taken.
    """

    xy: NDArray[np.float64]
    candidate_id: NDArray[np.object_]
    kind: NDArray[np.object_]
    leading_coil: NDArray[np.object_]
    note: NDArray[np.object_]
    placed: NDArray[np.object_]
    heading_deg: NDArray[np.float64]
    distance_m: NDArray[np.float64]
    start_distance_m: NDArray[np.float64]
    accuracy_m: NDArray[np.float64]
    time: Times
    place: NDArray[np.object_]
    notices: tuple[str, ...]


def read_approaches(
    data: bytes, name: str, crs: pyproj.CRS, tz: ZoneInfo | None = None
) -> RawApproaches:
    """Approach points from a GPX or CSV file.

    Parameters
    ----------
    data, name
        Bytes of the file, and its name for messages.
    crs
        Job CRS: x and y are in its own unit.
    tz
        Zone of times that state none.

    Raises
    ------
    InputError
        If nothing in it is an approach point, or a value cannot be: names file and row.
    """
    if PurePath(name).suffix.lower() == ".gpx" or data.lstrip(b"\xef\xbb\xbf \r\n").startswith(
        b"<"
    ):
        return _from_gpx(data, name, crs)
    text = decode(data, name)
    header = find_header(text, name, _KNOWN)
    has = set(header.columns)
    if not has & {"heading_deg", "kind", "distance_m", "distance_ft"}:
        raise InputError(
            f"{name}: its header names neither kind nor heading_deg nor distance_m: it is no list "
            "of approaches"
        )
    parts = [_from_rows(block, name, crs, tz) for block in read_blocks(text, name, header)]
    notices = (f"{name}: columns not read: {', '.join(header.unread)}",) if header.unread else ()
    names = [f for f in RawApproaches.__dataclass_fields__ if f != "notices"]
    columns = {f: np.concatenate([getattr(part, f) for part in parts]) for f in names}
    return RawApproaches(notices=notices, **columns)


def _from_gpx(data: bytes, name: str, crs: pyproj.CRS) -> RawApproaches:
    points = read_gpx(data, name).waypoints
    columns = (points.name, points.cmt, points.desc)
    texts = [" ".join(filter(None, t)) for t in zip(*columns, strict=True)]
    found = [_NAME.search(text) for text in texts]
    own = np.array([t.startswith(OWN_TYPE) for t in points.type], dtype=np.bool_)
    taken = np.array([m is not None for m in found], dtype=np.bool_) & ~own
    if not taken.any():
        raise InputError(
            f"{name}: no waypoint is named as an approach, as in 'C001 onset 270' or 'C001 centre'"
        )
    notices = []
    if not taken.all():
        left = [n or "unnamed" for n in points.name[~taken]]
        what = counted(len(left), "waypoint")
        notices.append(f"{name}: {what} not taken, not named as an approach: {listed(left)}")
    rows = [(texts[i], m) for i, m in enumerate(found) if m is not None and taken[i]]
    heading = np.array([float(m[3]) if m[3] else np.nan for _, m in rows])
    starts = [_FROM.search(text) for text, _ in rows]
    coils = [_COIL.search(text) for text, _ in rows]
    count = len(rows)
    nothing = np.full(count, np.nan)
    raw = RawApproaches(
        xy=transform_xy(points.lonlat[taken], WGS84, metric_twin(crs)),
        candidate_id=text_column([(m[1] or "").upper() for _, m in rows]),
        kind=text_column([_KINDS[m[2].lower()] for _, m in rows]),
        leading_coil=text_column([c[1].lower() if c else "" for c in coils]),
        note=text_column([text for text, _ in rows]),
        placed=text_column(["gps"] * count),
        heading_deg=heading,
        distance_m=nothing,
        start_distance_m=np.array([parse_length(s[1]) if s else np.nan for s in starts]),
        accuracy_m=nothing.copy(),
        time=points.time[taken],
        place=text_column([f"{name}, waypoint {quote(n)}" for n in points.name[taken]]),
        notices=tuple(notices),
    )
    bad = np.flatnonzero(heading > 360.0)
    if len(bad):
        raise InputError(f"{raw.place[bad[0]]}: the heading is not from 0 to 360 degrees")
    return raw


def _metres(block: Block, what: str) -> NDArray[np.float64]:
    column = f"{what}_ft" if f"{what}_ft" in block.cells else f"{what}_m"
    values = block.numbers(column) * (METRES_PER_UNIT["ft"] if column.endswith("_ft") else 1.0)
    block.fail("not above 0", values <= 0.0, column)
    return values


def _from_rows(block: Block, name: str, crs: pyproj.CRS, tz: ZoneInfo | None) -> RawApproaches:
    kind = block.words("kind", _KINDS) if "kind" in block.cells else block.texts("kind")
    kind[kind == ""] = "onset"
    heading, distance = block.numbers("heading_deg"), _metres(block, "distance")
    block.fail("not from 0 to 360 degrees", (heading < 0.0) | (heading > 360.0), "heading_deg")
    accuracy = block.numbers("accuracy_m")
    block.fail("not above 0", accuracy <= 0.0, "accuracy_m")
    xy = np.full((len(block), 2), np.nan)
    placed = np.full(len(block), "tape", dtype=np.object_)
    if "lon" in block.cells:
        lonlat = np.column_stack([block.numbers("lon"), block.numbers("lat")])
        for axis, (column, limit) in enumerate((("lon", 180.0), ("lat", 90.0))):
            block.fail(f"beyond {limit:.0f} degrees", np.abs(lonlat[:, axis]) > limit, column)
        given = np.isfinite(lonlat).all(axis=1)
        xy[given] = transform_xy(lonlat[given], WGS84, metric_twin(crs))
        placed[given] = "gps"
    if "x" in block.cells:
        plane = np.column_stack([block.numbers("x"), block.numbers("y")]) * unit_factor(crs)
        given = np.isfinite(plane).all(axis=1)
        xy[given] = plane[given]
        placed[given] = "survey"
    candidate = text_column([c.upper() for c in block.texts("candidate_id")])
    bare = np.isnan(xy[:, 0])
    for wrong, what in (
        (bare & (kind == "centre"), "a centre needs a place"),
        (bare & np.isnan(distance), "neither a place nor a taped distance"),
        (bare & np.isnan(heading), "a taped distance needs the heading walked"),
        (bare & (candidate == ""), "a taped distance needs its candidate_id"),
    ):
        if wrong.any():
            row = block.lines[np.flatnonzero(wrong)[0]]
            raise InputError(f"{name}: row {row:,}: {what}")
    return RawApproaches(
        xy=xy,
        candidate_id=candidate,
        kind=kind,
        leading_coil=block.words("leading_coil", _COILS)
        if "leading_coil" in block.cells
        else block.texts("leading_coil"),
        note=block.texts("note"),
        placed=placed,
        heading_deg=heading,
        distance_m=distance,
        start_distance_m=_metres(block, "start_distance"),
        accuracy_m=accuracy,
        time=block.times("time", tz),
        place=text_column([f"{name}: row {line:,}" for line in block.lines]),
        notices=(),
    )
