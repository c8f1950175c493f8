"""How wide a gap is: the largest circle that fits in it.

The circle is found by eroding: a polygon shrunk by r is empty as soon as no circle of radius r
fits. Halving the range of r takes a few cheap buffers for all polygons at once, and is several
times faster on long narrow gaps than a search for the pole of inaccessibility.
"""

from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.swath.uncovered import map_threads

TOLERANCE_M = 0.005
_RELATIVE_TOLERANCE = 0.003
# Corners are rounded by chords in eroding: their 0.2 % is less than the tolerance.
_QUAD_SEGS = 12
# A ring of a few vertices is dropped by the buffer well before it is eroded: it gets more.
_FEW_VERTICES = 16
_CHUNK = 500


class Circles(NamedTuple):
    """Largest inscribed circles: centres (n,) as points, and diameters (n,) in metres."""

    centre: NDArray[np.object_]
    width_m: NDArray[np.float64]


def inscribed(polygons: NDArray[np.object_], threads: int | None = None) -> Circles:
    """Largest circles inside polygons (n,): the radius to 5 mm, or 1 % if that is more.

    The circle returned always fits: its radius is the measured distance from the centre to the
    outline.

    Examples
    --------
    >>> inscribed(np.array([shapely.box(0, 0, 20, 3)])).width_m.round(2).tolist()
    [3.0]
    >>> len(inscribed(np.empty(0, dtype=object)).width_m)
    0
    """
    starts = range(0, len(polygons), _CHUNK)
    chunks = [polygons[s : s + _CHUNK] for s in starts]
    found = map_threads(lambda k: _inscribed(chunks[k]), len(chunks), threads)
    if not found:
        return Circles(np.empty(0, dtype=np.object_), np.empty(0))
    return Circles(*(np.concatenate(column) for column in zip(*found, strict=True)))


def _inscribed(polygons: NDArray[np.object_]) -> Circles:
    area, outline = shapely.area(polygons), shapely.length(polygons)
    few = shapely.get_num_coordinates(polygons) < _FEW_VERTICES
    shape = polygons.copy()
    shape[few] = shapely.segmentize(polygons[few], outline[few] / _FEW_VERTICES)
    # A circle of radius area / perimeter always fits; one of more area never does.
    low, high = area / outline, np.sqrt(area / np.pi)
    core = shapely.buffer(shape, -low, quad_segs=_QUAD_SEGS)
    core = np.where(shapely.is_empty(core), shape, core)
    open_ = np.arange(len(shape))
    while len(open_):
        radius = (low[open_] + high[open_]) / 2
        eroded = shapely.buffer(shape[open_], -radius, quad_segs=_QUAD_SEGS)
        gone = shapely.is_empty(eroded)
        high[open_[gone]] = radius[gone]
        low[open_[~gone]] = radius[~gone]
        core[open_[~gone]] = eroded[~gone]
        near = high[open_] - low[open_]
        open_ = open_[near > np.maximum(TOLERANCE_M, _RELATIVE_TOLERANCE * low[open_])]
    centre = shapely.point_on_surface(core)
    return Circles(centre, 2.0 * shapely.distance(centre, shapely.boundary(polygons)))
