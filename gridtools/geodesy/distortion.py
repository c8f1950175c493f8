"""How a projection turns and stretches the ground: convergence and scale."""

import math
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Proj
from pyproj.exceptions import CRSError, ProjError

from gridtools.errors import InputError
from gridtools.geodesy.transform import WGS84, projected, transform_xy


def convergence_deg(crs: CRS, x: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
    """Meridian convergence (n,) in degrees at points of a metric CRS: true = grid + convergence.

    Positive where grid north lies east of true north. This is PROJ's sign; some manuals, the GDA
    Technical Manual among them, use the opposite one.

    Examples
    --------
    >>> float(convergence_deg(CRS.from_epsg(32630), 600662.4, 5873322.97)[0].round(4))
    1.1981
    """
    return _at_points(crs, x, y, "meridian_convergence")


def scale_factor(crs: CRS, x: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
    """Length in the CRS over length on the ellipsoid (n,), mean of all directions.

    Examples
    --------
    >>> float(scale_factor(CRS.from_epsg(32630), 500_000.0, 5_873_368.0)[0].round(6))
    0.9996
    """
    return np.sqrt(_at_points(crs, x, y, "areal_scale"))


def scale_range(crs: CRS, lonlat: NDArray[np.float64]) -> tuple[float, float]:
    """Least and greatest scale in any direction over places (n, 2); 0 and inf outside the CRS."""
    try:
        factors = _factors(crs, lonlat, WGS84, errcheck=True)
    except (ProjError, CRSError, InputError):
        return 0.0, math.inf
    low, high = float(np.min(factors.tissot_semiminor)), float(np.max(factors.tissot_semimajor))
    return (low, high) if math.isfinite(low) and math.isfinite(high) else (0.0, math.inf)


def _factors(crs: CRS, xy: NDArray[np.float64], of: CRS, *, errcheck: bool = False) -> Any:
    """Factors of the projection `crs` at points (n, 2) given in the CRS `of`."""
    geodetic = _geodetic(crs)
    # Some geodetic CRSs count in grads: their own unit leads to the radians that PROJ wants.
    lonlat = transform_xy(xy, of, geodetic) * float(geodetic.axis_info[0].unit_conversion_factor)
    return _proj(crs).get_factors(lonlat[:, 0], lonlat[:, 1], radians=True, errcheck=errcheck)


def _at_points(crs: CRS, x: ArrayLike, y: ArrayLike, name: str) -> NDArray[np.float64]:
    points = np.column_stack([np.ravel(x), np.ravel(y)]).astype(np.float64)
    if not len(points):
        return np.empty(0)
    return np.asarray(getattr(_factors(crs, points, projected(crs)), name), dtype=np.float64)


def _geodetic(crs: CRS) -> CRS:
    geodetic = projected(crs).geodetic_crs
    if geodetic is None:
        raise InputError(f"{crs.name} is not tied to the earth: name a projected CRS with --crs")
    return geodetic


@lru_cache(maxsize=8)
def _proj(crs: CRS) -> Proj:
    return Proj(projected(crs))
