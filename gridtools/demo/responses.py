"""Where the instrument responds on a walk over Sallow Yard: a simulator, for the demo's inputs.

The laws and rates are invented to be plausible, not measured. Random numbers come from
``numpy.random.RandomState``, whose streams numpy promises never to change, and each lane has a
stream of its own, so that what happens on it does not depend on the order of the lanes.
"""

import zlib
from dataclasses import dataclass
from typing import Self

import numpy as np
import shapely
from numpy.random import RandomState
from numpy.typing import NDArray

from gridtools.demo import scenario
from gridtools.layers import Lanes
from gridtools.units import bearing_difference, unit_vector

Real = NDArray[np.float64]

CHANCE_ABOVE_METAL = 0.97
#: A piece of metal does not respond beyond this many half-reaches.
CUT_OFF = 1.5
CHANCE_WITH_CHANGE = 0.75
CHANCE_AGAINST_CHANGE = 0.08
#: Within this of the heading that responds, a crossing counts as in the same sense.
CHANGE_SENSE_DEG = 70.0
CHANCE_NEAR_INTERFERENCE = 0.1
DRIFT_EVERY_M = 500.0
#: The walker logs a response once it has passed: this much late, with this standard deviation.
LATE_M = 0.9
LATE_SD_M = 0.4
#: Responses nearer together than this on one lane are logged once.
ONE_RESPONSE_M = 3.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Responses:
    """Logged responses (m,) of the lanes walked, in the order of the walk.

    Attributes
    ----------
    lane
        Position of the lane in the lanes walked.
    chainage_m
        Where it was logged, from the start of the lane.
    strength
        On the instrument's scale of 1 to 9.
    cause
        What caused it: for tests, no log holds it.
    """

    lane: NDArray[np.int64]
    chainage_m: Real
    strength: NDArray[np.int64]
    cause: NDArray[np.object_]


def respond(lanes: Lanes, wander_m: Real, seed: int) -> Responses:
    """Responses logged while walking each lane from start to finish.

    Parameters
    ----------
    lanes
        Lanes (n,) in the order walked, in the job CRS.
    wander_m
        How far right of the lane the walker was on average (n,).
    seed
        Seed of the outing.
    """
    dice = _Dice.of(lanes, seed)
    start = shapely.get_coordinates(shapely.get_point(lanes.geometry, 0))
    along = unit_vector(lanes.bearing_deg)
    right = np.column_stack([along[:, 1], -along[:, 0]])
    walked = _lines(start + right * wander_m[:, None], along, lanes.length_m)
    found = [
        *_over_metal(walked, dice),
        *_over_changes(walked, lanes, dice),
        *_by_interference(walked, dice),
        _by_drift(lanes, dice),
    ]
    lane, logged, strength, cause = (np.concatenate(c) for c in zip(*found, strict=True))
    logged = np.clip(logged, 0.5, lanes.length_m[lane] - 0.2)
    order = np.lexsort([logged, lane])
    lane, logged = lane[order], logged[order]
    fresh = np.ones(len(lane), dtype=bool)
    for i in range(1, len(lane)):
        before = np.flatnonzero(fresh[:i])[-1]
        near = logged[i] - logged[before] < ONE_RESPONSE_M
        fresh[i] = not (lane[i] == lane[before] and near)
    return Responses(
        lane=lane[fresh],
        chainage_m=logged[fresh],
        strength=strength[order][fresh].astype(np.int64),
        cause=cause[order][fresh],
    )


class _Dice:
    """Chance, for one source after another: a row of numbers for each lane."""

    def __init__(self, streams: list[RandomState]) -> None:
        self.streams = streams

    @classmethod
    def of(cls, lanes: Lanes, seed: int) -> Self:
        return cls([stream(seed, lane_id) for lane_id in lanes.lane_id])

    def chance(self) -> Real:
        """Number (n,) between 0 and 1."""
        return np.array([s.random_sample() for s in self.streams], dtype=np.float64)

    def normal(self) -> Real:
        """Number (n,) of the standard normal distribution."""
        return np.array([s.standard_normal() for s in self.streams], dtype=np.float64)


def stream(seed: int, name: str) -> RandomState:
    """Stream of random numbers of one thing in an outing."""
    return RandomState([seed, zlib.crc32(name.encode())])


Found = tuple[NDArray[np.int64], Real, Real, NDArray[np.object_]]


def _lines(start: Real, along: Real, length_m: Real) -> NDArray[np.object_]:
    ends = np.stack([start, start + along * length_m[:, None]], axis=1)
    return np.asarray(shapely.linestrings(ends))


def _found(
    where: NDArray[np.bool_], at: Real, mean_strength: Real | float, cause: str, dice: _Dice
) -> Found:
    """Rows of one source, each logged late."""
    lane = np.flatnonzero(where).astype(np.int64)
    logged = at + LATE_M + LATE_SD_M * dice.normal()
    strength = np.clip(np.round(mean_strength + dice.normal()), 1.0, 9.0)
    return lane, logged[lane], strength[lane], np.full(len(lane), cause, dtype=object)


def _over_metal(walked: NDArray[np.object_], dice: _Dice) -> list[Found]:
    found = []
    for metal, shape in zip(scenario.METAL, scenario.metal_geometry(), strict=True):
        # A long piece sounds in the middle of the stretch of lane that is near it.
        near = shapely.intersection(walked, shapely.buffer(shape, metal.half_reach_m * CUT_OFF))
        middle = shapely.line_locate_point(walked, shapely.centroid(near))
        distance = shapely.distance(walked, shape)
        ratio = distance / metal.half_reach_m
        heard = dice.chance() < CHANCE_ABOVE_METAL * np.exp(-(ratio**4))
        where = heard & ~shapely.is_empty(near)
        found.append(_found(where, middle, 8.0 * np.exp(-(ratio**2)), metal.name, dice))
    return found


def _over_changes(walked: NDArray[np.object_], lanes: Lanes, dice: _Dice) -> list[Found]:
    found = []
    for change, line in zip(scenario.CHANGES, scenario.change_geometry(), strict=True):
        crossing = shapely.intersection(walked, line)
        at = shapely.line_locate_point(walked, crossing)
        turn = bearing_difference(lanes.bearing_deg, change.heading_deg + scenario.TURN_DEG)
        chance = np.where(np.abs(turn) < CHANGE_SENSE_DEG, CHANCE_WITH_CHANGE, 0.0)
        chance[np.abs(turn) > 180.0 - CHANGE_SENSE_DEG] = CHANCE_AGAINST_CHANGE
        where = (dice.chance() < chance) & ~shapely.is_empty(crossing)
        found.append(_found(where, at, 3.0, change.name, dice))
    return found


def _by_interference(walked: NDArray[np.object_], dice: _Dice) -> list[Found]:
    found = []
    for source in scenario.INTERFERENCE:
        line = shapely.LineString(scenario.to_map(source.outline))
        near = shapely.distance(walked, line) < source.distance_m
        closest = shapely.get_point(shapely.shortest_line(walked, line), 0)
        at = shapely.line_locate_point(walked, closest)
        where = near & (dice.chance() < CHANCE_NEAR_INTERFERENCE)
        found.append(_found(where, at, 4.0, source.name, dice))
    return found


def _by_drift(lanes: Lanes, dice: _Dice) -> Found:
    where = dice.chance() < lanes.length_m / DRIFT_EVERY_M
    return _found(where, dice.chance() * lanes.length_m, 2.0, "drift", dice)
