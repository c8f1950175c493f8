"""A walk over planned lanes as a GPS unit would log it: a simulator, for the demo's inputs."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.random import RandomState
from numpy.typing import NDArray

from gridtools.demo import scenario
from gridtools.demo.responses import Responses, respond, stream
from gridtools.layers import Lanes
from gridtools.plan.detours import Detours
from gridtools.units import normalise_bearing, unit_vector

Real = NDArray[np.float64]

LANE_SPEED_MPS = 1.2
BETWEEN_SPEED_MPS = 1.0
HIT_STOP_S = 5.0
TURN_STOP_S = 2.0
DWELL_S = 50.0
#: Standard error of a fix and the time over which the error changes, each axis.
GPS_ERROR_M = 0.3
GPS_ERROR_S = 60.0
#: How far the walker strays from the lane, and the length of way over which that changes.
WANDER_M = 0.25
WANDER_LENGTH_M = 25.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Walk:
    """A walk as logged.

    Attributes
    ----------
    seconds
        Whole seconds (n,) since the start of each fix.
    xy
        Logged positions (n, 2) in the job CRS.
    hit
        Position (m,) among the fixes of the one at which each hit was logged.
    strength
        Strength (m,) of the hits, 1 to 9.
    cause
        What caused each hit (m,): for tests, no log holds it.
    """

    seconds: NDArray[np.int64]
    xy: Real
    hit: NDArray[np.int64]
    strength: NDArray[np.int64]
    cause: NDArray[np.object_]


def walk(lanes: Lanes, outing: scenario.Outing, no_go: shapely.Geometry) -> Walk:
    """Walk the lanes of one pass in their order, but for the one that the walker misses.

    Parameters
    ----------
    lanes
        Planned lanes of all passes, in the job CRS.
    outing
        What the walker does, gets wrong and when.
    no_go
        Ground not to be walked, gone round between lanes.
    """
    chosen = _as_walked(lanes, outing)
    wander = [
        _wander(length, stream(outing.seed, f"wander on {lane_id}"))
        for length, lane_id in zip(chosen.length_m.tolist(), chosen.lane_id, strict=True)
    ]
    responses = respond(chosen, np.array([w.mean() for w in wander]), outing.seed)
    way, pause, speed, hit_node = _way(chosen, outing, responses, wander, no_go)
    step = np.hypot(*np.diff(way, axis=0).T)
    leave = np.concatenate([[0.0], np.cumsum(step / speed[1:] + pause[1:])])
    arrive = leave - pause
    # Each node stands twice on the time axis, on arriving and on leaving.
    node_time = np.column_stack([arrive, leave]).ravel()
    node_xy = np.repeat(way, 2, axis=0)
    seconds = np.arange(int(node_time[-1]) + 1)
    true = np.column_stack([np.interp(seconds, node_time, node_xy[:, k]) for k in (0, 1)])
    error = np.column_stack(
        [_smooth_error(len(seconds), stream(outing.seed, axis)) for axis in ("east", "north")]
    )
    return Walk(
        seconds=seconds,
        xy=true + error,
        hit=np.ceil(arrive[hit_node]).astype(np.int64) + 1,
        strength=responses.strength,
        cause=responses.cause,
    )


def _as_walked(lanes: Lanes, outing: scenario.Outing) -> Lanes:
    """Lanes of the outing in order, each in the direction in which it is walked."""
    lanes = lanes.take(lanes.pass_no == outing.pass_no)
    lanes = lanes.take(np.argsort(lanes.seq, kind="stable"))
    missed = lanes.lane_id == outing.missed_lane
    ends = shapely.get_coordinates(shapely.get_point(lanes.geometry, [[0], [-1]])).reshape(2, -1, 2)
    turned = np.zeros(len(lanes), dtype=bool)
    at = ends[1, np.argmax(missed) - 1]
    for i in np.flatnonzero((np.cumsum(missed) > 0) & ~missed):
        away = np.hypot(*(ends[:, i] - at).T)
        turned[i] = away[1] < away[0]
        at = ends[0 if turned[i] else 1, i]
    return lanes.with_columns(
        geometry=np.where(turned, shapely.reverse(lanes.geometry), lanes.geometry),
        bearing_deg=normalise_bearing(lanes.bearing_deg + 180.0 * turned),
    ).take(~missed)


def _way(
    lanes: Lanes,
    outing: scenario.Outing,
    responses: Responses,
    wander: list[Real],
    no_go: shapely.Geometry,
) -> tuple[Real, Real, Real, NDArray[np.int64]]:
    """Nodes (k, 2) of the way, pause at each, speed on the way to each, and nodes of the hits."""
    start = shapely.get_coordinates(shapely.get_point(lanes.geometry, 0))
    along = unit_vector(lanes.bearing_deg)
    xy = [scenario.to_map((outing.gate,))]
    # Between planned ends: strayed, a walker may stand within ground not to be walked.
    origin = xy[0][0]
    finish = start + lanes.length_m[:, None] * along
    behind = np.concatenate([xy[0], finish])[:-1]
    between = Detours(no_go, origin).ways(behind - origin, start - origin)
    pause = [np.zeros(1)]
    speed = [np.full(1, BETWEEN_SPEED_MPS)]
    hit_node = []
    count = 1
    for i, length in enumerate(lanes.length_m.tolist()):
        way = between[i]
        round_about = np.empty((0, 2)) if way is None else way[1:-1] + origin
        logged = responses.chainage_m[responses.lane == i]
        dwell = [outing.dwell_at_m] if lanes.lane_id[i] == outing.dwell_lane else []
        chainage = np.unique(np.concatenate([np.arange(0.0, length), [length], logged, dwell]))
        aside = np.interp(chainage, np.arange(len(wander[i])), wander[i])
        right = np.array([along[i, 1], -along[i, 0]])
        on_lane = start[i] + chainage[:, None] * along[i] + aside[:, None] * right
        stop = np.where(np.isin(chainage, logged), HIT_STOP_S, 0.0)
        stop[np.isin(chainage, dwell)] = DWELL_S
        stop[-1] += TURN_STOP_S
        xy += [round_about, on_lane]
        pause += [np.zeros(len(round_about)), stop]
        speed += [
            np.full(len(round_about) + 1, BETWEEN_SPEED_MPS),
            np.full(len(on_lane) - 1, LANE_SPEED_MPS),
        ]
        hit_node += (count + len(round_about) + np.searchsorted(chainage, logged)).tolist()
        count += len(round_about) + len(on_lane)
    nodes = np.array(hit_node, dtype=np.int64)
    return np.concatenate(xy), np.concatenate(pause), np.concatenate(speed), nodes


def _wander(length_m: float, random: RandomState) -> Real:
    """Distance right of the lane at each metre of it."""
    return _autoregressive(int(length_m) + 2, WANDER_M, WANDER_LENGTH_M, random)


def _smooth_error(count: int, random: RandomState) -> Real:
    return _autoregressive(count, GPS_ERROR_M, GPS_ERROR_S, random)


def _autoregressive(count: int, sd: float, length: float, random: RandomState) -> Real:
    """First-order autoregressive series of unit steps, in its steady state."""
    keep = np.exp(-1.0 / length)
    noise = random.standard_normal(count) * sd
    noise[1:] *= np.sqrt(1.0 - keep**2)
    out = np.empty(count)
    total = 0.0
    for i, step in enumerate(noise.tolist()):
        total = keep * total + step
        out[i] = total
    return out
