"""Choosing the CRS of a job: projected, true to scale on the site, tied to GPS."""

import math
import warnings

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.exceptions import CRSError
from pyproj.transformer import TransformerGroup

from gridtools.errors import InputError, quote
from gridtools.geodesy.distortion import scale_range
from gridtools.geodesy.transform import WGS84, horizontal, metric_twin, projected

SCALE_TOLERANCE = 0.005
_POLAR_LATITUDES_DEG = (-80.0, 84.0)
_SPHERICAL_MERCATOR = {"Popular Visualisation Pseudo Mercator", "Mercator Auxiliary Sphere"}
# Worse than this, the shift between GPS and the job CRS is worth a word (EPSG's own accuracy).
_DATUM_ACCURACY_M = 2.0


def utm_crs(lon: float, lat: float) -> CRS:
    """UTM zone on WGS 84 for a place, with the exceptions of Norway and Svalbard.

    Zones: DMA TM 8358.2, The Universal Grids (1989), chapter 2.

    Raises
    ------
    InputError
        Beyond 84° N or 80° S, where UTM is not defined.

    Examples
    --------
    >>> utm_crs(-1.5, 53.0).name, utm_crs(179.999, -17.0).name, utm_crs(180.0, -17.0).name
    ('WGS 84 / UTM zone 30N', 'WGS 84 / UTM zone 60S', 'WGS 84 / UTM zone 1S')
    """
    south, north = _POLAR_LATITUDES_DEG
    if not (math.isfinite(lon) and south <= lat <= north):
        raise InputError(
            f"there is no UTM zone at latitude {lat:.1f}°: name a projected CRS made for the "
            "site with --crs"
        )
    lon = (lon + 180.0) % 360.0 - 180.0
    zone = int((lon + 180.0) // 6.0) + 1
    if 56.0 <= lat < 64.0 and 3.0 <= lon < 12.0:
        zone = 32
    elif lat >= 72.0 and 0.0 <= lon < 42.0:
        zone = 31 if lon < 9.0 else 33 if lon < 21.0 else 35 if lon < 33.0 else 37
    return CRS.from_epsg((32600 if lat >= 0.0 else 32700) + zone)


def parse_crs(text: str) -> CRS:
    """CRS from what a user writes: a code such as EPSG:32633, or its definition.

    Raises
    ------
    InputError
        If it is not the code or definition of a CRS.

    Examples
    --------
    >>> parse_crs("EPSG:32633").name
    'WGS 84 / UTM zone 33N'
    """
    try:
        return CRS.from_user_input(text)
    except CRSError as error:
        raise InputError(
            f"{quote(text)} is not the code of a CRS: give one such as EPSG:32633"
        ) from error


def job_crs(
    source: CRS, lonlat_bounds: tuple[float, ...], wanted: CRS | None = None
) -> tuple[CRS, str]:
    """CRS for a job, from that of its boundary, and a notice for the user ("" if none).

    Parameters
    ----------
    source
        CRS of the boundary. Geographic and Web Mercator coordinates go to the local UTM zone.
    lonlat_bounds
        West, south, east and north of the site in degrees; west > east across the antimeridian.
    wanted
        CRS that the user named, taken instead.

    Returns
    -------
    tuple
        Two-dimensional projected CRS in its own units, and one sentence or "".

    Raises
    ------
    InputError
        If the CRS is not usable, or its scale on the site differs from 1 by more than 0.005 in
        any direction; the message names the UTM zone to use.
    """
    west, south, east, north = lonlat_bounds
    if east < west:
        east += 360.0
    middle = (0.5 * (west + east), 0.5 * (south + north))
    crs = horizontal(wanted if wanted is not None else source)
    notices = []
    unsuited = crs.is_geographic or _is_web_mercator(crs)
    if unsuited and wanted is not None:
        raise InputError(
            f"{wanted.name} does not measure lengths on the ground: name {_zone_name(middle)} "
            "with --crs"
        )
    if unsuited:
        crs = utm_crs(*middle)
        notices.append(
            f"the boundary is in {source.name}, so the job uses {_zone_name(middle)}, in metres; "
            "name another CRS with --crs"
        )
    grid = np.meshgrid(np.linspace(west, east, 5), np.linspace(south, north, 5))
    places = np.column_stack([a.ravel() for a in grid])
    low, high = scale_range(metric_twin(crs), places)
    if not _true_to_scale(low, high):
        raise InputError(
            f"lengths in {crs.name} are wrong by more than {SCALE_TOLERANCE:.1%} on this site "
            f"(scale {low:.4f} to {high:.4f}): {_advice(middle, places)}"
        )
    notices.append(datum_notice(crs, lonlat_bounds))
    return crs, "; ".join(n for n in notices if n)


def datum_notice(crs: CRS, lonlat_bounds: tuple[float, ...]) -> str:
    """Sentence on how far GPS positions may be out in a CRS, "" if by 2 m or less.

    The figure is the accuracy that the EPSG register states for the best transformation that this
    machine can make from WGS 84; a missing grid file that would do better is named.
    """
    with warnings.catch_warnings():
        # pyproj warns of missing grid files; the sentence below names them.
        warnings.simplefilter("ignore", UserWarning)
        group = TransformerGroup(
            WGS84,
            crs,
            always_xy=True,
            area_of_interest=AreaOfInterest(*lonlat_bounds),  # type: ignore[arg-type]  # pyproj's stub
        )
    accuracy_m = group.transformers[0].accuracy if group.transformers else -1.0
    if 0.0 <= accuracy_m <= _DATUM_ACCURACY_M:
        return ""
    notice = (
        f"GPS positions may be up to {accuracy_m:g} m out in {crs.name}"
        if accuracy_m > 0.0
        else f"how GPS positions fit {crs.name} is not known here, they may be far out"
    )
    better = [o for o in group.unavailable_operations if 0.0 <= o.accuracy < abs(accuracy_m)]
    if not group.best_available and better:
        files = ", ".join(g.short_name for g in better[0].grids if not g.available)
        notice += f" while the grid file {files} is not installed" if files else ""
    return f"{notice}: check on a point known in it"


def _true_to_scale(low: float, high: float) -> bool:
    return max(1.0 - low, high - 1.0) <= SCALE_TOLERANCE


def _advice(middle: tuple[float, float], places: NDArray[np.float64]) -> str:
    try:
        zone = utm_crs(*middle)
    except InputError:
        zone = None
    if zone is not None and not _true_to_scale(*scale_range(zone, places)):
        return "it is too large for one job, split it"
    return f"name {_zone_name(middle)} with --crs"


def _zone_name(lonlat: tuple[float, float]) -> str:
    try:
        crs = utm_crs(*lonlat)
    except InputError:
        return "a projected CRS made for the site"
    return f"{crs.name} (EPSG:{crs.to_epsg()})"


def _is_web_mercator(crs: CRS) -> bool:
    plane = projected(crs)
    operation = plane.coordinate_operation
    return operation is not None and operation.method_name in _SPHERICAL_MERCATOR
