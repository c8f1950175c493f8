"""GPX 1.1 out: waypoints, routes and tracks."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from xml.etree import ElementTree as ET

from gridtools.errors import InputError
from gridtools.formats.gpx import NAMESPACE


@dataclass(frozen=True, kw_only=True)
class GpxPoint:
    """A waypoint, or a point of a route; position in degrees, WGS 84."""

    name: str
    lon: float
    lat: float
    desc: str = ""
    type: str = ""


@dataclass(frozen=True, kw_only=True)
class GpxRoute:
    """A route: points in the order in which they are to be reached."""

    name: str
    points: tuple[GpxPoint, ...]
    desc: str = ""
    type: str = ""


@dataclass(frozen=True, kw_only=True)
class GpxTrack:
    """A track to be followed on the map; each segment is ((lon, lat), …) in degrees."""

    name: str
    segments: tuple[tuple[tuple[float, float], ...], ...]
    desc: str = ""
    type: str = ""


def write_gpx(
    *,
    waypoints: Sequence[GpxPoint] = (),
    routes: Sequence[GpxRoute] = (),
    tracks: Sequence[GpxTrack] = (),
    name: str = "",
    time: datetime | None = None,
) -> bytes:
    """Bytes of a GPX 1.1 document, positions to 8 decimals (about 1 mm).

    Parameters
    ----------
    waypoints, routes, tracks
        What to write, in this order.
    name
        Name of the document.
    time
        When it was made, with its zone; left out if not given, so that the same input gives the
        same bytes.

    Raises
    ------
    InputError
        If a position is not a longitude and latitude.

    Examples
    --------
    >>> write_gpx(waypoints=[GpxPoint(name="C001", lon=7.1, lat=51.2)]).decode().splitlines()[2]
    ' <wpt lat="51.20000000" lon="7.10000000">'
    """
    root = ET.Element("gpx", version="1.1", creator="gridtools", xmlns=NAMESPACE)
    if name or time:
        metadata = ET.SubElement(root, "metadata")
        _add_text(metadata, "name", name)
        _add_text(metadata, "time", time.isoformat() if time else "")
    for point in waypoints:
        _add_point(root, "wpt", point)
    for route in routes:
        element = _add_line(root, "rte", route)
        for point in route.points:
            _add_point(element, "rtept", point)
    for track in tracks:
        element = _add_line(root, "trk", track)
        for segment in track.segments:
            trkseg = ET.SubElement(element, "trkseg")
            for lon, lat in segment:
                _add_position(trkseg, "trkpt", lon, lat, track.name)
    ET.indent(root, " ")
    text: bytes = ET.tostring(root, encoding="UTF-8", xml_declaration=True)
    return text + b"\n"


def _add_line(parent: ET.Element, tag: str, line: GpxRoute | GpxTrack) -> ET.Element:
    element = ET.SubElement(parent, tag)
    for key in ("name", "desc", "type"):
        _add_text(element, key, getattr(line, key))
    return element


def _add_point(parent: ET.Element, tag: str, point: GpxPoint) -> None:
    element = _add_position(parent, tag, point.lon, point.lat, point.name)
    # Many units show the comment and drop the description, so both carry it.
    for key, value in (
        ("name", point.name),
        ("cmt", point.desc),
        ("desc", point.desc),
        ("type", point.type),
    ):
        _add_text(element, key, value)


def _add_position(parent: ET.Element, tag: str, lon: float, lat: float, what: str) -> ET.Element:
    if not (abs(lat) <= 90.0 and abs(lon) <= 180.0):
        raise InputError(f"{what}: {lon}, {lat} is not a longitude and latitude in degrees")
    # Adding 0.0 turns -0.0 into 0.0; the schema excludes 180 itself.
    east = round(lon, 8) + 0.0
    east = -180.0 if east == 180.0 else east
    return ET.SubElement(parent, tag, lat=f"{round(lat, 8) + 0.0:.8f}", lon=f"{east:.8f}")


def _add_text(parent: ET.Element, tag: str, text: str) -> None:
    if text:
        # Characters that XML 1.0 cannot hold (section 2.2 of the recommendation).
        legal = re.sub(r"[^\t\n\r\x20-\uD7FF\uE000-\uFFFD\U00010000-\U0010FFFF]", " ", text)
        ET.SubElement(parent, tag).text = legal
