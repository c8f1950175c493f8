"""Lengths, areas, bearings and counts: reading them with units, and saying them.

The package computes in metres, square metres, seconds and degrees clockwise from grid north
throughout; only what a person types or reads carries another unit. A bare number typed is metres
in every job; what is printed follows the unit of the job.
"""

import math
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gridtools.errors import InputError, quote

# International foot and US survey foot: exact by definition (NIST SP 811, appendix B.6).
METRES_PER_UNIT = {
    "mm": 0.001,
    "cm": 0.01,
    "m": 1.0,
    "km": 1000.0,
    "in": 0.0254,
    "ft": 0.3048,
    "yd": 0.9144,
    "usft": 1200.0 / 3937.0,
}
SQUARE_METRES_PER_UNIT = {
    "m2": 1.0,
    "ft2": 0.3048**2,
    "yd2": 0.9144**2,
    "acre": 4046.8564224,
    "ha": 10_000.0,
    "km2": 1_000_000.0,
}
SQUARE_FEET_PER_ACRE = 43_560.0
_NUMBER = r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)"


def _parse(text: str, units: dict[str, float], kind: str, example: str) -> float:
    match = re.fullmatch(rf"\s*{_NUMBER}\s*([a-z]*[2²]?)\s*", text, flags=re.IGNORECASE)
    unit = match.group(2).lower().replace("²", "2") if match else ""
    factor = units.get(unit or next(u for u, f in units.items() if f == 1.0))
    if match is None or factor is None or not math.isfinite(float(match.group(1))):
        raise InputError(
            f"{quote(text)} is not {kind}: write a number and one of {', '.join(units)}, "
            f"for example {example}"
        )
    return float(match.group(1)) * factor


def parse_length(text: str) -> float:
    """Length in metres from text with a unit; a bare number is metres.

    Raises
    ------
    InputError
        If the text is not a number with a known unit of length.

    Examples
    --------
    >>> parse_length("2m"), round(parse_length("6.5 ft"), 4)
    (2.0, 1.9812)
    """
    return _parse(text, METRES_PER_UNIT, "a length", "2m or 6.5ft")


def parse_area(text: str) -> float:
    """Area in square metres from text with a unit; a bare number is square metres.

    Raises
    ------
    InputError
        If the text is not a number with a known unit of area.

    Examples
    --------
    >>> parse_area("0.5ha")
    5000.0
    """
    return _parse(text, SQUARE_METRES_PER_UNIT, "an area", "4m2 or 0.5ha")


_SHOWN_M: ContextVar[float] = ContextVar("shown", default=1.0)


@contextmanager
def shown_in(metres_per_unit: float) -> Iterator[None]:
    """Within it, lengths and areas are said in feet of that length; in metres if it is 1.

    Only the wording changes: the package computes in metres all the same.

    Examples
    --------
    >>> with shown_in(METRES_PER_UNIT["ft"]):
    ...     format_length(3.048), format_area(4046.8564224)
    ('10.00 ft', '1.000 acres')
    """
    before = _SHOWN_M.set(metres_per_unit)
    try:
        yield
    finally:
        _SHOWN_M.reset(before)


def shown_unit() -> tuple[str, float]:
    """Unit in which lengths are said now, and its length in metres.

    Examples
    --------
    >>> shown_unit()
    ('m', 1.0)
    """
    factor = _SHOWN_M.get()
    return ("m" if factor == 1.0 else "ft"), factor


def format_length(length_m: float, places: int = 2, sign: str = "") -> str:
    """Length as a person reads it: metres or kilometres, or feet where the job is in feet.

    Examples
    --------
    >>> format_length(1.5), format_length(12345.0), format_length(0.5, 1, "+")
    ('1.50 m', '12.35 km', '+0.5 m')
    """
    unit, factor = shown_unit()
    if abs(length_m) >= 10_000:
        return f"{length_m / 1000:.2f} km" if unit == "m" else f"{length_m / factor:,.0f} ft"
    return f"{length_m / factor:{sign}.{places}f} {unit}"


def format_area(area_m2: float) -> str:
    """Area as a person reads it: square metres or hectares, or square feet or acres.

    Examples
    --------
    >>> format_area(12.34), format_area(6120.0)
    ('12.3 m²', '0.612 ha')
    """
    unit, factor = shown_unit()
    if unit == "m":
        return f"{area_m2 / 10_000:.3f} ha" if abs(area_m2) >= 1000 else f"{area_m2:.1f} m²"
    square_feet = area_m2 / factor**2
    if abs(area_m2) >= 1000:
        return f"{square_feet / SQUARE_FEET_PER_ACRE:.3f} acres"
    return f"{square_feet:.1f} ft²"


def format_volume(volume_m3: float) -> str:
    """Volume as a person reads it: cubic metres, or cubic yards where the job is in feet.

    Examples
    --------
    >>> format_volume(12.34)
    '12.3 m³'
    >>> with shown_in(METRES_PER_UNIT["ft"]):
    ...     format_volume(0.764554857984)
    '1.0 yd³'
    """
    unit, factor = shown_unit()
    return f"{volume_m3:.1f} m³" if unit == "m" else f"{volume_m3 / (3.0 * factor) ** 3:.1f} yd³"


def format_duration(seconds: float) -> str:
    """Time as a person plans it, in hours and minutes.

    Examples
    --------
    >>> format_duration(5400.0), format_duration(40.0)
    ('1 h 30 min', '1 min')
    """
    hours, minutes = divmod(max(1, round(seconds / 60)), 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"


def format_chance(chance: float) -> str:
    """Chance in percent, never rounded to none or to certainty.

    Examples
    --------
    >>> format_chance(0.5), format_chance(0.99999), format_chance(0.00001), format_chance(0.0)
    ('50.0 %', 'over 99.9 %', 'under 0.1 %', '0.0 %')
    """
    if 0.9995 <= chance < 1.0:
        return "over 99.9 %"
    if 0.0 < chance < 0.0005:
        return "under 0.1 %"
    return f"{100 * chance:.1f} %"


def counted(number: int, thing: str) -> str:
    """Number of things as a person says it.

    Examples
    --------
    >>> counted(1, "lane"), counted(0, "lane"), counted(1234, "fix")
    ('1 lane', '0 lanes', '1,234 fixes')
    """
    ending = "" if number == 1 else "es" if thing.endswith(("x", "ch")) else "s"
    return f"{number:,} {thing}{ending}"


def listed(names: Sequence[str], most: int = 5) -> str:
    """Names in a row, the first few of many.

    Examples
    --------
    >>> listed(["H0001", "H0002", "H0003"], most=2)
    'H0001, H0002 and 1 more'
    """
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more:,} more" if more > 0 else "")


def normalise_bearing(bearing_deg: ArrayLike) -> NDArray[np.float64]:
    """Bearing brought into [0, 360) degrees.

    Examples
    --------
    >>> float(normalise_bearing(-90.0))
    270.0
    """
    return np.mod(np.mod(np.asarray(bearing_deg, dtype=np.float64), 360.0), 360.0)


def bearing_of(east_m: ArrayLike, north_m: ArrayLike) -> NDArray[np.float64]:
    """Grid bearing in [0, 360) of the direction (east, north).

    Examples
    --------
    >>> float(bearing_of(1.0, 0.0))
    90.0
    """
    return normalise_bearing(np.degrees(np.arctan2(east_m, north_m)))


def unit_vector(bearing_deg: ArrayLike) -> NDArray[np.float64]:
    """Unit vectors (..., 2) as (east, north) of grid bearings (...).

    Examples
    --------
    >>> unit_vector(90.0).round(12).tolist()
    [1.0, 0.0]
    """
    angle = np.radians(np.asarray(bearing_deg, dtype=np.float64))
    return np.stack([np.sin(angle), np.cos(angle)], axis=-1)


def bearing_difference(a_deg: ArrayLike, b_deg: ArrayLike) -> NDArray[np.float64]:
    """Signed turn in [-180, 180) degrees from bearing b to bearing a.

    Examples
    --------
    >>> float(bearing_difference(10.0, 350.0))
    20.0
    """
    difference = np.asarray(a_deg, dtype=np.float64) - np.asarray(b_deg, dtype=np.float64)
    return np.mod(difference + 180.0, 360.0) - 180.0
