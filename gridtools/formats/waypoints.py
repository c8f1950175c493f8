"""Which waypoints of a log are hits, which state a lane, and which were sent to the unit."""

import re
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Any, Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.errors import InputError, quote
from gridtools.formats.gpx import Waypoints
from gridtools.formats.gpx_names import OWN_TYPE, is_name_of
from gridtools.formats.lane_names import LANE, LaneNames
from gridtools.formats.times import Times
from gridtools.units import counted, listed

# A waypoint is logged during a walk if a fix lies this near in time, or if it lies between two
# fixes of which units that record movement only leave this much apart when the walker stands.
_NEAR_FIX = np.timedelta64(60, "s")
_STAND = np.timedelta64(10, "m")
# A hit on the boundary may be logged a little outside it.
_OUTSIDE_M = 5.0
_SENT_M = 1.0
_PARTS = ("start", "peak", "end")


@dataclass(frozen=True, kw_only=True, eq=False)
class Sent:
    """Points that may have been sent to a unit, and come back from it.

    Attributes
    ----------
    name
        Their names (n,): pegs, lane ends, candidates, digs.
    xy
        Their positions (n, 2) in metres in the job's metric CRS.
    """

    name: NDArray[np.object_]
    xy: NDArray[np.float64]


@dataclass(frozen=True)
class HitFilter:
    """Which waypoints are hits.

    Attributes
    ----------
    mode
        ``auto`` (during a walk and inside the site), ``all``, ``none``, or the field to compare.
    pattern
        What the field must be, with ``*`` and ``?``, whatever the case.
    """

    mode: Literal["auto", "all", "none", "name", "type", "sym"] = "auto"
    pattern: str = ""


def parse_hit_filter(text: str) -> HitFilter:
    """Hit filter as a person writes it.

    Raises
    ------
    InputError
        If it is neither auto, all, none nor a field with a pattern.

    Examples
    --------
    >>> parse_hit_filter("name=hit*")
    HitFilter(mode='name', pattern='hit*')
    """
    mode, _, pattern = text.strip().partition("=")
    mode = mode.strip().lower()
    if (mode in ("auto", "all", "none") and "=" not in text) or (
        mode in ("name", "type", "sym") and pattern.strip()
    ):
        return HitFilter(mode, pattern.strip())  # type: ignore[arg-type]
    raise InputError(
        f"{quote(text)} does not say which waypoints are hits: write auto, all, none or name=hit*"
    )


def sort_waypoints(
    points: Waypoints,
    xy: NDArray[np.float64],
    *,
    hits: HitFilter,
    sent: Sent,
    names: LaneNames,
    site: Any,
    walk_times: Times,
) -> NDArray[np.object_]:
    """What each waypoint (n,) is: ``hit``, ``lane``, ``sent``, or why it is not taken.

    Parameters
    ----------
    points
        Waypoints.
    xy
        Their positions (n, 2) in metres in the job's metric CRS, NaN far from it.
    hits
        Which are hits.
    sent
        What may have been sent to the unit.
    names
        Lanes of the job.
    site
        Geometry of the site in the metric CRS; None if anywhere will do.
    walk_times
        Sorted times of fixes.
    """
    out = np.full(len(points), "hit", dtype=np.object_)
    timed = ~np.isnat(points.time)
    placed = ~np.isnan(xy[:, 0])
    if hits.mode == "auto":
        if site is not None:
            inside = np.zeros(len(points), dtype=np.bool_)
            inside[placed] = shapely.dwithin(site, shapely.points(xy[placed]), _OUTSIDE_M)
            out[~inside] = "outside the site"
        out[~_is_during(points.time, walk_times)] = "not during a walk"
        out[~timed] = "no time"
    elif hits.mode == "none":
        out[:] = "as asked"
    elif hits.mode != "all":
        pattern = hits.pattern.lower()
        field = getattr(points, hits.mode)
        out[[not fnmatchcase(text.lower(), pattern) for text in field]] = "as asked"
    out[~placed] = "in another part of the world"
    stated = np.array([stated_lane(n, names) != "" for n in points.name], dtype=np.bool_)
    out[stated & timed] = "lane"
    out[_is_sent(points, xy, sent)] = "sent"
    return out


def _is_during(times: Times, walk_times: Times) -> NDArray[np.bool_]:
    """Whether times (n,) fall within a walk, of which sorted times of fixes are given."""
    if not len(walk_times):
        return np.zeros(len(times), dtype=np.bool_)
    after = np.searchsorted(walk_times, times)
    before = np.clip(after - 1, 0, len(walk_times) - 1)
    after = np.clip(after, 0, len(walk_times) - 1)
    since = np.abs(times - walk_times[before])
    until = np.abs(walk_times[after] - times)
    standing = (
        (walk_times[before] <= times) & (times <= walk_times[after]) & (since + until <= _STAND)
    )
    during: NDArray[np.bool_] = (since <= _NEAR_FIX) | (until <= _NEAR_FIX) | standing
    return during


def _is_sent(points: Waypoints, xy: NDArray[np.float64], sent: Sent) -> NDArray[np.bool_]:
    out = np.array([t.startswith(OWN_TYPE) for t in points.type], dtype=np.bool_)
    if len(sent.name):
        tree = shapely.STRtree(np.asarray(shapely.points(sent.xy)))
        placed = np.flatnonzero(~np.isnan(xy[:, 0]))
        pairs = tree.query(shapely.points(xy[placed]), predicate="dwithin", distance=_SENT_M)
        for i, j in zip(placed[pairs[0]], pairs[1], strict=True):
            out[i] |= is_name_of(points.name[i], sent.name[j])
    return out


def stated_lane(name: str, names: LaneNames) -> str:
    """Lane that a waypoint states by its name, such as 1-003 or lane 1-003; else empty."""
    match = re.fullmatch(rf"(?:lane)?\s*({LANE})", name.strip(), re.IGNORECASE)
    if match is None:
        return ""
    try:
        return names.one(match[1])
    except InputError:
        return ""


def hit_texts(points: Waypoints, i: int) -> tuple[str, float, str]:
    """Part, strength and note of a hit from the texts of its waypoint."""
    name = points.name[i]
    word = re.sub(r"[\d\W_]|hit", "", name.lower())
    note = "; ".join(dict.fromkeys(t for t in (name, points.cmt[i], points.desc[i]) if t))
    strength = re.search(r"\bstrength\s*[:=]?\s*(\d+(?:\.\d+)?)", note, re.IGNORECASE)
    return word if word in _PARTS else "", float(strength[1]) if strength else np.nan, note


def waypoint_notices(points: Waypoints, kind: NDArray[np.object_], name: str) -> list[str]:
    """What to say of waypoints that are neither hits nor state a lane."""
    notices = []
    for reason in sorted(set(kind) - {"hit", "lane"}):
        names = [n or "unnamed" for n in points.name[kind == reason]]
        what = counted(len(names), "waypoint")
        if reason == "sent":
            notices.append(f"{name}: {what} sent to the unit came back: {listed(names)}")
        else:
            notices.append(f"{name}: {what} not taken, {reason}: {listed(names)}")
    return notices
