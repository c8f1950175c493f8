"""A rough planning table for when there are no test passes yet: assumptions, nothing measured.

Anchor: a two-coil locator on foot detects a 55 US gallon drum down to about 16 ft (common
practice, no source). Far off, the response of co-located dipoles goes as R³/d⁶, so the limiting
distance goes as the square root of an object's size R (derived). Lanes are planned to half that
distance, since the limit is what good ground and a careful walker reach at best (assumed).
"""

import math
from typing import NamedTuple

from gridtools.units import METRES_PER_UNIT

#: Height by width of the drum outside: suppliers' sheets.
_DRUM_M = (0.851, 0.572)
_DRUM_LIMIT_M = 16 * METRES_PER_UNIT["ft"]
_USED_SHARE = 0.5
DEPTHS_M = (0.5, 1.0, 1.5, 2.0, 3.0)
#: Objects by name and by the diameter of the ball of their volume.
OBJECTS: tuple[tuple[str, float], ...] = (
    ("0.2 m across: valve box lid, anvil", 0.2),
    ("0.4 m across: small engine, strongbox", 0.4),
    ("0.75 m across: 55 US gallon drum", 0.75),
    ("1.5 m across: tank, boiler, large machine", 1.5),
)
BASIS = (
    "Assumption, not measured: limiting distance 16 ft for a 55 US gallon drum (common practice, "
    "no source), as the square root of size for other objects (derived from R³/d⁶), halved to be "
    "cautious; lane spacing so that every spot gets four crossings."
)


class RoughSpacing(NamedTuple):
    """Assumed lane spacing for an object: NaN where test passes alone can tell."""

    object: str
    depth_m: float
    spacing_m: float


def limiting_distance_m(diameter_m: float) -> float:
    """Distance at which an object is detected at the very best, as assumed.

    Examples
    --------
    >>> round(limiting_distance_m(0.747), 1), round(limiting_distance_m(2 * 0.747), 1)
    (4.9, 6.9)
    """
    height, width = _DRUM_M
    drum_m = (6.0 / math.pi * math.pi / 4 * width**2 * height) ** (1 / 3)
    return _DRUM_LIMIT_M * math.sqrt(diameter_m / drum_m)


def rough_spacing(diameter_m: float, depth_m: float) -> float:
    """Assumed lane spacing in metres; NaN deeper than half the limiting distance.

    Within the distance used, ground is covered to either side as far as the slant distance to
    the object allows; half of that width gives four crossings.

    Examples
    --------
    >>> rough_spacing(0.75, 1.0), rough_spacing(0.2, 3.0)
    (2.2, nan)
    """
    used = _USED_SHARE * limiting_distance_m(diameter_m)
    if depth_m >= used:
        return math.nan
    width = 2 * math.sqrt(used**2 - depth_m**2)
    spacing = math.floor(10 * width / 2) / 10
    return spacing if spacing > 0 else math.nan


def rough_table() -> list[RoughSpacing]:
    """Assumed lane spacing for every object of the table at every depth."""
    return [
        RoughSpacing(name, depth, rough_spacing(diameter, depth))
        for name, diameter in OBJECTS
        for depth in DEPTHS_M
    ]
