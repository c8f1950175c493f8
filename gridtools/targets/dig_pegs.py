"""Two reference pegs outside each hole, since the digger removes the one at its centre."""

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.layers import DigPegs
from gridtools.targets.holes import SPOIL_SETBACK_M
from gridtools.units import normalise_bearing, unit_vector

Real = NDArray[np.float64]

#: Left between a peg and the hole's corner, beyond the spoil setback (common practice, no source).
CLEAR_M = 0.4
_STEP_M = 0.5
_TURNS_DEG = (0.0, 90.0, 180.0, 270.0)


def place_pegs(
    dig_id: NDArray[np.object_],
    xy: Real,
    outline: NDArray[np.object_],
    axis_deg: Real,
    ground: Any = None,
) -> DigPegs:
    """Pegs a and b of each hole, at right angles as seen from its centre.

    Both stand at one distance, a multiple of half a metre that clears the corners of the hole and
    the spoil setback. Of the four ways to place the pair that one is taken in which most pegs
    stand on ground that may be walked and in no other hole; the first of equals, from the hole's
    axis clockwise.

    Parameters
    ----------
    dig_id, xy, outline, axis_deg
        Digs (n,), their centres (n, 2), outlines at ground level and directions.
    ground
        Ground that may be walked; None if anywhere will do.

    Examples
    --------
    >>> hole = np.array([shapely.box(-1, -1, 1, 1)], dtype=object)
    >>> pegs = place_pegs(np.array(["D001"], dtype=object), np.zeros((1, 2)), hole, np.zeros(1))
    >>> pegs.peg_id.tolist(), pegs.distance_m.tolist(), pegs.bearing_deg.tolist()
    (['D001a', 'D001b'], [2.5, 2.5], [180.0, 270.0])
    """
    if not len(dig_id):
        return DigPegs.empty()
    tree = shapely.STRtree(outline)
    corner = shapely.get_coordinates(outline).reshape(len(outline), 5, 2)[:, :4]
    half = np.hypot(*(corner - xy[:, None]).transpose(2, 0, 1)).max(axis=1)
    away = np.ceil((half + SPOIL_SETBACK_M + CLEAR_M) / _STEP_M - 1e-9) * _STEP_M
    turns = axis_deg[:, None] + np.array(_TURNS_DEG)
    places = xy[:, None] + unit_vector(turns) * away[:, None, None]
    points = shapely.points(places)
    bad = np.zeros(points.shape, dtype=np.int64)
    hit, _ = tree.query(points.ravel(), predicate="intersects")
    np.add.at(bad.reshape(-1), hit, 1)
    if ground is not None and not ground.is_empty:
        shapely.prepare(ground)
        bad += ~shapely.intersects(ground, points)
    pair = np.argmin(bad + np.roll(bad, -1, axis=1), axis=1)
    rows = np.repeat(np.arange(len(dig_id)), 2)
    which = (np.stack([pair, pair + 1], axis=1) % len(_TURNS_DEG)).ravel()
    return DigPegs.build(
        len(rows),
        geometry=points[rows, which],
        peg_id=[f"{dig_id[r]}{'ab'[i % 2]}" for i, r in enumerate(rows)],
        dig_id=dig_id[rows],
        distance_m=away[rows],
        bearing_deg=np.round(normalise_bearing(turns[rows, which] + 180.0), 9) % 360.0,
    )
