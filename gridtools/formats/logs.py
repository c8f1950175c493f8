"""Logs in: GPX, CSV and walked-lanes notes, told apart by their content.

Positions come out in metres in the job's metric CRS, times in UTC. Which waypoints are hits, and
the rest of the rules, stand in docs/logs.md.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

from gridtools.errors import InputError
from gridtools.field.logs import RawLog
from gridtools.formats.columns import text_column
from gridtools.formats.csv import CsvLog, has_csv_header, read_csv
from gridtools.formats.gpx import GpxContent, read_gpx
from gridtools.formats.gpx_names import is_name_of
from gridtools.formats.lane_names import LaneNames
from gridtools.formats.table import decode
from gridtools.formats.tape_notes import read_tape_note
from gridtools.formats.times import Times
from gridtools.formats.waypoints import (
    HitFilter,
    Sent,
    hit_texts,
    sort_waypoints,
    stated_lane,
    waypoint_notices,
)
from gridtools.geodesy import WGS84, metric_twin, transform_xy, unit_factor
from gridtools.layers import Lanes
from gridtools.units import counted, listed

_FAR_M = 1000.0
_FAR_DEG = 10.0
# What begins a file of another kind: JSON, or control characters that no text has.
_OTHER = re.compile(rb"[{\[]|%PDF|(?s:.*)[\x01-\x08\x0e-\x19\x1c-\x1f]")


def read_logs(
    files: Sequence[tuple[str, bytes]],
    *,
    crs: pyproj.CRS,
    lanes: Lanes,
    tz: ZoneInfo | None = None,
    sent: Sent | None = None,
    hits: HitFilter | None = None,
    site: Any = None,
    walk_times: Times | None = None,
) -> tuple[RawLog, ...]:
    """Several logs of one walk, since units keep waypoints and tracks in files of their own.

    Parameters
    ----------
    files
        Name and bytes of each file.
    crs
        Job CRS, as it is: x and y columns are in its unit.
    lanes
        Lanes of the job, infill and recheck lanes included.
    tz
        Zone of times in CSV files and notes that state none.
    sent
        What may have been sent to the unit.
    hits
        Which waypoints are hits; automatic if not given.
    site
        Geometry of the site in the metric CRS; None if anywhere will do.
    walk_times
        Times of fixes that the job already holds: waypoints may belong to them.

    Returns
    -------
    tuple of RawLog
        One for each file.

    Raises
    ------
    InputError
        If a file cannot be read, or all its fixes are far from the site.
    """
    metric = metric_twin(crs)
    centre = None
    if site is not None:
        centre = transform_xy(shapely.get_coordinates(shapely.centroid(site)), metric, WGS84)
    job = _Job(
        crs=crs,
        metric=metric,
        lanes=lanes,
        names=LaneNames(lanes),
        tz=tz,
        sent=sent or Sent(name=np.empty(0, dtype=np.object_), xy=np.empty((0, 2))),
        hits=hits or HitFilter(),
        site=site,
        centre=centre,
    )
    parsed = [_parse(data, name, job) for name, data in files]
    walks = [_fix_times(p) for p in parsed] + ([] if walk_times is None else [walk_times])
    times = np.concatenate([np.empty(0, dtype="datetime64[ms]"), *walks])
    times = times[~np.isnat(times)]
    if not (times[1:] > times[:-1]).all():  # most logs are in order
        times = np.unique(times)
    logs = []
    for (name, _), content in zip(files, parsed, strict=True):
        if isinstance(content, GpxContent):
            log = _from_gpx(content, name, job, times)
        elif isinstance(content, CsvLog):
            log = _from_csv(content, name, job)
        else:
            log = content
        logs.append(log)
    return tuple(logs)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Job:
    crs: pyproj.CRS
    metric: pyproj.CRS
    lanes: Lanes
    names: LaneNames
    tz: ZoneInfo | None
    sent: Sent
    hits: HitFilter
    site: Any
    centre: NDArray[np.float64] | None


def _parse(data: bytes, name: str, job: _Job) -> GpxContent | CsvLog | RawLog:
    suffix = PurePath(name).suffix.lower()
    if not data or data.isspace():
        raise InputError(f"{name} is empty")
    # Byte order marks of UTF-8 and UTF-16 may stand before the first bracket.
    head = data[:4096].lstrip(b"\xef\xbb\xbf\xff\xfe\0 \t\r\n").replace(b"\0", b"")
    markup = head.startswith(b"<")
    if (markup and b"gpx" not in head.lower()) or _OTHER.match(head):
        raise InputError(
            f"{name} is not a log: expected GPX, CSV with a header, or a note of the lanes "
            "walked as plain text"
        )
    if suffix == ".gpx" or markup:
        return read_gpx(data, name)
    text = decode(data, name)
    if suffix in (".csv", ".tsv") or has_csv_header(text, name):
        return read_csv(data, name, tz=job.tz, as_hits=job.hits.mode == "all")
    return read_tape_note(text, name, job.lanes, tz=job.tz)


def _fix_times(content: GpxContent | CsvLog | RawLog) -> Times:
    if isinstance(content, RawLog) or (isinstance(content, CsvLog) and content.kind != "fixes"):
        return np.empty(0, dtype="datetime64[ms]")
    return content.time


def _project(lonlat: NDArray[np.float64], job: _Job) -> NDArray[np.float64]:
    """Positions (n, 2) in the metric CRS, NaN where unknown or far from the site.

    A projection is not defined everywhere, and units keep points from everywhere.
    """
    near = ~np.isnan(lonlat[:, 0])
    if job.centre is not None:
        east, north = (lonlat - job.centre).T
        near &= (np.abs((east + 180.0) % 360.0 - 180.0) <= _FAR_DEG) & (np.abs(north) <= _FAR_DEG)
    xy = np.full(lonlat.shape, np.nan)
    xy[near] = transform_xy(lonlat[near], WGS84, job.metric)
    return xy


def _check_near(xy: NDArray[np.float64], name: str, job: _Job, what: str = "fix") -> None:
    """Refuse a log of which no fix, or no hit, is near the site."""
    if job.site is None or not len(xy):
        return
    low, high = np.reshape(shapely.bounds(job.site), (2, 2))
    near = ((xy > low - _FAR_M) & (xy < high + _FAR_M)).all(axis=1)
    if not near.any():
        raise InputError(
            f"{name}: no {what} lies within {_FAR_M / 1000:.0f} km of the site; is it another "
            "walk, or are the coordinates swapped or in another CRS?"
        )


# --- CSV ------------------------------------------------------------------------------------


def _from_csv(log: CsvLog, name: str, job: _Job) -> RawLog:
    notices = [f"{name}: columns not read: {', '.join(log.unread)}"] if log.unread else []
    placed = ~np.isnan(log.position[:, 0])
    xy = np.full(log.position.shape, np.nan)
    if log.geographic:
        xy = _project(log.position, job)
    elif placed.any():
        xy[placed] = log.position[placed] * unit_factor(job.crs)
    far = placed & np.isnan(xy[:, 0])
    if log.kind == "fixes":
        _check_near(xy[placed], name, job)
        if not placed.all():
            notices.append(f"{name}: {counted((~placed).sum(), 'row')} without a position left out")
        notices += _far_notice(int(far.sum()), "row", name)
        kept = placed & ~far
        return RawLog(
            fix_xy=xy[kept],
            fix_time=log.time[kept],
            fix_track=_texts(int(kept.sum())),
            fix_segment=np.zeros(int(kept.sum()), dtype=np.int64),
            notices=tuple(notices),
        )
    if far.any():
        row = log.row[far][0]
        raise InputError(f"{name}: row {row:,}: the position is in another part of the world")
    _check_near(xy[placed], name, job, "hit")
    if log.kind == "tape":
        return _tape_rows(log, name, job, notices)
    if job.hits.mode == "none":
        return RawLog(
            notices=(*notices, f"{name}: {counted(len(log.time), 'hit')} not taken, as asked")
        )
    lane = log.lane.copy()
    chainage_m = log.chainage_m.copy()
    for i in np.flatnonzero(lane != ""):
        try:
            lane[i] = job.names.one(lane[i])
            chainage_m[i] = job.names.chainage(lane[i], chainage_m[i])
        except InputError as error:
            raise InputError(f"{name}: row {log.row[i]:,}: {error}") from error
    return RawLog(
        hit_xy=xy,
        hit_time=log.time,
        hit_part=log.part,
        hit_strength=log.strength,
        hit_note=log.note,
        hit_lane=lane,
        hit_chainage_m=chainage_m,
        hit_direction=log.direction,
        notices=tuple(notices),
    )


def _tape_rows(log: CsvLog, name: str, job: _Job, notices: list[str]) -> RawLog:
    """Tape runs; a blank chainage is the start or the finish of the lane."""
    lane = log.lane.copy()
    ends = np.column_stack([log.from_m, log.to_m])
    for i, text in enumerate(log.lane):
        place = f"{name}: row {log.row[i]:,}"
        try:
            lane[i] = job.names.one(text)
            for j, blank in enumerate((0.0, job.names.length_m[lane[i]])):
                given = ends[i, j]
                ends[i, j] = blank if np.isnan(given) else job.names.chainage(lane[i], given)
        except InputError as error:
            raise InputError(f"{place}: {error}") from error
        start, finish = ends[i]
        if start == finish:
            raise InputError(f"{place}: the stretch of lane {text} has no length")
        if log.direction[i] == "forward" and start > finish:
            raise InputError(f"{place}: from_m is beyond to_m, but the direction is forward")
        if log.direction[i] == "backward" and start < finish:
            ends[i] = finish, start
    return RawLog(
        tape_lane=lane,
        tape_from_m=ends[:, 0],
        tape_to_m=ends[:, 1],
        tape_time=log.time,
        notices=tuple(notices),
    )


def _far_notice(count: int, what: str, name: str) -> list[str]:
    if not count:
        return []
    return [f"{name}: {counted(count, what)} in another part of the world left out"]


# --- GPX ------------------------------------------------------------------------------------


def _from_gpx(content: GpxContent, name: str, job: _Job, walk_times: Times) -> RawLog:
    timed = ~np.isnat(content.time)
    notices = _untimed_tracks(content, timed, name, job)
    if content.no_zone:
        notices.append(
            f"{name}: {counted(content.no_zone, 'time')} without a zone taken as UTC, as GPX says"
        )
    if not len(content.lonlat) and not len(content.waypoints):
        raise InputError(f"{name} holds no track points and no waypoints: nothing to record")
    xy = _project(content.lonlat, job)
    _check_near(xy[timed], name, job)
    far = timed & np.isnan(xy[:, 0])
    notices += _far_notice(int(far.sum()), "track point", name)
    kept = timed & ~far
    points = content.waypoints
    points_xy = _project(points.lonlat, job)
    kind = sort_waypoints(
        points,
        points_xy,
        hits=job.hits,
        sent=job.sent,
        names=job.names,
        site=job.site,
        walk_times=walk_times,
    )
    hit = np.flatnonzero(kind == "hit")
    _check_near(points_xy[hit], name, job, "hit")
    mark = np.flatnonzero(kind == "lane")
    texts = [hit_texts(points, int(i)) for i in hit]
    return RawLog(
        fix_xy=xy[kept],
        fix_time=content.time[kept],
        fix_track=content.track[kept],
        fix_segment=content.segment[kept],
        hit_xy=points_xy[hit],
        hit_time=points.time[hit],
        hit_part=text_column([t[0] for t in texts]),
        hit_strength=np.array([t[1] for t in texts], dtype=np.float64),
        hit_note=text_column([t[2] for t in texts]),
        hit_lane=_texts(len(hit)),
        hit_chainage_m=np.full(len(hit), np.nan),
        hit_direction=_texts(len(hit)),
        mark_lane=text_column([stated_lane(points.name[i], job.names) for i in mark]),
        mark_time=points.time[mark],
        notices=tuple(notices + waypoint_notices(points, kind, name)),
    )


def _untimed_tracks(
    content: GpxContent, timed: NDArray[np.bool_], name: str, job: _Job
) -> list[str]:
    """What to say of track points without times: planned tracks that came back, or a fault."""
    if timed.all():
        return []
    names = sorted(set(content.track[~timed]))
    planned = [n for n in names if any(is_name_of(n, i) for i in job.names.length_m)]
    if not timed.any() and len(planned) < len(names):
        raise InputError(
            f"{name}: its tracks have no times; export the track as it was logged, not a saved or "
            "planned one, or write down the lanes walked as a note"
        )
    points = counted((~timed).sum(), "track point")
    return [f"{name}: {points} without times left out ({listed([n or 'unnamed' for n in names])})"]


def _texts(count: int) -> NDArray[np.object_]:
    return np.full(count, "", dtype=np.object_)
