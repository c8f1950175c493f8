"""How likely a run at a given lateral distance is to respond to an object of unknown reach."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gridtools.errors import InputError

# The sweep width is stated for the smallest object that matters. Far from a compact object the
# response goes as the cube of its size over the sixth power of distance, so reach goes as the
# square root of size. Stated: objects of one to two and a half times that size, equally likely.
_SIZES = (1.0, 1.3, 1.6, 1.9, 2.2, 2.5)
_P_OVERHEAD = 0.95
# Integral of the curve over all lateral distances, in half-reaches (sweep width: Koopman 1946).
_SWEEP_IN_HALF_REACH = 2 * _P_OVERHEAD * math.gamma(1.25) / math.log(2.0) ** 0.25
_STEP_M = 0.01


@dataclass(frozen=True, eq=False)
class ReachLaw:
    """Probability of a response against lateral distance, for several half-reaches.

    Attributes
    ----------
    half_reach_m
        Distances (k,) at which the probability has fallen to half, equally likely.
    reach_m
        Distance within which a run is a trial: the longest half-reach plus one standard error.
    table
        Probabilities (k, steps) at lateral distances of 0, 0.01, 0.02 m and on.
    """

    half_reach_m: NDArray[np.float64]
    reach_m: float
    table: NDArray[np.float64]

    def probability(self, lateral_m: ArrayLike) -> NDArray[np.float64]:
        """Probability (k, n) of a response at lateral distances (n,), whatever their sign.

        Examples
        --------
        >>> law = reach_law(sweep_width_m=4.0, position_sigma_m=0.3)
        >>> law.probability([0.0, 2.0])[0].round(2).tolist()
        [0.95, 0.54]
        """
        step = np.rint(np.abs(np.asarray(lateral_m)) / _STEP_M).astype(np.intp)
        return self.table[:, np.minimum(step, self.table.shape[1] - 1)]


def reach_law(*, sweep_width_m: float, position_sigma_m: float) -> ReachLaw:
    """Lateral detection curves that a sweep width stands for.

    For half-reach R the curve is ``p(d) = 0.95 exp(-ln 2 (d / R)^4)``: nearly flat, then a
    soft edge, and its integral over all distances is the sweep width for the smallest object. It
    is smeared by the position error, as a distance taken from fixes is.

    Parameters
    ----------
    sweep_width_m
        Sweep width W.
    position_sigma_m
        Standard error of a position, each axis.

    Raises
    ------
    InputError
        If the sweep width is not positive, or the standard error is negative.
    """
    if not (np.isfinite(sweep_width_m) and sweep_width_m > 0):
        raise InputError(f"sweep width {sweep_width_m} m: give a width above zero")
    if not (np.isfinite(position_sigma_m) and position_sigma_m >= 0):
        raise InputError(f"position error {position_sigma_m} m: give zero or more")
    half_reach_m = np.sqrt(_SIZES) * sweep_width_m / _SWEEP_IN_HALF_REACH
    reach_m = float(half_reach_m[-1] + position_sigma_m)
    distance = np.arange(0.0, reach_m + 2 * _STEP_M, _STEP_M)
    nodes, weights = np.polynomial.hermite_e.hermegauss(15)
    smeared = distance[None, :, None] + position_sigma_m * nodes
    curve = np.exp(-np.log(2.0) * (smeared / half_reach_m[:, None, None]) ** 4)
    return ReachLaw(half_reach_m, reach_m, _P_OVERHEAD * (curve @ weights) / weights.sum())
