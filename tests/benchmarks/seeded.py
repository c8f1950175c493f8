"""Seeded survey for the benchmarks: an irregular site with holes, walked in two passes.

Lanes 1.6 m apart, walked at 1.3 m/s with one fix a second and a smooth wander of 0.3 m (standard
deviation, correlated over about 15 s). Everything is invented.
"""

import numpy as np
import shapely
from numpy.typing import NDArray

SPACING_M = 1.6
SWEEP_WIDTH_M = 2.0
STEP_M = 1.3
WANDER_M = 0.3


def site(hectares: float, seed: int = 7) -> shapely.Polygon:
    """Irregular site of the given area with a few holes."""
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 40))
    radius = 1 + 0.12 * np.sin(3 * angle + 1) + rng.normal(0, 0.03, 40)
    outline = shapely.Polygon(np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1))
    holes = [
        shapely.Point(*rng.uniform(-0.6, 0.6, 2)).buffer(rng.uniform(0.03, 0.08), quad_segs=3)
        for _ in range(8)
    ]
    ground = outline.difference(shapely.union_all(holes))
    ground = max(shapely.get_parts(ground), key=lambda part: part.area)
    factor = np.sqrt(hectares * 1e4 / ground.area)
    return shapely.transform(ground, lambda xy: xy * factor)


def lanes(ground: shapely.Polygon, bearing_deg: float) -> NDArray[np.object_]:
    """Straight lines (n,) across the site, split where it has holes."""
    turn = np.radians(90.0 - bearing_deg)
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    xy = shapely.get_coordinates(ground)
    v = np.arange((xy @ across).min() + SPACING_M / 2, (xy @ across).max(), SPACING_M)
    u = np.array([(xy @ along).min() - 1, (xy @ along).max() + 1])
    ends = v[:, None, None] * across + u[None, :, None] * along
    cut = shapely.intersection(shapely.linestrings(ends), ground)
    return shapely.get_parts(cut[shapely.length(cut) > 0])


def walk(lines: NDArray[np.object_], seed: int) -> NDArray[np.object_]:
    """Tracks (n,) of a person who walks each lane and wanders off it a little."""
    rng = np.random.default_rng(seed)
    count = np.maximum((shapely.length(lines) / STEP_M).astype(int) + 1, 2)
    owner = np.repeat(np.arange(len(lines)), count)
    place = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    share = place / (count[owner] - 1)
    points = shapely.get_coordinates(
        shapely.line_interpolate_point(lines[owner], share, normalized=True)
    )
    kernel = np.exp(-0.5 * (np.arange(-24, 25) / 8.0) ** 2)
    wander = np.convolve(rng.normal(size=len(points) + 48), kernel, mode="valid")
    wander *= WANDER_M / np.sqrt((kernel**2).sum())
    ends = shapely.get_coordinates(lines)
    first = np.searchsorted(np.repeat(np.arange(len(lines)), 2), np.arange(len(lines)))
    way = ends[first + 1] - ends[first]
    way /= np.hypot(*way.T)[:, None]
    side = np.stack([-way[:, 1], way[:, 0]], axis=1)
    return shapely.linestrings(points + wander[:, None] * side[owner], indices=owner)
