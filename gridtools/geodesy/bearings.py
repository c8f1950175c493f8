"""Declination, and the true and magnetic bearings of grid bearings."""

from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS

from gridtools.errors import InputError
from gridtools.geodesy.distortion import convergence_deg
from gridtools.geodesy.transform import WGS84, transform_xy
from gridtools.units import normalise_bearing

# First years of the World Magnetic Models shipped with pygeomag; each serves five years.
_MODEL_YEARS = (2015, 2020, 2025)
# Horizontal field below which NOAA and BGS declare a compass unusable, and unreliable (WMM2025
# technical report, blackout and caution zones).
_BLACKOUT_NT, _CAUTION_NT = 2000.0, 6000.0


@dataclass(frozen=True)
class Declination:
    """Magnetic declination at one place and date.

    Attributes
    ----------
    declination_deg
        East of true north is positive.
    uncertainty_deg
        One standard error that the model states for it.
    model
        Name of the model.
    horizontal_nt
        Horizontal field in nanotesla, which is what turns a compass needle.
    """

    declination_deg: float
    uncertainty_deg: float
    model: str
    horizontal_nt: float


@lru_cache(maxsize=8)
def _magnetic_model(year: int) -> Any:
    from pygeomag import GeoMag

    first = max((y for y in _MODEL_YEARS if y <= year < y + 5), default=None)
    if first is None:
        raise InputError(
            f"no magnetic model here serves {year}, only {_MODEL_YEARS[0]} to "
            f"{_MODEL_YEARS[-1] + 4}: update pygeomag, or use grid bearings"
        )
    return GeoMag(base_year=first)


def declination(lon: float, lat: float, on: date, height_m: float = 0.0) -> Declination:
    """Declination by the World Magnetic Model that serves the date.

    Source: Chulliat and others, The US/UK World Magnetic Model for 2025-2030, NOAA (2025), and
    its forerunners, as computed by pygeomag.

    Raises
    ------
    InputError
        If no model serves the date.

    Examples
    --------
    >>> found = declination(-137.0, -36.0, date(2025, 7, 2), height_m=6000.0)
    >>> round(found.declination_deg, 2), found.model
    (20.28, 'WMM-2025')
    """
    model = _magnetic_model(on.year)
    days = (date(on.year + 1, 1, 1) - date(on.year, 1, 1)).days
    year = on.year + (on - date(on.year, 1, 1)).days / days
    found = model.calculate(glat=lat, glon=lon, alt=height_m / 1000.0, time=year)
    return Declination(
        declination_deg=float(found.d),
        uncertainty_deg=float(found.calculate_uncertainty().d),
        model=str(model.model),
        horizontal_nt=float(found.h),
    )


def declination_deg(lon: float, lat: float, on: date, height_m: float = 0.0) -> float:
    """Declination in degrees, east positive: magnetic = true - declination.

    Raises
    ------
    InputError
        If no model serves the date.
    """
    return declination(lon, lat, on, height_m).declination_deg


def _site_declination(crs: CRS, x: ArrayLike, y: ArrayLike, on: date) -> Declination:
    middle = transform_xy(
        np.column_stack([np.ravel(x), np.ravel(y)]).astype(np.float64).mean(axis=0), crs, WGS84
    )[0]
    return declination(float(middle[0]), float(middle[1]), on)


def bearings(
    crs: CRS, x: ArrayLike, y: ArrayLike, grid_bearing_deg: ArrayLike, on: date
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """True and magnetic bearings (n,) of grid bearings at points of a metric CRS.

    Convergence is taken at each point, declination once, at the middle of the points: over a site
    it changes far less than the model's own error. Magnetic bearings are NaN where no model
    serves the date or a compass is unusable; `compass_notice` says which.
    """
    grid = np.ravel(np.asarray(grid_bearing_deg, dtype=np.float64))
    if grid.size == 0:
        return grid.copy(), grid.copy()
    true = normalise_bearing(grid + convergence_deg(crs, x, y))
    try:
        found = _site_declination(crs, x, y, on)
    except InputError:
        return true, np.full_like(true, np.nan)
    if found.horizontal_nt < _BLACKOUT_NT:
        return true, np.full_like(true, np.nan)
    return true, normalise_bearing(true - found.declination_deg)


def compass_notice(crs: CRS, x: ArrayLike, y: ArrayLike, on: date) -> str:
    """Sentence on what the magnetic bearings of `bearings` rest on, or why there are none."""
    try:
        found = _site_declination(crs, x, y, on)
    except InputError as error:
        return f"no magnetic bearings: {error}"
    if found.horizontal_nt < _BLACKOUT_NT:
        return "no magnetic bearings: a compass is unusable this near to a magnetic pole"
    text = (
        f"magnetic bearings for {on.isoformat()}: declination "
        f"{abs(found.declination_deg):.1f}° {'E' if found.declination_deg >= 0 else 'W'} "
        f"± {found.uncertainty_deg:.1f}° by {found.model}"
    )
    if found.horizontal_nt < _CAUTION_NT:
        text += "; a compass is unreliable this near to a magnetic pole"
    return text
