"""Logs of a walk along planned lanes, for tests of the commands."""

from datetime import UTC, datetime, timedelta

import numpy as np
import shapely

from gridtools.geodesy import WGS84, transform_xy
from gridtools.job import Job
from gridtools.layers import Lanes

START = datetime(2026, 5, 12, 9, 0, tzinfo=UTC)
SPEED_MPS = 1.2


def lanes_of(job, layer=Lanes):
    with Job.open(job) as opened:
        return opened.read(layer), opened.metric_crs


def walk_gpx(lanes, crs, *, skip=(), hits=(), start=START, times=True):
    """GPX of one fix a second along each lane in walking order, without error or dead walking.

    Hits are (lane_id, chainage) pairs, logged as waypoints at the moment of passing.
    """
    when, points, waypoints = start, [], []
    for i in np.argsort(lanes.seq):
        line = lanes.geometry[i]
        if lanes.lane_id[i] in skip:
            continue
        steps = np.arange(0.0, line.length, SPEED_MPS)
        for chainage in (c for lane, c in hits if lane == lanes.lane_id[i]):
            at = shapely.get_coordinates(line.interpolate(chainage))[0]
            waypoints.append((at, when + timedelta(seconds=chainage / SPEED_MPS)))
        for xy in shapely.get_coordinates(shapely.line_interpolate_point(line, steps)):
            points.append((xy, when))
            when += timedelta(seconds=1)
        when += timedelta(seconds=9)  # the turn, not logged: a break in the fixes
    lonlat = transform_xy([xy for xy, _ in [*points, *waypoints]], crs, WGS84)
    rows = [
        (lon, lat, time)
        for (lon, lat), (_, time) in zip(lonlat, [*points, *waypoints], strict=True)
    ]

    def element(tag, row):
        stamp = f"<time>{row[2]:%Y-%m-%dT%H:%M:%S.%f}Z</time>" if times else ""
        return f'<{tag} lat="{row[1]:.9f}" lon="{row[0]:.9f}">{stamp}</{tag}>'

    track = "".join(element("trkpt", row) for row in rows[: len(points)])
    marks = "".join(element("wpt", row) for row in rows[len(points) :])
    return (
        '<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">'
        f"{marks}<trk><trkseg>{track}</trkseg></trk></gpx>"
    )
