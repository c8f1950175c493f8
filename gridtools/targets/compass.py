"""Headings as a walker says them: eight compass words relative to grid north."""

import numpy as np
from numpy.typing import ArrayLike

from gridtools.layers import Lanes
from gridtools.units import bearing_difference, normalise_bearing

WORDS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
# A run within this turn of a heading of the plan has walked it.
SAME_HEADING_DEG = 30.0


def compass_word(bearing_deg: float) -> str:
    """Compass word of a grid bearing.

    Examples
    --------
    >>> compass_word(359.0), compass_word(47.0)
    ('N', 'NE')
    """
    return WORDS[int(np.floor(bearing_deg / 45.0 + 0.5 + 1e-9)) % 8]


def compass_words(bearings_deg: ArrayLike) -> str:
    """Compass words of several bearings, each once, clockwise from north.

    Examples
    --------
    >>> compass_words([181.0, 2.0, 179.0])
    'N, S'
    """
    words = {compass_word(float(b)) for b in np.ravel(bearings_deg)}
    return ", ".join(w for w in WORDS if w in words)


def plan_headings(lanes: Lanes) -> list[float]:
    """Headings of the plan: both senses of each pass, clockwise from north."""
    headings: list[float] = []
    for pass_no in np.unique(lanes.pass_no[lanes.pass_no > 0]):
        bearing = lanes.bearing_deg[lanes.pass_no == pass_no]
        double = np.radians(2 * bearing[np.isfinite(bearing)])
        if double.size:
            axis = np.degrees(np.arctan2(np.sin(double).mean(), np.cos(double).mean())) / 2
            headings += [float(normalise_bearing(axis + turn).round(6)) % 360 for turn in (0, 180)]
    return sorted(headings)


def unwalked(headings_deg: list[float], walked_deg: ArrayLike) -> list[float]:
    """Headings that no walk came within 30 degrees of.

    Examples
    --------
    >>> unwalked([0.0, 90.0, 180.0, 270.0], [2.0, 268.0])
    [90.0, 180.0]
    """
    walked = np.ravel(walked_deg)
    return [
        h
        for h in headings_deg
        if not np.any(np.abs(bearing_difference(walked, h)) <= SAME_HEADING_DEG)
    ]
