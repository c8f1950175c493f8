"""GPX 1.1 and 1.0 (topografix.com/GPX) in: track points, waypoints, names of tracks and routes.

A document with a DOCTYPE is refused, since entities in it could grow without bound.
"""

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from gridtools.errors import InputError, quote
from gridtools.formats.columns import text_column
from gridtools.formats.gpx_blocks import STANDS_IN, PlainTexts, blocks
from gridtools.formats.times import Times, parse_times

NAMESPACE = "http://www.topografix.com/GPX/1/1"
_NAMESPACES = (NAMESPACE, "http://www.topografix.com/GPX/1/0", "")
_CHUNK = 1 << 20
_CONTAINERS = ("trk", "trkseg", "rte", "rtept", "wpt")
_SKIPPED = ("extensions", "link", "metadata")
_WAYPOINT_TEXTS = ("time", "name", "cmt", "desc", "sym", "type")
_OTHERS = (*_CONTAINERS, *_SKIPPED, *_WAYPOINT_TEXTS)
_ENOUGH_POINTS = 10_000


@dataclass(frozen=True, kw_only=True, eq=False)
class Waypoints:
    """Waypoints of a GPX file, column by column; unknown text is ``""``, unknown time NaT.

    Attributes
    ----------
    lonlat
        Longitude and latitude (n, 2) in degrees, WGS 84.
    time
        Times (n,) in UTC.
    name, cmt, desc, sym, type
        Texts (n,) as the file has them.
    """

    lonlat: NDArray[np.float64]
    time: Times
    name: NDArray[np.object_]
    cmt: NDArray[np.object_]
    desc: NDArray[np.object_]
    sym: NDArray[np.object_]
    type: NDArray[np.object_]

    def __len__(self) -> int:
        return len(self.name)


@dataclass(frozen=True, kw_only=True, eq=False)
class GpxContent:
    """What a GPX file holds.

    Attributes
    ----------
    lonlat
        Track points (n, 2): longitude and latitude in degrees, WGS 84.
    time
        Their times (n,) in UTC; NaT where the file gives none.
    track
        Name of the track (n,), ``""`` if it has none.
    segment
        Number of the track segment (n,), counted from 0 through the file.
    waypoints
        Waypoints.
    tracks, routes
        Names of all tracks and routes, in the order of the file.
    no_zone
        How many times state no zone; they are taken as UTC.
    """

    lonlat: NDArray[np.float64]
    time: Times
    track: NDArray[np.object_]
    segment: NDArray[np.int64]
    waypoints: Waypoints
    tracks: tuple[str, ...]
    routes: tuple[str, ...]
    no_zone: int = 0


def read_gpx(data: bytes, name: str) -> GpxContent:
    """Content of a GPX file.

    Parameters
    ----------
    data
        Bytes of the file.
    name
        Name of the file, for messages.

    Raises
    ------
    InputError
        If the bytes are not GPX, break off, or hold a position or time that cannot be.

    Examples
    --------
    >>> data = b'<gpx><wpt lat="51.2" lon="7.1"><name>C001</name></wpt></gpx>'
    >>> read_gpx(data, "walk.gpx").waypoints.lonlat.tolist()
    [[7.1, 51.2]]
    """
    return _Reader(data, name).read()


class _Reader:
    """One pass over a GPX file.

    Ends of elements are not listened to, which would double the calls for a long track: where an
    element belongs is told by the container opened last (``inside``), and a text is what has come
    between the start of its element and the next start, since only white space can follow it.

    Blocks of plain points come as one element that stands for them: see `gpx_blocks`.
    """

    def __init__(self, data: bytes, name: str) -> None:
        self.data = data
        self.name = name
        self.lat: list[str] = []
        self.lon: list[str] = []
        self.times: list[str] = []
        self.pieces: list[str] = []
        self.plain: PlainTexts = ([], [], [])
        self.finish: Callable[[], None] = lambda: None
        self.blocks: list[tuple[NDArray[np.float64], NDArray[np.float64], Times]] = []
        self.done = 0
        self.no_zone = 0
        self.tracks: list[str] = []
        self.routes: list[str] = []
        self.track_starts: list[int] = []
        self.segment_starts: list[int] = []
        self.waypoints: list[dict[str, str]] = []
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.buffer_text = True
        self.parser.StartDoctypeDeclHandler = self._doctype
        self.parser.StartElementHandler = self._root

    def read(self) -> GpxContent:
        if not self.data or self.data.isspace():
            raise InputError(f"{self.name} is empty")
        try:
            for block, plain in blocks(self.data, _CHUNK):
                self.plain = plain
                self.parser.Parse(block)
                if len(self.lat) > _ENOUGH_POINTS:
                    self._convert(keep=1)
        except (expat.ExpatError, LookupError, ValueError) as error:
            if isinstance(error, InputError):
                raise
            raise InputError(self._fault(error)) from error
        try:
            self.parser.Parse(b"", True)
        except expat.ExpatError as error:
            raise InputError(self._fault(error, at_end=True)) from error
        self.finish()
        self._convert(keep=0)
        return self._content()

    # --- handlers ---------------------------------------------------------------------------

    def _doctype(self, *_: object) -> None:
        raise InputError(
            f"{self.name}, line {self.parser.CurrentLineNumber:,}: has a DOCTYPE, which GPX "
            "does not need and gridtools does not read; remove it"
        )

    def _root(self, tag: str, _: dict[str, str]) -> None:
        space, local = _split(tag)
        if local != "gpx" or space not in _NAMESPACES:
            raise InputError(
                f"{self.name}, line {self.parser.CurrentLineNumber:,}: is not GPX 1.0 or 1.1 "
                f"(its first element is {local})"
            )
        self._listen(f"{space} " if space else "")

    def _listen(self, space: str) -> None:
        """Set the handlers for all that follows the root, their names bound for speed."""
        trkpt, time = f"{space}trkpt", f"{space}time"
        others = {f"{space}{tag}": tag for tag in _OTHERS}
        add_lat, add_lon, add_time = self.lat.append, self.lon.append, self.times.append
        pieces = self.pieces
        join = "".join
        inside = ""
        take: Callable[[str], None] | None = None
        take_time = partial(_set_last, self.times)

        def start(tag: str, attributes: dict[str, str]) -> None:
            nonlocal inside, take
            if take is not None:
                take(join(pieces))
                take = None
            if tag == trkpt and self.plain[0] and STANDS_IN in attributes:
                for texts, more in zip((self.lat, self.lon, self.times), self.plain, strict=True):
                    texts += more
                inside = trkpt
            elif tag == trkpt:
                add_lat(attributes.get("lat", ""))
                add_lon(attributes.get("lon", ""))
                add_time("")
                inside = trkpt
            elif inside == trkpt and tag == time:
                pieces.clear()
                take = take_time
            elif tag in others:
                take = self._other(others[tag], attributes, inside)
                if others[tag] in _CONTAINERS:
                    inside = others[tag]
                pieces.clear()

        self.finish = lambda: start("", {})  # takes the last text, if one is open
        self.parser.StartElementHandler = start
        self.parser.CharacterDataHandler = pieces.append

    def _other(
        self, tag: str, attributes: dict[str, str], inside: str
    ) -> Callable[[str], None] | None:
        """Take up any element but a track point; returns what is to be done with its text."""
        if tag in _SKIPPED:
            self._skip()
        elif tag == "trk":
            self.tracks.append("")
            self.track_starts.append(self._count())
        elif tag == "trkseg":
            self.segment_starts.append(self._count())
        elif tag == "rte":
            self.routes.append("")
        elif tag == "wpt":
            self.waypoints.append({**attributes, "line": str(self.parser.CurrentLineNumber)})
        elif inside == "wpt":
            waypoint = self.waypoints[-1]
            return lambda text: waypoint.__setitem__(tag, text.strip())
        elif tag == "name" and inside == "trk":
            return partial(_set_last, self.tracks)
        elif tag == "name" and inside == "rte":
            return partial(_set_last, self.routes)
        return None

    def _skip(self) -> None:
        """Pass over all that is inside the element that has just been opened."""
        parser = self.parser
        resume = parser.StartElementHandler
        depth = 1

        def deeper(*_: object) -> None:
            nonlocal depth
            depth += 1

        def back(_: str) -> None:
            nonlocal depth
            depth -= 1
            if not depth:
                parser.StartElementHandler = resume
                parser.EndElementHandler = None

        parser.StartElementHandler = deeper
        parser.EndElementHandler = back

    # --- from text to numbers ---------------------------------------------------------------

    def _count(self) -> int:
        return self.done + len(self.lat)

    def _convert(self, keep: int) -> None:
        """Turn collected texts into arrays; the last point may still lack its time."""
        count = len(self.lat) - keep
        if count <= 0:
            return
        lat, lon = (
            self._numbers(texts[:count], what)
            for texts, what in ((self.lat, "lat"), (self.lon, "lon"))
        )
        times, naive, bad = parse_times(self.times[:count])
        self.no_zone += int(naive.sum())
        if bad.any():
            k = int(np.flatnonzero(bad)[0])
            raise InputError(
                f"{self._place(self.done + k)}: {quote(self.times[k])} is not a time as in "
                "2026-06-01T09:30:15Z"
            )
        self.blocks.append((lat, lon, times))
        for texts in (self.lat, self.lon, self.times):
            del texts[:count]
        self.done += count

    def _numbers(self, texts: list[str], what: str) -> NDArray[np.float64]:
        limit = 90.0 if what == "lat" else 180.0
        try:
            values = np.fromiter(map(float, texts), np.float64, len(texts))
            plain = "_" not in "".join(texts)  # which Python takes inside numbers
        except ValueError:
            plain = False
        if plain:
            bad = ~(np.abs(values) <= limit)
        else:
            bad = np.array([not _is_within(text, limit) for text in texts])
        if bad.any():
            k = int(np.flatnonzero(bad)[0])
            raise InputError(_bad_position(self._place(self.done + k), texts[k], what, limit))
        return values

    def _place(self, point: int) -> str:
        """File and line of a track point, found by reading the file once more."""
        parser = expat.ParserCreate(namespace_separator=" ")
        seen = 0
        line = 0

        def start(tag: str, _: dict[str, str]) -> None:
            nonlocal seen, line
            if _split(tag)[1] == "trkpt":
                line = line or (parser.CurrentLineNumber if seen == point else 0)
                seen += 1

        parser.StartElementHandler = start
        with suppress(expat.ExpatError):  # the point stands before any fault
            parser.Parse(self.data, True)
        return f"{self.name}, line {line:,}"

    def _fault(self, error: Exception, at_end: bool = False) -> str:
        line = self.parser.CurrentLineNumber
        if self.parser.StartElementHandler == self._root:
            return f"{self.name} is not GPX: line {line:,} cannot be read as XML"
        if at_end:
            return f"{self.name}, line {line:,}: the file breaks off here; copy it again"
        return f"{self.name}, line {line:,}: not well-formed XML ({str(error).split(':')[0]})"

    def _content(self) -> GpxContent:
        blocks = self.blocks or [(np.empty(0), np.empty(0), np.empty(0, dtype="datetime64[ms]"))]
        lat, lon, time = (np.concatenate(part) for part in zip(*blocks, strict=True))
        names = np.array([*self.tracks, ""], dtype=np.object_)
        position = np.arange(len(lat))
        track = np.searchsorted(self.track_starts, position, side="right") - 1
        segment = np.searchsorted(self.segment_starts, position, side="right") - 1
        return GpxContent(
            lonlat=np.column_stack([lon, lat]),
            time=time,
            track=names[track],
            segment=segment.astype(np.int64),
            waypoints=self._waypoint_columns(),
            tracks=tuple(self.tracks),
            routes=tuple(self.routes),
            no_zone=self.no_zone,
        )

    def _waypoint_columns(self) -> Waypoints:
        texts = {
            key: text_column([w.get(key, "") for w in self.waypoints]) for key in _WAYPOINT_TEXTS
        }
        lonlat = np.empty((len(self.waypoints), 2))
        for i, waypoint in enumerate(self.waypoints):
            for axis, (what, limit) in enumerate((("lon", 180.0), ("lat", 90.0))):
                text = waypoint.get(what, "")
                if not _is_within(text, limit):
                    place = f"{self.name}, line {int(waypoint['line']):,}"
                    raise InputError(_bad_position(place, text, what, limit))
                lonlat[i, axis] = float(text)
        time, naive, bad = parse_times(texts.pop("time").tolist())
        self.no_zone += int(naive.sum())
        if bad.any():
            waypoint = self.waypoints[int(np.flatnonzero(bad)[0])]
            raise InputError(
                f"{self.name}, line {int(waypoint['line']):,}: {quote(waypoint['time'])} is not a "
                "time as in 2026-06-01T09:30:15Z"
            )
        return Waypoints(lonlat=lonlat, time=time, **texts)


def _set_last(texts: list[str], text: str) -> None:
    texts[-1] = text.strip()


def _split(tag: str) -> tuple[str, str]:
    """Namespace and local name of a tag."""
    space, _, local = tag.rpartition(" ")
    return space, local


def _is_within(text: str, limit: float) -> bool:
    try:
        return "_" not in text and abs(float(text)) <= limit
    except ValueError:
        return False


def _bad_position(place: str, text: str, what: str, limit: float) -> str:
    if not text:
        return f"{place}: the point has no {what}"
    return f"{place}: {what} {quote(text)} is not a number from -{limit:.0f} to {limit:.0f}"
