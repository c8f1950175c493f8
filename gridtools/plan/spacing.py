"""Lane spacing for a wanted POD and number of crossings, with what it costs on a hectare."""

import math
from collections.abc import Callable
from dataclasses import dataclass

from gridtools.errors import InputError
from gridtools.plan.effort import walking_seconds
from gridtools.sensor.curves import Curve
from gridtools.sensor.pod import fewest_crossings, pod_nearest, pod_two_passes

_SIDE_M = 100.0
_SECONDS_PER_HOUR = 3600.0
#: Widest spacing looked at, in sweep widths: POD of a pass is some 10 % there.
_WIDEST = 10.0
_CLOSEST = 0.02
#: A check crossing is this long, and the walk to it as long, in sweep widths (common practice).
_CHECK_LENGTH = 2.0
CHECK_CROSSINGS, CHECK_HITS = 4, 3


@dataclass(frozen=True, kw_only=True)
class Spacing:
    """Two passes at right angles at one lane spacing.

    Attributes
    ----------
    spacing_m
        Distance between neighbouring lanes of both passes.
    pod_pass
        POD of one pass, every run a fresh chance.
    pod_both
        POD of both passes, every run a fresh chance.
    pod_cautious
        POD of both passes with no credit for repeats of the same pass.
    crossings
        Runs within half a sweep width of every spot, at the least.
    length_m_per_ha, hours_per_ha
        Length of lanes, and time with turns, of both passes on a square hectare.
    """

    spacing_m: float
    pod_pass: float
    pod_both: float
    pod_cautious: float
    crossings: int
    length_m_per_ha: float
    hours_per_ha: float


@dataclass(frozen=True, kw_only=True)
class WideFirst:
    """One pass of wide lanes, then check crossings at each response only.

    Attributes
    ----------
    spacing_m
        Lane spacing of the one pass.
    pod
        POD that the pass detects the object, only the nearest lane counting, and that enough
        check crossings then respond.
    hours_per_ha
        Time for the pass and for the checks on a square hectare.
    length_m_per_ha
        Length of its lanes.
    responses_per_ha
        Responses to be checked that the time is for.
    even_at_per_ha
        Responses on a hectare with which it takes as long as both passes of the other plan.
    """

    spacing_m: float
    pod: float
    hours_per_ha: float
    length_m_per_ha: float
    responses_per_ha: float
    even_at_per_ha: float


def at_spacing(curve: Curve, spacing_m: float, speed_mps: float) -> Spacing:
    """Two passes at a lane spacing.

    Parameters
    ----------
    curve
        Lateral range curve; smeared where lanes are not held exactly.
    spacing_m
        Lane spacing S of both passes.
    speed_mps
        Walking speed.

    Examples
    --------
    >>> from gridtools.sensor.curves import InverseCube
    >>> plan = at_spacing(InverseCube(4.0), 2.0, speed_mps=1.2)
    >>> plan.crossings, plan.length_m_per_ha, round(plan.pod_pass, 4)
    (4, 10000.0, 0.9878)
    """
    pod = pod_two_passes(curve, spacing_m)
    return Spacing(
        spacing_m=spacing_m,
        pod_pass=pod.one_pass,
        pod_both=pod.independent,
        pod_cautious=pod.cautious,
        crossings=fewest_crossings(curve.sweep_width_m, spacing_m),
        length_m_per_ha=2 * _SIDE_M**2 / spacing_m,
        hours_per_ha=2 * _pass_hours(spacing_m, speed_mps),
    )


def widest_spacing(curve: Curve, *, pod: float, crossings: int) -> float:
    """Widest lane spacing in metres that meets both wishes, rounded down to be set out.

    Four crossings, both headings of both passes at every spot, need S <= W/2 (common practice,
    no source). The POD is the cautious one of both passes.

    Parameters
    ----------
    curve
        Lateral range curve; smeared where lanes are not held exactly.
    pod
        POD wanted, 0 to 1.
    crossings
        Crossings wanted at every spot; 0 if any number will do.

    Raises
    ------
    InputError
        If no spacing meets the POD.

    Examples
    --------
    >>> from gridtools.sensor.curves import HalfNormal
    >>> widest_spacing(HalfNormal(4.0), pod=0.9, crossings=4)
    2.0
    >>> widest_spacing(HalfNormal(4.0), pod=0.9, crossings=2)
    4.0
    """
    width = curve.sweep_width_m
    found = _widest(lambda s: pod_two_passes(curve, s).cautious, pod, width)
    if found is None:
        top = float(curve.probability(0.0))
        raise InputError(
            f"two passes cannot reach a POD of {100 * pod:g} % without credit for repeats: "
            f"right over the object one run detects with {100 * top:.0f} %; ask for less, or walk "
            "more passes"
        )
    return _set_out(min(found, width / math.ceil(crossings / 2)) if crossings else found)


def wide_first(
    curve: Curve, both: Spacing, *, pod: float, responses_per_ha: float, speed_mps: float
) -> WideFirst:
    """Cheaper plan beside two passes: wide lanes, then four check crossings at each response.

    A response is kept as metal when at least three of its four check crossings respond (common
    practice, no source). The lanes are as wide as the POD wanted allows in one pass; where no
    spacing does, they are a sweep width apart, and the POD is what comes of it.

    Parameters
    ----------
    curve
        Lateral range curve; smeared where lanes are not held exactly.
    both
        The plan of two passes to compare with.
    pod
        POD wanted, 0 to 1.
    responses_per_ha
        Responses to be checked on a hectare.
    speed_mps
        Walking speed.

    Examples
    --------
    >>> from gridtools.sensor.curves import HazardRate
    >>> curve = HazardRate(4.0, steepness=8.0)
    >>> both = at_spacing(curve, 2.0, 1.2)
    >>> plan = wide_first(curve, both, pod=0.9, responses_per_ha=10, speed_mps=1.2)
    >>> plan.spacing_m, round(plan.pod, 2), plan.hours_per_ha < both.hours_per_ha
    (4.2, 0.91, True)
    """
    p = float(curve.probability(0.0))
    kept = sum(
        math.comb(CHECK_CROSSINGS, k) * p**k * (1.0 - p) ** (CHECK_CROSSINGS - k)
        for k in range(CHECK_HITS, CHECK_CROSSINGS + 1)
    )
    width = curve.sweep_width_m
    found = _widest(lambda s: pod_nearest(curve, s) * kept, pod, width)
    spacing = _set_out(width if found is None else found)
    walk = CHECK_CROSSINGS * _CHECK_LENGTH * width
    check = walking_seconds(walk, walk, CHECK_CROSSINGS, speed_mps) / _SECONDS_PER_HOUR
    lanes = _pass_hours(spacing, speed_mps)
    return WideFirst(
        spacing_m=spacing,
        pod=pod_nearest(curve, spacing) * kept,
        hours_per_ha=lanes + responses_per_ha * check,
        length_m_per_ha=_SIDE_M**2 / spacing,
        responses_per_ha=responses_per_ha,
        even_at_per_ha=max(0.0, (both.hours_per_ha - lanes) / check),
    )


def _pass_hours(spacing_m: float, speed_mps: float) -> float:
    """Hours for one pass over a square hectare, with a turn and a step aside after each lane."""
    turns = math.ceil(_SIDE_M / spacing_m) - 1
    seconds = walking_seconds(_SIDE_M**2 / spacing_m, _SIDE_M, turns, speed_mps)
    return seconds / _SECONDS_PER_HOUR


def _widest(pod_at: Callable[[float], float], wanted: float, width_m: float) -> float | None:
    """Widest spacing at which a falling POD is still as wanted."""
    low, high = _CLOSEST * width_m, _WIDEST * width_m
    if pod_at(low) < wanted:
        return None
    if pod_at(high) >= wanted:
        return high
    while high - low > 1e-4 * width_m:
        middle = (low + high) / 2
        low, high = (middle, high) if pod_at(middle) >= wanted else (low, middle)
    return low


def _set_out(spacing_m: float) -> float:
    """Spacing rounded down to 0.1 m, below a metre to 0.05 m; less than that as it is."""
    step = 0.1 if spacing_m >= 1.0 else 0.05
    rounded = math.floor(spacing_m / step + 1e-9) * step
    return round(rounded, 2) if rounded > 0 else spacing_m
