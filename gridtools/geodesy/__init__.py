"""Job CRS and its metric twin, transformations, bearings, declination, local grid.

Coordinates are always (east, north) or (longitude, latitude), whatever axis order a CRS declares;
longitudes and latitudes are degrees on WGS 84. Bearings are degrees clockwise, and one sign rule
holds throughout: ``true = grid + convergence`` and ``magnetic = true - declination``.
"""

from gridtools.geodesy.bearings import (
    Declination,
    bearings,
    compass_notice,
    declination,
    declination_deg,
)
from gridtools.geodesy.distortion import convergence_deg, scale_factor
from gridtools.geodesy.jobcrs import SCALE_TOLERANCE, datum_notice, job_crs, parse_crs, utm_crs
from gridtools.geodesy.localgrid import Conformal, fit_conformal
from gridtools.geodesy.transform import (
    WGS84,
    horizontal,
    lonlat_bounds,
    metric_twin,
    transform_geometry,
    transform_xy,
    unit_factor,
)

__all__ = [
    "SCALE_TOLERANCE",
    "WGS84",
    "Conformal",
    "Declination",
    "bearings",
    "compass_notice",
    "convergence_deg",
    "datum_notice",
    "declination",
    "declination_deg",
    "fit_conformal",
    "horizontal",
    "job_crs",
    "lonlat_bounds",
    "metric_twin",
    "parse_crs",
    "scale_factor",
    "transform_geometry",
    "transform_xy",
    "unit_factor",
    "utm_crs",
]
