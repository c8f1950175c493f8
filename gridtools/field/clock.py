"""Dates that a unit's clock cannot have shown."""

import numpy as np

from gridtools.field.walk import Times
from gridtools.units import counted

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


def _said(time: np.datetime64) -> str:
    return f"{np.datetime_as_string(time, 's')}Z"
