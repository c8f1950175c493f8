"""CRS in metres, and coordinates taken from one CRS to another."""

import math
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError

from gridtools.errors import InputError

WGS84 = CRS.from_epsg(4326)


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


def projected(crs: CRS) -> CRS:
    """Projected CRS inside a compound, 3D or bound one."""
    plane = horizontal(crs)
    return plane.source_crs if plane.is_bound and plane.source_crs is not None else plane


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
    # An axis without a unit counts as 1 metre in PROJ, with an empty name: do not trust that.
    named = all(axis.unit_name for axis in axes)
    if factors or not (named and math.isfinite(factor) and factor > 0.0):
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
        # No errcheck: it objects to conic projections, where a pole cannot be projected. What
        # fails otherwise comes back infinite.
        found = _transformer(plane, WGS84).transform_bounds(*bounds)
    except ProjError:
        found = (math.inf,) * 4
    west, south, east, north = found
    if not np.isfinite(found).all() or max(abs(south), abs(north)) > 90.0:
        raise InputError(
            f"coordinates {bounds[0]:.6g}, {bounds[1]:.6g} do not lie where {crs.name} is "
            "defined: check which CRS the file should state"
        )
    return west, south, east, north
