"""What a log says that can hardly be: dates no clock can have shown, all places off the site."""

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.field.walk import Times
from gridtools.units import counted, format_length

#: GPS began in 1980; one slip of its 10-bit week number (1,024 weeks, IS-GPS-200) puts the walks
#: of today before 2010, two of them before 1990, and a clock that was never set says 1970 or 1980.
EARLIEST = np.datetime64("1990-01-01", "ms")
#: A clock set to local time, or to the next day's, is not worth a word.
_AHEAD = np.timedelta64(1, "D")


def clock_notices(time: Times, what: str, name: str, now: np.datetime64) -> tuple[str, ...]:
    """Notice of times before 1990, and of those more than a day after now.

    Parameters
    ----------
    time
        Times (n,) in UTC; NaT is passed over.
    what
        What they are the times of, for the notice.
    name
        Log that they come from, for the notice.
    now
        Time in UTC.

    Examples
    --------
    >>> clock_notices(
    ...     np.array(["1970-01-01T00:00:05", "2026-05-12T09:00"], dtype="datetime64[ms]"),
    ...     "fix",
    ...     "walk.gpx",
    ...     np.datetime64("2026-06-01", "ms"),
    ... )[0].split(":")[0]
    'walk.gpx'
    """
    notices = []
    for odd, when in (
        (time < EARLIEST, "before 1990"),
        (time > now + _AHEAD, "in the future"),
    ):
        if odd.any():
            first, last = time[odd].min(), time[odd].max()
            notices.append(
                f"{name}: {counted(int(odd.sum()), what)} dated {when} ({_said(first)} to "
                f"{_said(last)}) taken in: its clock was not set or a GPS week number was "
                "miscounted; checks and sessions stand under these dates"
            )
    return tuple(notices)


def outside_notices(
    geometry: NDArray[np.object_], what: str, name: str, site: Any
) -> tuple[str, ...]:
    """Notice if there are places and all of them are outside the site.

    Parameters
    ----------
    geometry
        Points (n,) in metres.
    what, name
        What they are, and the log that they come from, for the notice.
    site
        Geometry of the site in metres.

    Examples
    --------
    >>> outside_notices(shapely.points([[13, 0]]), "hit", "hits.csv", shapely.box(0, 0, 9, 9))
    ('hits.csv: 1 hit, none inside the site, the nearest 4.0 m from it: check CRS and unit',)
    """
    geometry = geometry[~shapely.is_empty(geometry)]
    shapely.prepare(site)
    if not len(geometry) or shapely.intersects(geometry, site).any():
        return ()
    nearest = float(shapely.distance(geometry, site).min())
    return (
        f"{name}: {counted(len(geometry), what)}, none inside the site, the nearest "
        f"{format_length(nearest, 1)} from it: check CRS and unit",
    )


def _said(time: np.datetime64) -> str:
    return f"{np.datetime_as_string(time, 's')}Z"
