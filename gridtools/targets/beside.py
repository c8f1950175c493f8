"""A ground edge, or a long object, weighed beside compact metal at one place.

Equations: docs/candidates.md, section 4.
"""

import numpy as np
from numpy.typing import NDArray

from gridtools.targets.crossings import Crossings
from gridtools.targets.lines import (
    DIRECTIONS,
    EDGE_M_PER_M2,
    LEAST_CROSSING,
    LONG_M_PER_M2,
    chance_by_sense,
    direction_grid_deg,
    peak_density,
)
from gridtools.targets.reach import ReachLaw

Floats = NDArray[np.float64]

# A change of ground is as a rule longer than an object's reach, but a short one is no rarity:
# stated share of each, as half-length in reaches and weight.
_EDGE_HALF_LENGTHS = ((1.0, 0.3), (2.0, 0.7))
# A long object that is no longer than this is weighed with the place.
_LONG_HALF_LENGTHS = ((1.0, 1.0),)


def local_line(
    c: Crossings,
    law: ReachLaw,
    free: NDArray[np.bool_],
    density: Floats,
    xy: Floats,
    *,
    long_object: bool,
) -> tuple[float, Floats]:
    """Log evidence for a ground edge, or a long object, through a place.

    Integrated over the direction of the line and its distance from the place, over all runs that
    would cross it within its half-length. Infinite lines of density L metres to the square metre
    have the measure ``L / (2 pi)`` per radian of normal and metre of offset (integral geometry,
    Santalo 1976, from memory).

    Parameters
    ----------
    c, law
        Accepted runs and hits, lateral detection curves.
    free
        Mask (n,) of the hits that may belong to the line.
    density
        Background density (n,) of each hit, per metre along its run.
    xy
        The place (2,) in the frame.
    long_object
        Weigh a long object rather than a ground edge.

    Returns
    -------
    log_evidence
        Log of the evidence over that for background alone, prior density included.
    directions
        Posterior (48,) over the grid bearing, in the frame, of the normal: for an edge, of the
        heading that gives hits.
    """
    half_lengths = _LONG_HALF_LENGTHS if long_object else _EDGE_HALF_LENGTHS
    per_m2 = LONG_M_PER_M2 if long_object else EDGE_M_PER_M2
    radius = half_lengths[-1][0] * law.reach_m
    _, run, _ = c.passing(xy[None], radius)
    hit = c.hits_on(run)
    hit = hit[free[hit]]
    hit = hit[np.hypot(*(c.cause_xy[hit] - xy).T) <= radius + 3 * c.sigma_m]
    of = np.searchsorted(run, c.hit_run[hit])
    turn = np.radians(direction_grid_deg())
    step = c.sigma_m / 2
    away = np.arange(-law.reach_m, law.reach_m + step / 2, step)
    normals = np.stack([np.sin(turn), np.cos(turn)], axis=1)
    run_cosine, hit_cosine = normals @ c.run_unit[run].T, normals @ c.hit_unit[hit].T
    chance = np.nan_to_num(chance_by_sense(run_cosine, long_object=long_object))
    # Where each run crosses each line: runs that cross it out of the window say nothing.
    safe = np.where(np.abs(run_cosine) < LEAST_CROSSING, np.inf, run_cosine)[:, None, :]
    begin = c.run_start[run] - xy
    walked = (away[None, :, None] - (normals @ begin.T)[:, None, :]) / safe
    tangents = np.stack([normals[:, 1], -normals[:, 0]], axis=1)
    at = (tangents @ begin.T)[:, None, :] + walked * (tangents @ c.run_unit[run].T)[:, None, :]
    walks = (walked >= 0) & (walked <= c.run_length_m[run])
    safe = np.where(np.abs(hit_cosine) < LEAST_CROSSING, 1.0, hit_cosine)
    across = normals @ (c.cause_xy[hit] - xy).T
    along = (across[:, None, :] - away[None, :, None]) / safe[:, None, :]
    ratio = peak_density(c.sigma_m) * np.exp(-0.5 * (along / c.sigma_m) ** 2) / density[hit]
    member = np.zeros((len(hit), len(run)))
    member[np.arange(len(hit)), of] = 1.0
    term = np.log1p(chance[:, None, :] * (ratio @ member - 1.0))
    by_length = [
        np.log(weight) + np.where(walks & (np.abs(at) <= half * law.reach_m), term, 0.0).sum(axis=2)
        for half, weight in half_lengths
    ]
    total = np.logaddexp.reduce(by_length, axis=0)
    per_cell = per_m2 / (2 * np.pi) * step * 2 * np.pi / DIRECTIONS
    top = total.max()
    mass = np.exp(total - top).sum(axis=1)
    return float(top + np.log(per_cell * mass.sum())), mass / mass.sum()
