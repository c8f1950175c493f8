"""Widths of gaps against shapely's own search for the largest inscribed circle."""

import numpy as np
import shapely

from gridtools.coverage.width import TOLERANCE_M, inscribed


def shapes(rng):
    """Long thin slanting shapes, fans, rings and triangles, from 0.1 m to 100 m across."""
    found = [
        shapely.box(0, 0, 500, 500),
        shapely.Polygon([(0, 0), (7, 0), (3, 1)]),
        shapely.Point(0, 0).buffer(30).difference(shapely.Point(4, 0).buffer(22)),
        shapely.LineString([(0, 0), (40, 31)]).buffer(0.05),
    ]
    for _ in range(40):
        xy = np.cumsum(rng.normal(0, 4, (6, 2)), axis=0)
        found.append(shapely.LineString(xy).buffer(rng.uniform(0.05, 2), quad_segs=3))
        angle = np.sort(rng.uniform(0, 2 * np.pi, 7))
        fan = rng.uniform(1, 20, 7)[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        found += [p for p in shapely.get_parts(shapely.Polygon(fan).buffer(0)) if p.area > 0.01]
    return np.array(found, dtype=object)


def test_inscribed__shapely():
    """To the stated tolerance, or 1 %, of shapely's own at a tolerance of 1 mm."""
    polygons = shapes(np.random.default_rng(5))
    ours = inscribed(polygons)
    theirs = 2 * shapely.length(shapely.maximum_inscribed_circle(polygons, 0.001))
    differ = np.abs(ours.width_m - theirs)
    assert (differ <= np.maximum(2 * TOLERANCE_M + 0.002, 0.01 * theirs)).all()


def test_inscribed__circles_fit():
    polygons = shapes(np.random.default_rng(6))
    centre, width = inscribed(polygons)
    circles = shapely.buffer(centre, width / 2 - 1e-9)
    assert shapely.covers(polygons, circles).all()
