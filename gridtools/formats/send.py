"""Lanes and points of a job as GPX for a GPS unit, in walking order.

Why routes, tracks or waypoints, and what units do with them, stands in docs/gps.md.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

from gridtools.errors import InputError
from gridtools.formats.gpx_names import OWN_TYPE, shorten_names
from gridtools.formats.gpx_out import GpxPoint, GpxRoute, GpxTrack, write_gpx
from gridtools.geodesy import WGS84, transform_xy
from gridtools.handover.dig_cautions import checked_text
from gridtools.layers import Digs, Lanes
from gridtools.units import counted

As = Literal["routes", "tracks", "waypoints"]
#: What every GPX file of ours begins with, and no log of a GPS unit does.
GPX_MARK = b'creator="gridtools"'
_SMALL_UNIT_ROUTES = 50


@dataclass(frozen=True, kw_only=True)
class GpxFile:
    """A GPX document to be written to a file.

    Attributes
    ----------
    data
        Its bytes.
    routes, tracks, waypoints
        How many it holds.
    notices
        What the user should know: names shortened, routes split, many routes.
    """

    data: bytes
    routes: int = 0
    tracks: int = 0
    waypoints: int = 0
    notices: tuple[str, ...] = ()


def send_lanes(
    lanes: Lanes,
    *,
    crs: pyproj.CRS,
    as_: As = "routes",
    join: bool = False,
    max_points: int | None = None,
    max_name: int | None = None,
    title: str = "",
    time: datetime | None = None,
) -> GpxFile:
    """Lanes as GPX, in walking order.

    Parameters
    ----------
    lanes
        Lanes, infill lanes or recheck lanes, in the metric CRS.
    crs
        The metric CRS.
    as_
        ``routes`` or ``tracks`` (one for each lane) or ``waypoints`` (one for each lane end).
    join
        One route through the ends of all lanes, or one track with a segment for each lane.
    max_points
        Greatest number of points in a route or track: longer ones are split between lanes.
    max_name
        Greatest length of a name; longer ones are shortened and stay unique.
    title
        Name of the document.
    time
        When it was made; left out if not given.

    Raises
    ------
    InputError
        If there are no lanes, or a limit leaves no room for a lane.

    Examples
    --------
    >>> lane = shapely.LineString([(500_000, 5_600_000), (500_000, 5_600_050)])
    >>> lanes = Lanes.build(geometry=[lane], lane_id=["1-001"], start_peg="1-001s")
    >>> send_lanes(lanes, crs=pyproj.CRS(32632)).routes
    1
    """
    if not len(lanes):
        raise InputError(f"there are no lanes to walk in layer {lanes.table}")
    if max_points is not None and max_points < 2:
        raise InputError("a lane has two points: allow at least 2 points in a route")
    lanes = lanes.take(np.argsort(lanes.seq, kind="stable"))
    ends = _lane_ends(lanes, crs, max_name)
    notices = list(ends.notices)
    if as_ == "waypoints":
        points = [point for pair in ends.points for point in pair]
        return GpxFile(
            data=write_gpx(waypoints=points, name=title, time=time),
            waypoints=len(points),
            notices=tuple(notices),
        )
    groups = _groups(len(lanes), join, max_points)
    ids = [str(i) for i in lanes.lane_id]
    if join:
        long_names = [f"{ids[g[0]]} to {ids[g[-1]]}" if len(g) > 1 else ids[g[0]] for g in groups]
        descs = [f"{counted(len(g), 'lane')} in walking order" for g in groups]
        if len(groups) > 1:
            notices.append(f"split into {len(groups)} {as_} of at most {max_points} points")
    else:
        long_names = ids
        descs = ends.descs
        if len(groups) > _SMALL_UNIT_ROUTES:
            notices.append(
                f"{len(groups):,} {as_}: if the unit holds fewer, join the lanes or send one pass "
                "at a time"
            )
    names = shorten_names(long_names, max_name)
    notices += _name_notices(long_names, names, max_name)
    kind = f"{OWN_TYPE}{lanes.table}"
    if as_ == "routes":
        routes = [
            GpxRoute(
                name=name,
                desc=desc,
                type=kind,
                points=tuple(point for lane in group for point in ends.points[lane]),
            )
            for name, desc, group in zip(names, descs, groups, strict=True)
        ]
        data = write_gpx(routes=routes, name=title, time=time)
        return GpxFile(data=data, routes=len(routes), notices=tuple(notices))
    tracks = [
        GpxTrack(
            name=name,
            desc=desc,
            type=kind,
            segments=tuple(tuple((p.lon, p.lat) for p in ends.points[lane]) for lane in group),
        )
        for name, desc, group in zip(names, descs, groups, strict=True)
    ]
    data = write_gpx(tracks=tracks, name=title, time=time)
    return GpxFile(data=data, tracks=len(tracks), notices=tuple(notices))


def send_points(
    names: Sequence[str],
    xy: NDArray[np.float64],
    *,
    crs: pyproj.CRS,
    kind: str,
    descs: Sequence[str] | None = None,
    max_name: int | None = None,
    title: str = "",
    time: datetime | None = None,
) -> GpxFile:
    """Points, such as pegs, candidates or digs, as GPX waypoints.

    Parameters
    ----------
    names, descs
        Name and description of each (n,).
    xy
        Positions (n, 2) in the metric CRS.
    crs
        The metric CRS.
    kind
        What they are, in one word, for the type of the waypoints.
    max_name, title, time
        As for `send_lanes`.

    Raises
    ------
    InputError
        If there are no points.
    """
    if not len(names):
        raise InputError(f"there are no {kind} to send")
    short = shorten_names(names, max_name)
    lonlat = transform_xy(xy, crs, WGS84)
    points = [
        GpxPoint(name=name, lon=float(lon), lat=float(lat), desc=desc, type=f"{OWN_TYPE}{kind}")
        for name, desc, (lon, lat) in zip(
            short, descs or [""] * len(names), lonlat.tolist(), strict=True
        )
    ]
    return GpxFile(
        data=write_gpx(waypoints=points, name=title, time=time),
        waypoints=len(points),
        notices=tuple(_name_notices(names, short, max_name)),
    )


def digs_to_send(digs: Digs, *, everything: bool = False, checked_on: str = "") -> Digs:
    """Digs that are ready; or all, those that are not with the reason in their name.

    Parameters
    ----------
    digs
        Digs of the job.
    everything
        Whether to send those that are not ready too.
    checked_on
        Day for which permits were checked, ISO 8601, added to the remark.
    """
    status = [s.strip().lower() for s in digs.status]
    why = [
        s.upper()
        if s in ("dug", "dropped", "gone")
        else "HOLD"
        if hold
        else ""
        if picked
        else "NOT PICKED"
        for s, hold, picked in zip(status, digs.hold, digs.picked, strict=True)
    ]
    checked = checked_text(checked_on)
    named = digs.with_columns(
        dig_id=[f"{dig} {word}".strip() for dig, word in zip(digs.dig_id, why, strict=True)],
        note=["; ".join(words for words in (note, checked) if words) for note in digs.note],
    )
    return named if everything else named.take([not word for word in why])


@dataclass(frozen=True)
class _Ends:
    points: list[tuple[GpxPoint, GpxPoint]]
    descs: list[str]
    notices: list[str]


def _lane_ends(lanes: Lanes, crs: pyproj.CRS, max_name: int | None) -> _Ends:
    """Start and finish of each lane as named points."""
    count = len(lanes)
    first = shapely.get_coordinates(shapely.get_point(lanes.geometry, 0))
    last = shapely.get_coordinates(shapely.get_point(lanes.geometry, -1))
    lonlat = transform_xy(np.concatenate([first, last]), crs, WGS84).tolist()
    pegs = [
        *(peg or f"{lane}s" for peg, lane in zip(lanes.start_peg, lanes.lane_id, strict=True)),
        *(peg or f"{lane}f" for peg, lane in zip(lanes.finish_peg, lanes.lane_id, strict=True)),
    ]
    names = shorten_names(pegs, max_name)
    descs = [_lane_desc(lanes, i) for i in range(count)]
    kind = f"{OWN_TYPE}lane end"
    points = [
        (
            GpxPoint(
                name=names[i], lon=lonlat[i][0], lat=lonlat[i][1],
                desc=f"start of {descs[i]}", type=kind,
            ),
            GpxPoint(
                name=names[count + i], lon=lonlat[count + i][0], lat=lonlat[count + i][1],
                desc=f"finish of {lanes.lane_id[i]}", type=kind,
            ),
        )
        for i in range(count)
    ]  # fmt: skip
    return _Ends(points, descs, _name_notices(pegs, names, max_name))


def _lane_desc(lanes: Lanes, i: int) -> str:
    """Lane in words: place in the walking order, length, bearings as far as they are known."""
    parts = [f"{lanes.lane_id[i]}, lane {lanes.seq[i]}", f"{lanes.length_m[i]:.1f} m"]
    for north in ("grid", "true", "magnetic"):
        column = lanes.bearing_deg if north == "grid" else getattr(lanes, f"{north}_bearing_deg")
        if not np.isnan(column[i]):
            # A compass is read in whole degrees, 000 to 359.
            parts.append(f"{round(float(column[i])) % 360:03d} {north}")
    return ", ".join(parts)


def _groups(count: int, join: bool, max_points: int | None) -> list[list[int]]:
    """Which lanes go into each route or track: a lane is never broken."""
    size = 1
    if join:
        size = count if max_points is None else max_points // 2
    return [list(range(i, min(i + size, count))) for i in range(0, count, size)]


def _name_notices(names: Sequence[str], short: Sequence[str], max_name: int | None) -> list[str]:
    changed = [(a, b) for a, b in zip(names, short, strict=True) if a != b]
    if not changed:
        return []
    long, cut = changed[0]
    many = counted(len(changed), "name")
    return [f"{many} shortened to {max_name} characters, such as {long} to {cut}"]
