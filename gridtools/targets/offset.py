"""The heading offset: how far along the heading a hit is logged from what caused it."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gridtools.units import bearing_difference, unit_vector

DEFAULT_OFFSET_M = 0.0
_WINDOW_M = 3.0
_STEP_M = 0.02
_OPPOSED_DEG = 150.0
_LEAST_PAIRS = 4
_LEAST_GAIN = 4.0
_LARGEST_ERROR_M = 0.35


@dataclass(frozen=True)
class HeadingOffset:
    """Signed heading offset, positive when hits are logged late.

    Attributes
    ----------
    offset_m
        Estimate, or the value given, or the stated default of 0 where nothing settles it.
    standard_error_m
        Standard error of an estimate; NaN otherwise.
    pairs
        Pairs of hits with opposed headings that were compared.
    basis
        ``measured``, ``given`` or ``assumed``.
    """

    offset_m: float
    standard_error_m: float
    pairs: int
    basis: str


def estimate_heading_offset(
    xy: NDArray[np.float64],
    heading_deg: NDArray[np.float64],
    run: NDArray[np.int64],
    *,
    lateral_m: float,
    sigma_m: float,
) -> HeadingOffset:
    """Heading offset from hits of opposed headings.

    A hit with heading h lies at ``x + offset * h + error`` along its run. Two hits of one
    object on opposed headings are therefore twice the offset apart along the heading, wherever
    the object is. Half the separation of every pair of hits on opposed headings within reach of
    one object is taken as a mixture: normal about the offset for pairs of one object, uniform
    for the rest. The share and the offset with the greatest likelihood are kept. A fix error
    common to both runs falls out.

    Parameters
    ----------
    xy
        Positions (n, 2) of the hits, as logged.
    heading_deg
        Headings (n,) walked.
    run
        Number (n,) of the run of each hit; two hits of one run are never a pair.
    lateral_m
        Largest distance across the heading between two hits of one object.
    sigma_m
        Standard error of a hit along its heading.

    Returns
    -------
    HeadingOffset
        Basis ``assumed`` and the default of 0 if too few pairs agree: fewer than four, a
        likelihood less than e^4 above that of no agreement, or a standard error above 0.35 m.

    Examples
    --------
    >>> x = np.arange(6) * 20.0
    >>> xy = np.concatenate([np.stack([x, 0 * x + 1], 1), np.stack([x + 2, 0 * x - 1], 1)])
    >>> heading = np.repeat([0.0, 180.0], 6)
    >>> found = estimate_heading_offset(xy, heading, np.arange(12), lateral_m=4.0, sigma_m=0.5)
    >>> round(found.offset_m, 2), found.basis
    (1.0, 'measured')
    """
    half = _half_separations(xy, heading_deg, run, lateral_m)
    none = HeadingOffset(DEFAULT_OFFSET_M, np.nan, len(half), "assumed")
    if len(half) < _LEAST_PAIRS:
        return none
    spread = max(sigma_m, _STEP_M) / np.sqrt(2.0)
    centres = np.arange(-_WINDOW_M, _WINDOW_M + _STEP_M / 2, _STEP_M)
    # Sorted and binned, so that many pairs cost no more than few and order cannot matter.
    counts = np.histogram(half, np.append(centres - _STEP_M / 2, _WINDOW_M + _STEP_M / 2))[0]
    kernel = np.exp(-0.5 * ((centres[:, None] - centres[None, :]) / spread) ** 2)
    kernel *= 2 * _WINDOW_M / (spread * np.sqrt(2 * np.pi))
    shares = np.linspace(0.05, 0.95, 19)
    gain = np.stack([np.log1p(share * (kernel - 1)) @ counts for share in shares])
    best_share, best = np.unravel_index(np.argmax(gain), gain.shape)
    # A hit takes part in about two pairs, so pairs count as half as many for the error.
    weight = shares[best_share] * kernel[best]
    weight = weight / (1 - shares[best_share] + weight) * counts
    for _ in range(20):
        centre = float(weight @ centres / weight.sum())
        near = np.exp(-0.5 * ((centres - centre) / spread) ** 2)
        near *= 2 * _WINDOW_M / (spread * np.sqrt(2 * np.pi)) * shares[best_share]
        weight = near / (1 - shares[best_share] + near) * counts
    scatter = np.sqrt(weight @ (centres - centre) ** 2 / weight.sum())
    error = float(max(scatter, spread / 2) / np.sqrt(max(weight.sum() / 2, 1.0)))
    agreeing = weight.sum() >= _LEAST_PAIRS
    settled = gain[best_share, best] > _LEAST_GAIN and error < _LARGEST_ERROR_M
    if not (agreeing and settled and abs(centre) < _WINDOW_M - spread):
        return none
    return HeadingOffset(centre, error, len(half), "measured")


def _half_separations(
    xy: NDArray[np.float64],
    heading_deg: NDArray[np.float64],
    run: NDArray[np.int64],
    lateral_m: float,
) -> NDArray[np.float64]:
    from scipy.spatial import cKDTree

    if len(xy) < 2:
        return np.empty(0)
    # Equal places are many hits on one spot: past this many they add cost and no knowledge.
    pairs = _capped_pairs(cKDTree(xy), np.hypot(lateral_m, 2 * _WINDOW_M), len(xy))
    i, j = pairs[:, 0], pairs[:, 1]
    opposed = np.abs(bearing_difference(heading_deg[i], heading_deg[j])) >= _OPPOSED_DEG
    keep = opposed & (run[i] != run[j])
    i, j = i[keep], j[keep]
    mean = unit_vector(heading_deg[i]) - unit_vector(heading_deg[j])
    mean /= np.linalg.norm(mean, axis=1, keepdims=True)
    apart = xy[i] - xy[j]
    along = np.sum(apart * mean, axis=1) / 2
    across = np.abs(apart[:, 0] * mean[:, 1] - apart[:, 1] * mean[:, 0])
    half: NDArray[np.float64] = along[(across <= lateral_m) & (np.abs(along) <= _WINDOW_M)]
    return half


def _capped_pairs(tree: Any, radius_m: float, count: int) -> NDArray[np.int64]:
    most = min(count, 64)
    distance, other = tree.query(tree.data, k=most, distance_upper_bound=radius_m)
    rows = np.repeat(np.arange(count), most).reshape(count, most)
    found = np.isfinite(distance) & (other != rows)
    pairs = np.sort(np.stack([rows[found], other[found]], axis=1), axis=1)
    unique: NDArray[np.int64] = np.unique(pairs, axis=0)
    return unique
