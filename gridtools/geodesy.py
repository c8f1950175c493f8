"""Job CRS and its metric twin, transformations, bearings, declination, local grid.

Coordinates are always (east, north) or (longitude, latitude), whatever axis order a CRS declares;
longitudes and latitudes are degrees on WGS 84. Bearings are degrees clockwise, and one sign rule
holds throughout: ``true = grid + convergence`` and ``magnetic = true - declination``.
"""

import math
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any, Self

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Proj, Transformer
from pyproj.exceptions import CRSError, ProjError

from gridtools.errors import InputError
from gridtools.units import normalise_bearing

WGS84 = CRS.from_epsg(4326)
SCALE_TOLERANCE = 0.005
_POLAR_LATITUDES_DEG = (-80.0, 84.0)
_SPHERICAL_MERCATOR = {"Popular Visualisation Pseudo Mercator", "Mercator Auxiliary Sphere"}
# First years of the World Magnetic Models shipped with pygeomag; each serves five years.
_MODEL_YEARS = (2010, 2015, 2020, 2025)
# Horizontal field below which NOAA and BGS declare a compass unusable, and unreliable (WMM2025
# technical report, section 1.8: blackout and caution zones).
_BLACKOUT_NT, _CAUTION_NT = 2000.0, 6000.0


# --- the job CRS ----------------------------------------------------------------------------


def horizontal(crs: CRS) -> CRS:
    """Two-dimensional part of a compound or 3D CRS; any other CRS as it is.

    Examples
    --------
    >>> horizontal(CRS.from_epsg(7405)).name
    'OSGB36 / British National Grid'
    """
    if crs.is_compound:
        return horizontal(crs.sub_crs_list[0])
    return crs.to_2d() if len(crs.axis_info) > 2 else crs


def unit_factor(crs: CRS) -> float:
    """Metres in one unit of a projected CRS.

    Raises
    ------
    InputError
        If the CRS is not projected, its axes do not point east and north, or it states no unit.

    Examples
    --------
    >>> unit_factor(CRS.from_epsg(2222))
    0.3048
    """
    plane = horizontal(crs)
    if not plane.is_projected:
        raise InputError(f"{crs.name} is not a projected CRS: name one with --crs")
    axes = plane.axis_info
    directions = tuple(axis.direction.lower() for axis in axes)
    # The axes of a polar projection both point north, or both south, along two meridians.
    if set(directions) != {"east", "north"} and directions not in (
        ("north", "north"),
        ("south", "south"),
    ):
        raise InputError(
            f"the axes of {crs.name} point {' and '.join(directions)}: name a CRS with axes east "
            "and north with --crs"
        )
    factors = {float(axis.unit_conversion_factor) for axis in axes}
    factor = factors.pop()
    if factors or not (math.isfinite(factor) and factor > 0.0):
        raise InputError(
            f"{crs.name} states no single unit of length for its axes: name a CRS "
            "in metres or feet with --crs"
        )
    return factor


def metric_twin(crs: CRS) -> CRS:
    """Same projection with axes in metres: coordinates times `unit_factor` are its coordinates.

    The parameters of a projection carry units of their own in PROJJSON, so only the units of the
    axes change; false eastings in feet stay as they are.

    Raises
    ------
    InputError
        As for `unit_factor`.

    Examples
    --------
    >>> metric_twin(CRS.from_epsg(2263)).axis_info[0].unit_name
    'metre'
    """
    plane = horizontal(crs)
    if unit_factor(plane) == 1.0:
        return plane
    whole = plane.to_json_dict()
    # A bound CRS (one with a datum shift attached) wraps the projected CRS.
    inner: dict[str, Any] = whole["source_crs"] if plane.is_bound else whole
    for axis in inner["coordinate_system"]["axis"]:
        axis["unit"] = "metre"
    inner["name"] = f"{inner['name']} in metres"
    inner.pop("id", None)
    return CRS.from_json_dict(whole)


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


def lonlat_bounds(crs: CRS, bounds: tuple[float, float, float, float]) -> tuple[float, ...]:
    """Bounds (west, south, east, north) in degrees of bounds given in the CRS's own units.

    West is greater than east where the bounds cross the antimeridian.

    Raises
    ------
    InputError
        If the CRS does not reach the bounds.
    """
    plane = horizontal(crs)
    try:
        found = _transformer(plane, WGS84).transform_bounds(*bounds, errcheck=True)
    except ProjError:
        found = (math.inf,) * 4
    west, south, east, north = found
    if not np.isfinite(found).all() or max(abs(south), abs(north)) > 90.0:
        raise InputError(
            f"coordinates {bounds[0]:.6g}, {bounds[1]:.6g} do not lie where {crs.name} is "
            "defined: check which CRS the file should state"
        )
    return west, south, east, north


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
    zone = (0.5 * (west + east), 0.5 * (south + north))
    crs, notice = horizontal(wanted if wanted is not None else source), ""
    unsuited = crs.is_geographic or _is_web_mercator(crs)
    if unsuited and wanted is not None:
        raise InputError(
            f"{wanted.name} does not measure lengths: name {_zone_name(zone)} with --crs"
        )
    if unsuited:
        crs = utm_crs(*zone)
        notice = (
            f"the boundary is in {source.name}, so the job uses {_zone_name(zone)}, in "
            "metres; name another CRS with --crs"
        )
    twin = metric_twin(crs)
    lon, lat = (
        a.ravel() for a in np.meshgrid(np.linspace(west, east, 5), np.linspace(south, north, 5))
    )
    low, high = _scale_range(twin, lon, lat)
    if not max(1.0 - low, high - 1.0) <= SCALE_TOLERANCE:
        own_zone = unsuited or (abs(zone[1]) <= 80.0 and crs.equals(utm_crs(*zone)))
        advice = (
            "the site is too large for one CRS, split it into several jobs"
            if own_zone
            else f"name {_zone_name(zone)} with --crs"
        )
        raise InputError(
            f"lengths in {crs.name} are wrong by more than {SCALE_TOLERANCE:.1%} on this site "
            f"(scale {low:.4f} to {high:.4f}): {advice}"
        )
    return crs, notice


def _zone_name(lonlat: tuple[float, float]) -> str:
    try:
        crs = utm_crs(*lonlat)
    except InputError:
        return "a projected CRS made for the site"
    return f"{crs.name} (EPSG:{crs.to_epsg()})"


def _is_web_mercator(crs: CRS) -> bool:
    plane = _projected(crs)
    operation = plane.coordinate_operation
    return operation is not None and operation.method_name in _SPHERICAL_MERCATOR


def _projected(crs: CRS) -> CRS:
    plane = horizontal(crs)
    return plane.source_crs if plane.is_bound and plane.source_crs is not None else plane


# --- transformations ------------------------------------------------------------------------


@lru_cache(maxsize=32)
def _transformer(source: CRS, target: CRS) -> Transformer:
    return Transformer.from_crs(source, target, always_xy=True)


def transform_xy(xy: ArrayLike, source: CRS, target: CRS) -> NDArray[np.float64]:
    """Coordinates (n, 2) taken from one CRS to another; NaN stays NaN.

    Raises
    ------
    InputError
        If a point lies where the target CRS is not defined.

    Examples
    --------
    >>> transform_xy([[-1.5, 53.0]], WGS84, CRS.from_epsg(32630)).round(2).tolist()
    [[600662.4, 5873322.97]]
    """
    points = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    if source == target:
        return points.copy()
    x, y = _transformer(source, target).transform(points[:, 0], points[:, 1])
    out = np.column_stack([x, y])
    known = np.isfinite(points).all(axis=1)
    lost = np.flatnonzero(known & ~np.isfinite(out).all(axis=1))
    if lost.size:
        x0, y0 = points[lost[0]]
        raise InputError(
            f"point {lost[0] + 1} at {x0:.6f}, {y0:.6f} in {source.name} lies where "
            f"{target.name} is not defined: check which CRS the file should state"
        )
    out[~known] = np.nan
    return out


def transform_geometry(
    geometry: NDArray[np.object_], source: CRS, target: CRS
) -> NDArray[np.object_]:
    """Geometries (n,) taken from one CRS to another vertex by vertex; heights are dropped.

    Raises
    ------
    InputError
        As for `transform_xy`.
    """
    return np.asarray(
        shapely.transform(geometry, lambda xy: transform_xy(xy, source, target)), dtype=np.object_
    )


# --- bearings -------------------------------------------------------------------------------


def _factors(crs: CRS, xy: NDArray[np.float64], of: CRS, *, errcheck: bool = False) -> Any:
    """Factors of the projection `crs` at points (n, 2) given in the CRS `of`."""
    geodetic = _geodetic(crs)
    # Some geodetic CRSs count in grads: their own unit leads to the radians that PROJ wants.
    lonlat = transform_xy(xy, of, geodetic) * float(geodetic.axis_info[0].unit_conversion_factor)
    return _proj(crs).get_factors(lonlat[:, 0], lonlat[:, 1], radians=True, errcheck=errcheck)


def _points(x: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
    return np.column_stack([np.ravel(x), np.ravel(y)]).astype(np.float64)


def _geodetic(crs: CRS) -> CRS:
    geodetic = _projected(crs).geodetic_crs
    if geodetic is None:
        raise InputError(f"{crs.name} is not tied to the earth: name a projected CRS with --crs")
    return geodetic


@lru_cache(maxsize=8)
def _proj(crs: CRS) -> Proj:
    return Proj(_projected(crs))


def _scale_range(
    crs: CRS, lon: NDArray[np.float64], lat: NDArray[np.float64]
) -> tuple[float, float]:
    """Least and greatest scale in any direction over some places; infinite outside the CRS."""
    try:
        factors = _factors(crs, np.column_stack([lon, lat]), WGS84, errcheck=True)
    except (ProjError, CRSError, InputError):
        return 0.0, math.inf
    low, high = float(np.min(factors.tissot_semiminor)), float(np.max(factors.tissot_semimajor))
    return (low, high) if math.isfinite(low) and math.isfinite(high) else (0.0, math.inf)


def convergence_deg(crs: CRS, x: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
    """Meridian convergence (n,) in degrees at points of a metric CRS: true = grid + convergence.

    Positive where grid north lies east of true north. This is PROJ's sign; some manuals, the GDA
    Technical Manual among them, use the opposite one.

    Examples
    --------
    >>> float(convergence_deg(CRS.from_epsg(32630), 600662.4, 5873322.97)[0].round(4))
    1.1981
    """
    found = _factors(crs, _points(x, y), _projected(crs))
    return np.asarray(found.meridian_convergence, dtype=np.float64)


def scale_factor(crs: CRS, x: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
    """Length in the CRS over length on the ellipsoid (n,), mean of all directions.

    Examples
    --------
    >>> float(scale_factor(CRS.from_epsg(32630), 500_000.0, 5_873_368.0)[0].round(6))
    0.9996
    """
    found = _factors(crs, _points(x, y), _projected(crs))
    return np.sqrt(np.asarray(found.areal_scale, dtype=np.float64))


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
    middle = transform_xy(_points(x, y).mean(axis=0), crs, WGS84)[0]
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


# --- local grid -----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Conformal:
    """Two-dimensional conformal (Helmert) transformation: shift, turn and scale.

    ``x' = a x + b y + east_m`` and ``y' = -b x + a y + north_m`` with ``a = scale cos r`` and
    ``b = scale sin r``, where r turns clockwise: bearings grow by ``rotation_deg``.

    Attributes
    ----------
    scale
        Length after over length before.
    rotation_deg
        Clockwise turn in [0, 360): bearing after less bearing before.
    east_m, north_m
        Where the origin goes.
    residuals_m
        Given target less fitted target (n, 2); empty if it was not fitted.
    """

    scale: float
    rotation_deg: float
    east_m: float
    north_m: float
    residuals_m: NDArray[np.float64]

    def apply(self, xy: ArrayLike) -> NDArray[np.float64]:
        """Coordinates (n, 2) transformed."""
        points = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
        a, b = self._ab()
        shift = np.array([self.east_m, self.north_m])
        return np.asarray(points @ np.array([[a, -b], [b, a]]) + shift, dtype=np.float64)

    def inverse(self) -> Self:
        """Transformation back; it carries no residuals."""
        a, b = self._ab()
        square = self.scale**2
        return type(self)(
            scale=1.0 / self.scale,
            rotation_deg=float(normalise_bearing(-self.rotation_deg)),
            east_m=(-a * self.east_m + b * self.north_m) / square,
            north_m=(-b * self.east_m - a * self.north_m) / square,
            residuals_m=np.empty((0, 2)),
        )

    def _ab(self) -> tuple[float, float]:
        turn = math.radians(self.rotation_deg)
        return self.scale * math.cos(turn), self.scale * math.sin(turn)


def fit_conformal(source: ArrayLike, target: ArrayLike) -> Conformal:
    """Least-squares conformal transformation of points (n, 2) to points (n, 2), n of 2 or more.

    Source: Ghilani and Wolf, Adjustment Computations, chapter 18, solved in closed form about
    the centroids.

    Raises
    ------
    InputError
        If there are fewer than two points, or they all lie in one place.

    Examples
    --------
    >>> fit = fit_conformal([[0, 0], [10, 0]], [[100, 200], [100, 180]])
    >>> fit.scale, fit.rotation_deg, fit.apply([[5, 0]]).round(9).tolist()
    (2.0, 90.0, [[100.0, 190.0]])
    """
    before = np.asarray(source, dtype=np.float64).reshape(-1, 2)
    after = np.asarray(target, dtype=np.float64).reshape(-1, 2)
    if len(before) != len(after) or len(before) < 2:
        raise InputError("a local grid needs two or more points known in both grids")
    mid_before, mid_after = before.mean(axis=0), after.mean(axis=0)
    p, q = before - mid_before, after - mid_after
    spread = float((p * p).sum())
    a = float((p * q).sum()) / spread if spread else 0.0
    b = float((q[:, 0] * p[:, 1] - q[:, 1] * p[:, 0]).sum()) / spread if spread else 0.0
    scale = math.hypot(a, b)
    if not scale > 0.0 or not math.isfinite(scale):
        raise InputError("the points known in both grids lie in one place: use points far apart")
    east, north = mid_after - mid_before @ np.array([[a, -b], [b, a]])
    fit = Conformal(
        scale=scale,
        rotation_deg=float(normalise_bearing(math.degrees(math.atan2(b, a)))),
        east_m=float(east),
        north_m=float(north),
        residuals_m=np.empty((0, 2)),
    )
    return Conformal(
        scale=fit.scale,
        rotation_deg=fit.rotation_deg,
        east_m=fit.east_m,
        north_m=fit.north_m,
        residuals_m=after - fit.apply(before),
    )
