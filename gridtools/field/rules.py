"""Every threshold by which a walk is judged, in one place."""

from dataclasses import dataclass, fields

from gridtools.errors import InputError


@dataclass(frozen=True, kw_only=True)
class Rules:
    """Thresholds for turning fixes into runs; the reasons are told in docs/record.md.

    None has a published source: they are common practice, or chosen so that simulated walks come
    back as walked. All are positive.

    Attributes
    ----------
    min_speed_mps
        Slower than this the walker stands. In motion tuning a response has faded by then.
    max_speed_mps
        Faster than this a stretch is not accepted: a brisk walk is 1.5 m/s, and an instrument
        swings and answers too late beyond.
    dwell_s
        Standing for longer than this is a dwell; a shorter hesitation is part of the walk.
    fast_s
        Faster than `max_speed_mps` for longer than this is too fast; less is a jolt of the GPS.
    restart_m
        Instrument length: walked again after a dwell in motion tuning before ground counts.
    break_intervals, break_s
        Fixes are broken where a gap exceeds both so many sampling intervals and so many seconds.
    jump_m, jump_speed_mps
        Fixes are broken where two lie further apart than `jump_m` plus what a person covers in
        that time at `jump_speed_mps`.
    heading_window_s, speed_window_s
        Heading and speed compare the mean place before and after a fix, over this long each side
        (one fix each side at least): long enough to average jitter, short against a turn.
    heading_tolerance_deg
        Greatest angle between the walk and a lane that it follows: well under the 45 degrees
        that tell two passes at right angles apart.
    follow_tolerance_deg
        The same at the ends of a run and where a lane is stated, where a turn begins or ends.
    off_lane_spacings
        Greatest distance from a lane, in lane spacings: half a spacing reaches the middle
        between two lanes, the rest is for GPS error.
    off_lane_m
        The same in metres where a single lane gives no spacing.
    stated_lane_m
        Greatest distance of a fix from the lane that the walker states; beyond, GPS error alone
        does not explain it.
    lane_end_m
        A run may go on past the end of its lane by this much while it is straight.
    min_run_m
        A shorter stretch along a lane is a turn, unless it is half of the lane or more.
    turn_m
        A stretch between two runs up to this long is a turn; a longer one is off lane.
    neighbour_odds
        From one lane people go to a neighbour so many times as often as to any other, or back
        along the same one. It decides only where distance leaves the lane open.
    response_max_m
        A start and an end further apart are not one response.
    same_place_m, same_time_ms
        Two fixes or hits this close in place and time are one.
    lane_spacing_m
        Lane spacing of the plan; 0 to take the distance between neighbouring lanes.

    Raises
    ------
    InputError
        If a threshold is not positive, or the speeds contradict each other.

    Examples
    --------
    >>> Rules(min_speed_mps=0.2).max_speed_mps
    2.0
    """

    min_speed_mps: float = 0.3
    max_speed_mps: float = 2.0
    dwell_s: float = 3.0
    fast_s: float = 2.0
    restart_m: float = 1.0
    break_intervals: float = 3.0
    break_s: float = 5.0
    jump_m: float = 3.0
    jump_speed_mps: float = 4.0
    heading_window_s: float = 3.0
    speed_window_s: float = 2.0
    heading_tolerance_deg: float = 30.0
    follow_tolerance_deg: float = 60.0
    off_lane_spacings: float = 0.75
    off_lane_m: float = 1.5
    stated_lane_m: float = 20.0
    lane_end_m: float = 10.0
    min_run_m: float = 5.0
    turn_m: float = 15.0
    neighbour_odds: float = 10.0
    response_max_m: float = 50.0
    same_place_m: float = 0.01
    same_time_ms: int = 1
    lane_spacing_m: float = 0.0

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            zero_allowed = item.name == "lane_spacing_m"
            if not (value > 0 or (zero_allowed and value == 0)):
                raise InputError(f"{item.name} must be greater than 0, not {value}")
        if self.min_speed_mps >= self.max_speed_mps:
            raise InputError(
                f"the least speed ({self.min_speed_mps} m/s) must be below the greatest "
                f"({self.max_speed_mps} m/s)"
            )
