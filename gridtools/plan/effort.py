"""What a pass takes: walking, turns, dead walking, time."""

from dataclasses import dataclass

#: Time lost in finding and lining up the next lane (common practice, no source).
TURN_SECONDS = 10.0
#: Steady walk with an instrument on open ground (common practice, no source).
WALKING_MPS = 1.2


@dataclass(frozen=True, kw_only=True)
class PassPlan:
    """One pass in figures.

    Attributes
    ----------
    pass_no
        1 or 2.
    bearing_deg
        Bearing of its lanes from grid north; every other lane is walked the other way.
    lanes, legs
        Number of lanes, and of legs that they fall into.
    length_m
        Length of all legs.
    dead_m
        Dead walking: from each leg to the next, round no-go ground.
    turns
        Times that the walker has to find and line up a leg after the first.
    seconds
        Time for all of it.
    planned_percent
        Share of the search area within half a sweep width of a leg, if walked as planned.
    """

    pass_no: int
    bearing_deg: float
    lanes: int
    legs: int
    length_m: float
    dead_m: float
    turns: int
    seconds: float
    planned_percent: float


def walking_seconds(length_m: float, dead_m: float, turns: int, speed_mps: float) -> float:
    """Time for legs, dead walking and turns, in seconds.

    Dead walking goes at the same speed as the search, since the ground is the same.

    Examples
    --------
    >>> walking_seconds(1200.0, 24.0, 11, speed_mps=1.2)
    1130.0
    """
    return (length_m + dead_m) / speed_mps + turns * TURN_SECONDS
