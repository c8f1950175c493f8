"""Gaps listed: in the order in which one would walk past them, with width and reason."""

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.coverage.reasons import gap_reasons
from gridtools.coverage.walked import Pass
from gridtools.coverage.width import inscribed
from gridtools.layers import Gaps

Geometries = NDArray[np.object_]


def list_gaps(
    parts: Geometries,
    walk: Pass,
    *,
    min_gap_m2: float,
    half_width_m: float,
    spacing_m: float,
    threads: int | None = None,
) -> Gaps:
    """Gaps of one pass, those of at least `min_gap_m2`.

    Parameters
    ----------
    parts
        Polygons (m,) that the pass left uncovered.
    walk
        The pass as planned and walked.
    min_gap_m2
        Smallest gap that is listed.
    half_width_m, spacing_m
        Half the sweep width, and the distance between lanes.
    threads
        Number of threads.
    """
    large = parts[shapely.area(parts) >= min_gap_m2]
    centres, width = inscribed(large, threads)
    order = _along_lanes(centres, walk, half_width_m)
    large, centres = large[order], centres[order]
    return Gaps.build(
        len(large),
        geometry=large,
        gap_id=[f"{walk.pass_no}-{i + 1:03d}" for i in range(len(large))],
        pass_no=walk.pass_no,
        area_m2=shapely.area(large),
        width_m=width[order],
        reason=gap_reasons(large, centres, walk, half_width_m, spacing_m),
    )


def _along_lanes(centres: Geometries, walk: Pass, half_width_m: float) -> NDArray[np.intp]:
    """Order by the walking order of the nearest lane, and along it; else to and fro by strips."""
    xy = shapely.get_coordinates(centres)
    if not len(walk.lanes):
        frame = walk.frame(np.zeros(2))
        across, along = frame.to_frame(xy)
        strip = np.floor(across / (2 * half_width_m))
        return np.lexsort((np.where(strip % 2 == 0, along, -along), strip))
    point, lane = shapely.STRtree(walk.lanes.geometry).query_nearest(centres, all_matches=True)
    # Lanes stand in walking order, so the lower of two equally near ones is walked first.
    nearest = np.full(len(xy), len(walk.lanes), dtype=np.int64)
    np.minimum.at(nearest, point, lane)
    chainage = shapely.line_locate_point(walk.lanes.geometry[nearest], centres)
    return np.lexsort((xy[:, 1], xy[:, 0], chainage, nearest))
