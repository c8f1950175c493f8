"""Geometries to and from the bytes of a GeoPackage, in bulk.

A blob is a header (OGC GeoPackage 1.3, clause 2.1.3), the envelope except for points, and the
well-known binary of the geometry. Coordinates are metres outside and CRS units inside.
"""

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

# Every field of the blob of a point as this package and GDAL write it: 29 bytes, no envelope.
_POINT = np.dtype(
    [
        ("magic", "S2"),
        ("version", "u1"),
        ("flags", "u1"),
        ("srs_id", "<i4"),
        ("order", "u1"),
        ("type", "<u4"),
        ("x", "<f8"),
        ("y", "<f8"),
    ]
)
_HEADER = _POINT.descr[:4]
_ENVELOPE_BYTES = (0, 32, 48, 48, 64)
_LITTLE_ENDIAN, _WITH_ENVELOPE, _EMPTY = 0x01, 0x02, 0x10


class BadGeometry(Exception):  # noqa: N818 (never leaves the package)
    """Row at a position holds a geometry that cannot be used."""

    def __init__(self, index: int, problem: str) -> None:
        super().__init__(problem)
        self.index = index
        self.problem = problem


def encode(geometry: NDArray[np.object_], srs_id: int, metres_per_unit: float) -> list[bytes]:
    """Blobs of geometries in metres.

    Raises
    ------
    BadGeometry
        If a coordinate is not finite, or anything but a multi-part geometry is empty.
    """
    xy, row = shapely.get_coordinates(geometry, return_index=True)
    infinite = row[~np.isfinite(xy).all(axis=1)]
    if infinite.size:
        raise BadGeometry(int(infinite[0]), "geometry has a coordinate that is not finite")
    types = shapely.get_type_id(geometry)
    empty = shapely.is_empty(geometry)
    lost = np.flatnonzero(empty & (types < shapely.GeometryType.MULTIPOINT))
    if lost.size:
        raise BadGeometry(int(lost[0]), "geometry is empty")
    if (types == shapely.GeometryType.POINT).all():
        return _encode_points(xy / metres_per_unit, srs_id)
    if metres_per_unit != 1.0:
        geometry = shapely.transform(geometry, lambda metres: metres / metres_per_unit)
    bounds = shapely.bounds(geometry)
    header = np.zeros(len(geometry), dtype=[*_HEADER, ("envelope", "<f8", (4,))])
    header["magic"] = b"GP"
    header["flags"] = _LITTLE_ENDIAN | _WITH_ENVELOPE
    header["srs_id"] = srs_id
    header["envelope"] = bounds[:, [0, 2, 1, 3]]
    bodies = shapely.to_wkb(geometry, output_dimension=2, byte_order=1)
    blobs = [head.tobytes() + body for head, body in zip(header, bodies, strict=True)]
    for i in np.flatnonzero(empty):
        header["flags"][i] = _LITTLE_ENDIAN | _EMPTY
        blobs[i] = header[i].tobytes()[:8] + bodies[i]
    return blobs


def _encode_points(xy: NDArray[np.float64], srs_id: int) -> list[bytes]:
    point = np.zeros(len(xy), dtype=_POINT)
    point["magic"], point["flags"], point["srs_id"] = b"GP", _LITTLE_ENDIAN, srs_id
    point["order"], point["type"] = 1, 1
    point["x"], point["y"] = xy[:, 0], xy[:, 1]
    size, data = _POINT.itemsize, point.tobytes()
    return [data[start : start + size] for start in range(0, len(data), size)]


def bounds_of(blobs: Sequence[bytes]) -> NDArray[np.float64]:
    """Bounds (n, 4) of stored geometries in CRS units, NaN where empty or unreadable."""
    xy = _point_coordinates(blobs)
    if xy is not None:
        return np.column_stack([xy, xy])
    bodies = np.array([_body(i, blob) for i, blob in enumerate(blobs)], dtype=np.object_)
    bounds: NDArray[np.float64] = shapely.bounds(shapely.from_wkb(bodies, on_invalid="ignore"))
    return bounds


def decode(
    blobs: Sequence[bytes | None], geometry_type: str, metres_per_unit: float
) -> NDArray[np.object_]:
    """Geometries (n,) in metres, flat and of the type asked for.

    A desktop GIS may add heights, or store a polygon as a multi-part one of a single part and
    the reverse; both are taken for what they are.

    Raises
    ------
    BadGeometry
        If a row has no geometry, or one that cannot be read, is of another type, is empty or
        has a coordinate that is not finite.
    """
    xy = _point_coordinates(blobs)
    if xy is not None and geometry_type == "Point":
        unusable = np.flatnonzero(~np.isfinite(xy).all(axis=1))
        if unusable.size:
            raise BadGeometry(int(unusable[0]), "has a coordinate that is not finite")
        points: NDArray[np.object_] = np.asarray(shapely.points(xy * metres_per_unit))
        return points
    geometry = shapely.from_wkb(
        np.array([_body(i, blob) for i, blob in enumerate(blobs)], dtype=np.object_),
        on_invalid="ignore",
    )
    geometry = _as_type(np.asarray(shapely.force_2d(geometry), dtype=np.object_), geometry_type)
    coordinates, row = shapely.get_coordinates(geometry, return_index=True)
    unusable = row[~np.isfinite(coordinates).all(axis=1)]
    if unusable.size:
        raise BadGeometry(int(unusable[0]), "has a coordinate that is not finite")
    if metres_per_unit != 1.0 and len(geometry):
        geometry = shapely.transform(geometry, lambda units: units * metres_per_unit)
    return geometry


def _point_coordinates(blobs: Sequence[bytes | None]) -> NDArray[np.float64] | None:
    """Coordinates (n, 2) if every blob is a plain point, else None."""
    size = _POINT.itemsize
    if set(map(type, blobs)) - {bytes} or set(map(len, blobs)) - {size}:  # type: ignore[arg-type]
        return None
    point = np.frombuffer(b"".join(blobs), dtype=_POINT)  # type: ignore[arg-type]
    plain = (point["flags"] == _LITTLE_ENDIAN) & (point["order"] == 1) & (point["type"] == 1)
    if not (plain & (point["magic"] == b"GP")).all():
        return None
    return np.column_stack([point["x"], point["y"]])


def _body(index: int, blob: bytes | None) -> bytes:
    if blob is None:
        raise BadGeometry(index, "has no geometry")
    if not isinstance(blob, bytes) or len(blob) < 8 or blob[:2] != b"GP":
        raise BadGeometry(index, "has a geometry that cannot be read")
    code = blob[3] >> 1 & 7
    if code >= len(_ENVELOPE_BYTES):
        raise BadGeometry(index, "has a geometry that cannot be read")
    return blob[8 + _ENVELOPE_BYTES[code] :]


def _as_type(geometry: NDArray[np.object_], wanted_name: str) -> NDArray[np.object_]:
    wanted = shapely.GeometryType[wanted_name.upper()]
    multi_of = {
        shapely.GeometryType.POINT: shapely.GeometryType.MULTIPOINT,
        shapely.GeometryType.LINESTRING: shapely.GeometryType.MULTILINESTRING,
        shapely.GeometryType.POLYGON: shapely.GeometryType.MULTIPOLYGON,
    }
    types = shapely.get_type_id(geometry)
    if wanted in multi_of:
        single = (types == multi_of[wanted]) & (shapely.get_num_geometries(geometry) == 1)
        geometry[single] = shapely.get_geometry(geometry[single], 0)
    else:
        for i in np.flatnonzero(types == shapely.GeometryType.POLYGON):
            geometry[i] = shapely.multipolygons([geometry[i]])
    types = shapely.get_type_id(geometry)
    bad = np.flatnonzero(types != wanted)
    if bad.size:
        found = geometry[bad[0]]
        if found is None:
            raise BadGeometry(int(bad[0]), "has a geometry that cannot be read")
        raise BadGeometry(int(bad[0]), f"is a {found.geom_type}, not a {wanted_name}")
    empty = np.flatnonzero(shapely.is_empty(geometry)) if wanted in multi_of else np.array([])
    if empty.size:
        raise BadGeometry(int(empty[0]), "has an empty geometry")
    return geometry
