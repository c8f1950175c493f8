"""Reading foreign vector data: any format that fiona reads.

Only geometry, attributes and CRS are taken over; nothing is reprojected or repaired here.
"""

import logging
import os
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import fiona
import fiona._err
import fiona.drvsupport
import fiona.errors
import numpy as np
import pyproj
import pyproj.exceptions
import shapely
import shapely.geometry
from numpy.typing import NDArray

from gridtools.errors import FileError, InputError, quote

POLYGONS = ("Polygon", "MultiPolygon")
POINTS = ("Point", "MultiPoint")
LINES = ("LineString", "MultiLineString")
ANY = POLYGONS + POINTS + LINES

# GDAL reads these, fiona leaves them out of its list.
for _driver in ("KML", "LIBKML"):
    fiona.drvsupport.supported_drivers.setdefault(_driver, "r")

_FAULTS = (
    fiona.errors.FionaError,
    fiona._err.CPLE_BaseError,
    OSError,
    ValueError,
    RuntimeError,
    AttributeError,
    TypeError,
    KeyError,
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Vector:
    """One layer of a vector file.

    Attributes
    ----------
    geometry
        Geometries (n,), two-dimensional, in the layer's own CRS.
    rows
        Attributes of each feature (n,).
    crs
        CRS of the coordinates.
    name
        File, and layer where the file has several, for messages.
    notices
        What was assumed in reading.
    """

    geometry: NDArray[np.object_]
    rows: tuple[dict[str, Any], ...]
    crs: pyproj.CRS
    name: str
    notices: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.geometry)


def read_vector(
    path: str | Path,
    layer: str | None = None,
    *,
    kinds: Sequence[str] = ANY,
    crs: pyproj.CRS | None = None,
) -> Vector:
    """One layer of a vector file, with geometries of the wanted kinds.

    Lines that close on themselves are taken as polygons where only polygons are wanted, as CAD
    files have them; a GPX track or route is closed from its last point to its first.

    Parameters
    ----------
    path
        File, or a zip archive or folder that holds one.
    layer
        Layer to read; needed if several layers have geometries of the wanted kinds.
    kinds
        Geometry types that will do, such as `POLYGONS`.
    crs
        CRS of the coordinates where the file states none.

    Raises
    ------
    FileError
        If the file is missing or cannot be read.
    InputError
        If the layer is missing, unclear, empty or without CRS, or a row has no geometry or one
        of another kind.
    """
    path = Path(path)
    if not path.exists():
        raise FileError(f"{path} does not exist")
    with _quiet():
        source = f"zip://{path}" if path.suffix.lower() == ".zip" else str(path)
        try:
            layers = list(fiona.listlayers(source))
        except _FAULTS as error:
            raise FileError(f"{path} cannot be read as vector data") from error
        if not layers:
            raise InputError(f"{path} has no layers")
        if layer is not None and layer not in layers:
            raise InputError(f"{path} has no layer {quote(layer)}; it has {', '.join(layers)}")
        chosen = layer or _choose(source, layers, kinds, path)
        name = f"{path}, layer {chosen}" if len(layers) > 1 else str(path)
        driver, found, shapes, rows = _load(source, chosen, name)
    if not shapes:
        raise InputError(f"{name} is empty")
    geometry, notices = _as_wanted(shapes, kinds, name, driver)
    stated = found or crs
    if stated is None:
        raise InputError(f"{name} states no CRS: give it with --crs, for example EPSG:32633")
    return Vector(geometry=geometry, rows=tuple(rows), crs=stated, name=name, notices=notices)


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep GDAL's remarks off the terminal: what matters comes back as an error."""
    logger = logging.getLogger("fiona")
    before = logger.disabled, logger.level
    with warnings.catch_warnings(), fiona.Env(CPL_LOG=os.devnull, CPL_DEBUG=False):
        warnings.simplefilter("ignore")
        logger.setLevel(logging.CRITICAL + 1)
        try:
            yield
        finally:
            logger.disabled, logger.level = before


def _choose(source: str, layers: Sequence[str], kinds: Sequence[str], path: Path) -> str:
    """The only layer, or the only one with features of the wanted kinds."""
    if len(layers) == 1:
        return layers[0]
    fitting = [name for name in layers if _fits(source, name, kinds)]
    if len(fitting) != 1:
        raise InputError(
            f"{path} has several layers ({', '.join(fitting or layers)}): name the one to read"
        )
    return fitting[0]


def _fits(source: str, layer: str, kinds: Sequence[str]) -> bool:
    try:
        with fiona.open(source, layer=layer) as collection:
            first = next(iter(collection), None)
            if first is None or first.geometry is None:
                return False
            type_ = str(first.geometry.type)
            closes = collection.driver == "GPX" and layer in ("tracks", "routes")
            return type_ in kinds or (closes and set(kinds) == set(POLYGONS))
    except _FAULTS:
        return False


def _load(
    source: str, layer: str, name: str
) -> tuple[str, pyproj.CRS | None, list[Any], list[dict[str, Any]]]:
    shapes: list[Any] = []
    rows: list[dict[str, Any]] = []
    try:
        with fiona.open(source, layer=layer) as collection:
            driver = str(collection.driver)
            wkt = collection.crs_wkt
            for feature in collection:
                shape = _shape(feature.geometry, len(rows) + 1, name)
                if driver == "GPX" and shape.is_empty:
                    continue  # a track without points
                shapes.append(shape)
                rows.append(dict(feature.properties))
    except InputError:
        raise
    except _FAULTS as error:
        raise FileError(f"{name} cannot be read after row {len(rows)}") from error
    try:
        found = pyproj.CRS.from_wkt(wkt) if wkt else None
    except pyproj.exceptions.CRSError as error:
        raise InputError(f"{name} has a CRS that cannot be understood: give --crs") from error
    return driver, found, shapes, rows


def _shape(geometry: Any, row: int, name: str) -> Any:
    if geometry is None:
        raise InputError(f"{name}, row {row}: has no geometry; remove the row")
    try:
        shape = shapely.force_2d(shapely.geometry.shape(geometry))
    except (*_FAULTS, shapely.errors.ShapelyError) as error:
        raise InputError(
            f"{name}, row {row}: its {geometry.type} cannot be used; draw it again"
        ) from error
    if not np.isfinite(shapely.get_coordinates(shape)).all():
        raise InputError(f"{name}, row {row}: has a coordinate that is not a number")
    return shape


def _as_wanted(
    shapes: Sequence[Any], kinds: Sequence[str], name: str, driver: str
) -> tuple[NDArray[np.object_], tuple[str, ...]]:
    geometry: NDArray[np.object_] = np.empty(len(shapes), dtype=np.object_)
    notices: list[str] = []
    for i, shape in enumerate(shapes):
        geometry[i] = shape
        if shape.is_empty:
            raise InputError(f"{name}, row {i + 1}: its {shape.geom_type} is empty; remove it")
        if shape.geom_type in kinds:
            continue
        ring = None if set(kinds) & set(LINES) else _ring(shape, driver)
        if ring is None or "Polygon" not in kinds:
            wanted = " or ".join(kind for kind in kinds if not kind.startswith("Multi"))
            raise InputError(f"{name}, row {i + 1}: is a {shape.geom_type}, not a {wanted}")
        geometry[i] = ring
        notices.append(f"{name}, row {i + 1}: line closed to a polygon")
    return geometry, tuple(notices)


def _ring(shape: Any, driver: str) -> Any | None:
    """Polygon inside a closed line; a GPX line is closed first."""
    parts = shapely.get_parts(shape)
    if len(parts) != 1 or parts[0].geom_type != "LineString":
        return None
    line = parts[0]
    points = shapely.get_coordinates(line)
    if not line.is_closed and driver != "GPX":
        return None
    return shapely.Polygon(points) if len(np.unique(points, axis=0)) >= 3 else None
