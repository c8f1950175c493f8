"""Depth from the distance at which a response starts, and the factor that outcomes teach.

The rule is common practice and has no published source: walking at a known centre in a straight
line from well outside the response, the distance still to go when the response starts is about
the depth. How it is used, and where it fails, stands in docs/pinpoint-and-depth.md.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gridtools.errors import InputError
from gridtools.layers import DepthFactors

Real = NDArray[np.float64]

#: Scatter of single objects about the rule, as a share, until digs have shown it (common
#: practice, no source).
PRIOR_SCATTER = 0.25
#: Two-sided 90 % of the normal law, in standard errors.
Z_90 = 1.6448536269514722
_ROUNDS = 50
_SAME = 1e-10


@dataclass(frozen=True)
class DepthFactor:
    """Depth below the coils over the distance from onset to centre.

    Attributes
    ----------
    value
        The factor.
    low, high
        Its 90 % interval; from 0 to infinity where the digs settle nothing.
    basis
        Where it is from, in words.
    n
        Digs behind it.
    scatter
        Standard deviation of single objects about it, as a share of the depth.

    Raises
    ------
    InputError
        If the value does not lie in its interval or is not above 0.

    Examples
    --------
    >>> DepthFactor(1.0, 0.5, 2.0, "by hand", 0).sd.__round__(3)
    0.421
    """

    value: float
    low: float
    high: float
    basis: str
    n: int
    scatter: float = PRIOR_SCATTER

    def __post_init__(self) -> None:
        if not (self.value > 0.0 and 0.0 <= self.low <= self.value <= self.high):
            raise InputError(
                f"a depth factor of {self.value:g} from {self.low:g} to {self.high:g} cannot be"
            )

    @property
    def sd(self) -> float:
        """Standard error of the factor as a share of it: the interval is taken as log-normal."""
        if self.low == 0.0 or math.isinf(self.high):
            return math.inf
        return math.log(self.high / self.low) / (2 * Z_90)


#: What holds before any dig: common practice, no source; object and gain both move it.
PRIOR_FACTOR = DepthFactor(1.0, 0.5, 2.0, "common practice, no source", 0)


def learn_factor(
    onset_m: ArrayLike, onset_sd_m: ArrayLike, depth_m: ArrayLike, depth_sd_m: ArrayLike
) -> DepthFactor:
    """Depth factor of one instrument set-up from what was dug up.

    A line through the origin is fitted with errors in both: onset distance and depth are each
    measured with a known standard error, and objects scatter about the line by an unknown share
    of their depth. The weights are those of York (1966), whose fitted point takes the errors of
    both in their proportion; the scatter is that which makes the weighted sum of squares what it
    should be (Paule and Mandel, 1982). The interval is Student's, from the scatter of the digs
    about the line and no less than their stated errors give; it allows besides for not knowing
    which of depth and onset scatters about the other.

    Parameters
    ----------
    onset_m
        Distances (n,) from onset to centre.
    onset_sd_m
        Their standard errors, one or (n,).
    depth_m
        Depths (n,) below the coils: ground level to top, plus the carry height.
    depth_sd_m
        Their standard errors, one or (n,), such as that of a tape.

    Returns
    -------
    DepthFactor
        `PRIOR_FACTOR` for fewer than two digs.

    Raises
    ------
    InputError
        If a distance is not above 0, a standard error is below 0, or the numbers differ in count.

    Examples
    --------
    >>> found = learn_factor([1.0, 2.0, 3.0, 2.0], 0.1, [0.82, 1.55, 2.41, 1.63], 0.05)
    >>> round(found.value, 3), found.n, bool(found.low < 0.8 < found.high)
    (0.801, 4, True)
    """
    onset, depth = (np.atleast_1d(np.asarray(a, dtype=np.float64)) for a in (onset_m, depth_m))
    if onset.shape != depth.shape or onset.ndim != 1:
        raise InputError("give one onset distance and one depth for each dig")
    var_onset, var_depth = (
        np.broadcast_to(np.asarray(a, dtype=np.float64), onset.shape) ** 2
        for a in (onset_sd_m, depth_sd_m)
    )
    if not (np.isfinite([onset, depth]).all() and (onset > 0.0).all() and depth.sum() > 0.0):
        raise InputError("onset distances and depths must be above 0 m")
    if not (np.isfinite([var_onset, var_depth]).all() and np.greater_equal(onset_sd_m, 0).all()):
        raise InputError("standard errors of onset and depth must be 0 m or more")
    n = len(onset)
    if n < 2:
        return PRIOR_FACTOR
    factor, scatter2 = float(depth.sum() / onset.sum()), 0.0
    weight = np.ones(n)
    for _ in range(_ROUNDS):
        fitted = _fitted_onset(factor, scatter2, onset, var_onset, depth, var_depth)
        known = var_depth + factor**2 * var_onset
        square = (factor * fitted) ** 2
        scatter2 = _scatter((depth - factor * onset) ** 2, known, square)
        weight = fitted / np.maximum(known + scatter2 * square, _SAME * square)
        before, factor = factor, float((weight * depth).sum() / (weight * onset).sum())
        if abs(factor - before) <= _SAME * factor:
            break
    known = weight**2 * (var_depth + factor**2 * var_onset)
    low, high = _interval(weight * depth, weight * onset, known, scatter2 / 2)
    return DepthFactor(
        factor,
        low,
        high,
        f"learned from {n} digs",
        n,
        math.sqrt(scatter2),
    )


def factor_in_use(factors: DepthFactors, instrument: str, tuning: str) -> DepthFactor:
    """Factor of an instrument set-up: the one learned, once it is better than common practice.

    Better means that a depth reckoned with it has the smaller standard error.

    Examples
    --------
    >>> factor_in_use(DepthFactors.empty(), "two-coil locator", "motion") == PRIOR_FACTOR
    True
    """
    row = np.flatnonzero((factors.instrument == instrument) & (factors.tuning == tuning))
    if not len(row) or not math.isfinite(factors.high[row[0]]):
        return PRIOR_FACTOR
    i = row[0]
    learned = DepthFactor(
        float(factors.factor[i]),
        float(factors.low[i]),
        float(factors.high[i]),
        str(factors.basis[i]),
        int(factors.digs[i]),
        float(factors.scatter[i]),
    )
    better = math.hypot(learned.sd, learned.scatter) < math.hypot(PRIOR_FACTOR.sd, PRIOR_SCATTER)
    return learned if better else PRIOR_FACTOR


def depth_of(
    onset_m: float, onset_sd_m: float, factor: DepthFactor, carry_height_m: float = 0.0
) -> tuple[float, float]:
    """Depth from ground level to top of an object, and its standard error, in metres.

    The coils are carried above the ground: what the rule gives is counted from them.

    Parameters
    ----------
    onset_m, onset_sd_m
        Distance from onset to centre, and its standard error.
    factor
        Factor of the set-up.
    carry_height_m
        Height of the coils above the ground.

    Examples
    --------
    >>> [round(v, 3) for v in depth_of(1.5, 0.1, DepthFactor(0.8, 0.76, 0.84, "", 20, 0.1), 0.2)]
    [1.0, 0.149]
    """
    below_coils = factor.value * onset_m
    sd = math.hypot(factor.value * onset_sd_m, below_coils * math.hypot(factor.sd, factor.scatter))
    return max(0.0, below_coils - carry_height_m), sd


def _fitted_onset(
    factor: float, scatter2: float, onset: Real, var_onset: Real, depth: Real, var_depth: Real
) -> Real:
    """Onset distances (n,) of the points of the line, the scatter put in equal parts to both."""
    size = (onset + depth / factor) / 2
    part = scatter2 * size**2 / 2
    var_x = var_onset + part
    var_y = var_depth / factor**2 + part
    both = var_x + var_y
    share = np.divide(var_y, both, out=np.full_like(both, 0.5), where=both > 0)
    least: Real = np.maximum(share * onset + (1 - share) * depth / factor, size / 10)
    return least


def _scatter(residual2: Real, known: Real, square: Real) -> float:
    """Squared scatter at which the weighted sum of squares is its number of degrees of freedom."""
    free = len(residual2) - 1
    high = float((residual2 / square).sum())
    low = 0.0
    if high == 0.0 or (known.min() > 0.0 and (residual2 / known).sum() <= free):
        return 0.0
    for _ in range(40):
        middle = (low + high) / 2
        if (residual2 / (known + middle * square)).sum() > free:
            low = middle
        else:
            high = middle
    return high


def _interval(y: Real, x: Real, known: Real, doubt: float) -> tuple[float, float]:
    """90 % interval of sum(y) / sum(x) from the scatter of y - ratio x, with Student's t.

    The scatter is taken as no less than the known variances (n,) of y - ratio x give, and the
    interval widened for a doubt of such a share of the ratio.
    """
    from scipy.special import stdtrit

    n, ratio = len(x), float(y.sum() / x.sum())
    variance = max(float(((y - ratio * x) ** 2).sum()) / (n - 1) * n, float(known.sum()))
    sd = math.hypot(math.sqrt(variance) / float(x.sum()), doubt * ratio)
    half = float(stdtrit(n - 1, 0.95)) * sd
    # On a logarithmic scale, so that it does not reach below nothing.
    return ratio * math.exp(-half / ratio), ratio * math.exp(half / ratio)
