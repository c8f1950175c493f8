"""Probability of detection (POD) of parallel lanes and of two passes at right angles.

The object lies anywhere between the lanes with equal chance (random phase), and lanes go on to
both sides. Two values are given for more than one run over a spot: *independent*, where every run
is a fresh chance, ``1 - prod(1 - p)``; and *cautious*, where runs of one pass get no credit for
repeating each other: only the best run of each pass counts, and the two passes, on other
headings, are independent of each other. The better pass alone is the floor below both.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gridtools.errors import InputError
from gridtools.sensor.curves import Curve, DefiniteRange

if TYPE_CHECKING:
    from gridtools.sensor.fit import Allowed

Real = NDArray[np.float64]

_PHASES = 512
_FEW_PHASES = 64
#: Runs that detect with less than this are summed by their integral, not one by one.
_FAR_P = 1e-4
_MOST_LANES = 4000


def pod_definite_range(coverage: ArrayLike) -> Real:
    """POD ``min(1, C)`` of parallel lanes with a definite range law; C = W / S (Koopman 1946).

    Examples
    --------
    >>> pod_definite_range([0.5, 1.0, 2.0]).tolist()
    [0.5, 1.0, 1.0]
    """
    return np.minimum(1.0, np.asarray(coverage, dtype=np.float64))


def pod_inverse_cube(coverage: ArrayLike) -> Real:
    """POD ``erf(sqrt(pi)/2 C)`` of parallel lanes with the inverse cube law (Washburn 2002, 2.4).

    Examples
    --------
    >>> pod_inverse_cube([0.5, 1.0, 2.0]).round(4).tolist()
    [0.4691, 0.7899, 0.9878]
    """
    flat = np.ravel(np.asarray(coverage, dtype=np.float64))
    values = np.array([math.erf(math.sqrt(math.pi) / 2 * c) for c in flat.tolist()])
    return values.reshape(np.shape(coverage))


def pod_random_search(coverage: ArrayLike) -> Real:
    """POD ``1 - exp(-C)`` of walking about at random (Koopman 1946; Washburn 2002, ch. 2).

    Examples
    --------
    >>> pod_random_search([0.5, 1.0, 2.0]).round(4).tolist()
    [0.3935, 0.6321, 0.8647]
    """
    return -np.expm1(-np.asarray(coverage, dtype=np.float64))


def combine(probability: ArrayLike, dependence: float = 0.0) -> Real:
    """POD (n,) at n spots of several runs (runs, n) over each.

    With probability *dependence* all runs over the object succeed or fail on the same ground, so
    that the best of them is all there is; else they are independent.

    Parameters
    ----------
    probability
        Probability (runs, n) of detection by each run alone.
    dependence
        0 for independent runs, 1 for runs that only repeat each other.

    Examples
    --------
    >>> combine([[0.78], [0.78]]).round(4).tolist(), combine([[0.78], [0.5]], 1.0).tolist()
    ([0.9516], [0.78])
    """
    p = np.asarray(probability, dtype=np.float64)
    independent = 1.0 - np.prod(1.0 - p, axis=0)
    best = np.max(p, axis=0, initial=0.0)
    return np.asarray((1.0 - dependence) * independent + dependence * best)


def pod_parallel(curve: Curve, spacing_m: float) -> float:
    """POD of one pass of parallel lanes, runs independent: mean over phase of 1 - prod(1 - p).

    Parameters
    ----------
    curve
        Lateral range curve; `smeared` where positions across the track err.
    spacing_m
        Distance S between neighbouring lanes.

    Examples
    --------
    >>> from gridtools.sensor.curves import InverseCube
    >>> round(pod_parallel(InverseCube(4.0), 4.0), 4)
    0.7899
    """
    _check(spacing_m)
    if isinstance(curve, DefiniteRange):
        part, whole = math.modf(2 * curve.range_m / spacing_m)
        miss = 1.0 - curve.peak
        return 1.0 - miss ** int(whole) * (1.0 - part * curve.peak)
    lanes_each_side = min(math.ceil(curve.reach_m(_FAR_P) / spacing_m) + 1, _MOST_LANES)
    lanes = np.arange(-lanes_each_side, lanes_each_side + 1) * spacing_m
    p = curve.probability(_phases(spacing_m)[:, None] + lanes)
    # Lanes farther off detect little each: what is left of the sweep width says how much in all.
    left = max(0.0, curve.sweep_width_m / spacing_m - float(p.sum()) / _PHASES)
    return float(1.0 - np.mean(np.prod(1.0 - p, axis=1)) * math.exp(-left))


def pod_nearest(curve: Curve, spacing_m: float) -> float:
    """POD of one pass of parallel lanes where only the nearest lane counts.

    Examples
    --------
    >>> round(pod_nearest(DefiniteRange(4.0), 5.0), 4)
    0.8
    """
    _check(spacing_m)
    if isinstance(curve, DefiniteRange):
        return min(1.0, 2 * curve.range_m / spacing_m) * curve.peak
    return float(np.mean(curve.probability(_phases(spacing_m))))


def lowest_pod_nearest(allowed: "Iterable[Allowed]", spacing_m: float, sigma_m: float) -> float:
    """POD as `pod_nearest`, by the worst curve that test passes still allow.

    This is the lower end of a profile likelihood interval for the POD itself: that of the sweep
    width alone would say nothing of how sure a run is right over the object.

    Parameters
    ----------
    allowed
        Curves that the passes allow (`fit.Fit.allowed`).
    spacing_m
        Lane spacing S.
    sigma_m
        Standard error across the track.
    """
    _check(spacing_m)
    u = np.arange(0.5, _FEW_PHASES) * spacing_m / (2 * _FEW_PHASES)
    nodes, weights = np.polynomial.hermite_e.hermegauss(9 if sigma_m else 1)
    at = u[:, None] + sigma_m * nodes
    lowest = 1.0
    for curves in allowed:
        if len(curves.width_m):
            p = curves.probability(at.ravel()).reshape(-1, *at.shape) @ (weights / weights.sum())
            lowest = min(lowest, float(p.mean(axis=1).min()))
    return lowest


def lowest_curve(allowed: "Iterable[Allowed]", spacing_m: float) -> Curve | None:
    """Curve of those that test passes allow with the lowest POD of the nearest lane of a pass.

    None where none is allowed.
    """
    _check(spacing_m)
    at = np.arange(0.5, _FEW_PHASES) * spacing_m / (2 * _FEW_PHASES)
    lowest: tuple[float, Curve] | None = None
    for curves in allowed:
        if len(curves.width_m):
            mean = curves.probability(at).mean(axis=1)
            k = int(mean.argmin())
            if lowest is None or mean[k] < lowest[0]:
                shape = {name: float(values[k, 0]) for name, values in curves.shape.items()}
                lowest = float(mean[k]), curves.law(float(curves.width_m[k, 0]), **shape)
    return lowest[1] if lowest else None


@dataclass(frozen=True, kw_only=True)
class PassesPod:
    """POD of two passes at right angles.

    Attributes
    ----------
    one_pass
        POD of the first pass alone, runs independent.
    one_pass_cautious
        POD of the first pass alone, only the nearest lane counting.
    independent
        POD of both, every run a fresh chance.
    cautious
        POD of both with no credit for repeats of the same pass.
    better_pass
        POD of the better pass alone, only the nearest lane counting: the floor if the second
        pass taught nothing.
    """

    one_pass: float
    one_pass_cautious: float
    independent: float
    cautious: float
    better_pass: float


def pod_two_passes(
    curve: Curve, spacing_m: float, second_spacing_m: float | None = None
) -> PassesPod:
    """POD of two passes at right angles, the phases of their lanes being independent.

    Parameters
    ----------
    curve
        Lateral range curve; `smeared` where positions across the track err.
    spacing_m, second_spacing_m
        Lane spacing of pass 1, and of pass 2 if it differs.

    Examples
    --------
    >>> from gridtools.sensor.curves import InverseCube
    >>> both = pod_two_passes(InverseCube(4.0), 4.0)
    >>> round(both.one_pass, 4), round(both.independent, 4), round(both.cautious, 4)
    (0.7899, 0.9559, 0.9085)
    """
    spacings = (spacing_m, spacing_m if second_spacing_m is None else second_spacing_m)
    every = [pod_parallel(curve, s) for s in spacings]
    nearest = [pod_nearest(curve, s) for s in spacings]
    return PassesPod(
        one_pass=every[0],
        one_pass_cautious=nearest[0],
        independent=1.0 - math.prod(1.0 - p for p in every),
        cautious=1.0 - math.prod(1.0 - p for p in nearest),
        better_pass=max(nearest),
    )


def fewest_crossings(sweep_width_m: float, spacing_m: float, passes: int = 2) -> int:
    """Runs that pass every spot within half a sweep width, at the least.

    Neighbouring lanes are walked on opposite headings, so that S <= W/2 gives both headings of
    each pass everywhere: four crossings with two passes (common practice, no source).

    Examples
    --------
    >>> [fewest_crossings(4.0, s) for s in (1.5, 2.0, 2.5, 5.0)]
    [4, 4, 2, 0]
    """
    _check(spacing_m)
    return passes * math.floor(sweep_width_m / spacing_m * (1 + 1e-12))


def _check(spacing_m: float) -> None:
    if not (math.isfinite(spacing_m) and spacing_m > 0):
        raise InputError(f"lane spacing {spacing_m} m: give a spacing above zero")


def _phases(spacing_m: float) -> Real:
    """Distances of the object from its nearest lane (phases,), in the middle of equal parts."""
    return (np.arange(_PHASES) + 0.5) * spacing_m / (2 * _PHASES)
