"""What strips along lines leave uncovered of an area.

The area is cut into tiles; each tile is worked out from the stretches that reach it, in a pool of
threads, and only the parts of gaps that touch a seam between tiles are joined afterwards. No
union of all strips is ever built: the covered area is the area less its gaps.
"""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from gridtools.errors import InputError
from gridtools.swath.tracks import Bins, Segments, TileGrid, bin_segments, split, stretches

QUAD_SEGS = 8
"""Straight sides to a quarter circle, for all strips: a round end of radius R then lacks at most
0.0048 R, always on the side of covering less."""

MIN_PART_M2 = 1e-6
"""Smaller parts (one square millimetre) are rounding of coordinates and no ground."""

T = TypeVar("T")

_TILE_M = 200.0
_SEGMENTS_PER_TILE = 4000
_GROUPS = 4
_SEAM_M = 1e-6
_SEAM_TILES = 1e-9


def thread_count(threads: int | None = None) -> int:
    """Threads to use: as given, else GRIDTOOLS_THREADS, else the processors at hand.

    Raises
    ------
    InputError
        If the number is not a positive whole number.

    Examples
    --------
    >>> thread_count(2)
    2
    """
    text = os.environ.get("GRIDTOOLS_THREADS", "") if threads is None else str(threads)
    if not text:
        return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1
    if not text.isdigit() or int(text) < 1:
        raise InputError(f"{text!r} is not a number of threads: use 1 or more")
    return int(text)


def map_threads(task: Callable[[int], T], count: int, threads: int | None = None) -> list[T]:
    """Results of a task called with 0 to count - 1, in that order whatever the threads."""
    workers = min(thread_count(threads), count)
    if workers < 2:
        return [task(i) for i in range(count)]
    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(task, range(count)))


def uncovered(
    area: BaseGeometry,
    lines: NDArray[np.object_],
    half_width_m: float,
    *,
    threads: int | None = None,
) -> NDArray[np.object_]:
    """Parts of an area that lie further than a half width from every line.

    Parameters
    ----------
    area
        Valid Polygon or MultiPolygon, in metres.
    lines
        LineStrings (n,) in the same metres: any track, knots, U-turns, jumps, repeated points and
        lines of no length included. Ends are round, as are the outsides of bends.
    half_width_m
        Half the width of the strip along a line; 0 or less covers nothing.
    threads
        Number of threads, see `thread_count`. The result does not depend on it.

    Returns
    -------
    Polygons (m,), each one connected part, in a fixed order.

    Raises
    ------
    InputError
        If a coordinate is not a number, or the number of threads is none.

    Examples
    --------
    A strip of 2 m along the middle of a field of 6 m leaves two parts of 2 m by 50 m:

    >>> field = shapely.box(0, 0, 50, 6)
    >>> parts = uncovered(field, shapely.linestrings([[[-5, 3], [55, 3]]]), 1.0)
    >>> shapely.area(parts).tolist()
    [100.0, 100.0]
    >>> len(uncovered(shapely.Polygon(), parts[:0], 1.0))
    0
    """
    workers = thread_count(threads)
    if area.is_empty:
        return np.empty(0, dtype=np.object_)
    segments = split(np.asarray(lines, dtype=np.object_))
    if half_width_m <= 0 or not len(segments.start):
        return _in_order(_polygons(np.array([area], dtype=np.object_))[0])
    grid = TileGrid.over(np.asarray(shapely.bounds(area)), _tile_size(area, len(segments.start)))
    cells, tiles = cut_to_tiles(area, grid)
    bins = bin_segments(segments, grid, half_width_m)

    def work(i: int) -> NDArray[np.object_]:
        return _tile_gaps(cells[i], segments, bins, int(tiles[i]), half_width_m)

    parts = map_threads(work, len(tiles), workers)
    tile = np.repeat(tiles, [len(p) for p in parts])
    return _join_seams(np.concatenate(parts), tile, grid)


def covered_percent(
    area: BaseGeometry,
    lines: NDArray[np.object_],
    half_width_m: float,
    *,
    threads: int | None = None,
) -> float:
    """Share of an area, in percent, within a half width of the lines; 0 for an empty area.

    Parameters are those of `uncovered`.

    Examples
    --------
    >>> lane = shapely.linestrings([[[-5, 3], [55, 3]]])
    >>> round(covered_percent(shapely.box(0, 0, 50, 6), lane, 1.5), 9)
    50.0
    """
    if area.is_empty or area.area == 0:
        return 0.0
    left = shapely.area(uncovered(area, lines, half_width_m, threads=threads)).sum()
    return float(100.0 * (1.0 - left / area.area))


def cut_to_tiles(
    area: BaseGeometry, grid: TileGrid
) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """Parts of an area by tile (t,), and the number of each tile; tiles without ground left out.

    Polygons that reach over several tiles are halved again and again, so that each vertex costs
    the logarithm of the number of tiles, not the number itself.
    """
    pieces = _polygons(np.array([area], dtype=np.object_))[0]
    while True:
        ranges = _tile_range(pieces, grid)
        wide, tall = ranges[:, 1] - ranges[:, 0], ranges[:, 3] - ranges[:, 2]
        several = np.maximum(wide, tall) > 1
        if not several.any():
            break
        first = ranges[several]
        second = first.copy()
        middle = (first[:, [0, 2]] + first[:, [1, 3]]) // 2
        across = wide[several] >= tall[several]
        first[across, 1] = second[across, 0] = middle[across, 0]
        first[~across, 3] = second[~across, 2] = middle[~across, 1]
        both = np.concatenate([first, second])
        boxes = shapely.box(
            grid.x_m(both[:, 0]), grid.y_m(both[:, 2]), grid.x_m(both[:, 1]), grid.y_m(both[:, 3])
        )
        cut = shapely.intersection(np.tile(pieces[several], 2), boxes)
        pieces = np.concatenate([pieces[~several], _polygons(cut)[0]])
    tile = ranges[:, 2] * grid.columns + ranges[:, 0]
    order = np.argsort(tile, kind="stable")
    tiles, owner = np.unique(tile[order], return_inverse=True)
    cells = shapely.multipolygons(pieces[order], indices=owner)
    return np.asarray(cells, dtype=np.object_), tiles


def _tile_range(pieces: NDArray[np.object_], grid: TileGrid) -> NDArray[np.int64]:
    """First and one past the last column and row (n, 4) of polygons (n,)."""
    place = shapely.bounds(pieces).reshape(-1, 4) - [grid.x0_m, grid.y0_m] * 2
    place = place[:, [0, 2, 1, 3]] / grid.size_m
    # What rounding lets stand out beyond a seam stays with the tile that it was cut for.
    low, high = np.floor(place[:, ::2] + _SEAM_TILES), np.ceil(place[:, 1::2] - _SEAM_TILES)
    high = np.maximum(high, low + 1)
    most = [grid.columns, grid.rows]
    low, high = np.clip(low, 0, np.subtract(most, 1)), np.clip(high, 1, most)
    return np.stack([low, high], axis=2).reshape(-1, 4).astype(np.int64)


def _tile_size(area: BaseGeometry, segments: int) -> float:
    """Side of a tile: small enough that a union stays small, and that threads share the work."""
    side = np.sqrt(area.area * _SEGMENTS_PER_TILE / segments)
    return float(np.clip(np.ceil(side / 10.0) * 10.0, 10.0, _TILE_M))


def _tile_gaps(
    cell: BaseGeometry, segments: Segments, bins: Bins, tile: int, half_width_m: float
) -> NDArray[np.object_]:
    chosen = bins.segment[bins.offset[tile] : bins.offset[tile + 1]]
    strips = shapely.buffer(stretches(segments, chosen), half_width_m, quad_segs=QUAD_SEGS)
    return _polygons(np.array([_without(cell, strips)], dtype=np.object_))[0]


def _without(cell: BaseGeometry, strips: NDArray[np.object_]) -> BaseGeometry:
    """Ground less all strips.

    Strips that are apart from each other make a valid multipolygon as they stand, and are taken
    off in one overlay. Parallel lanes fall into two or three such groups, where a union of all
    would overlay each strip once for every doubling of their number.
    """
    if not len(strips):
        return cell
    group = _apart(strips)
    for number in range(min(_GROUPS, int(group.max()) + 1)):
        cell = shapely.difference(cell, shapely.multipolygons(strips[group == number]))
    return shapely.difference(cell, shapely.union_all(strips[group >= _GROUPS]))


def _apart(strips: NDArray[np.object_]) -> NDArray[np.int64]:
    """Group (n,) of each strip, such that no two of one group meet: the first that is free."""
    one, other = shapely.STRtree(strips).query(strips, predicate="intersects")
    earlier = other < one
    one, other = one[earlier], other[earlier]
    order = np.argsort(one, kind="stable")
    first = np.searchsorted(one[order], np.arange(len(strips) + 1)).tolist()
    met = other[order].tolist()
    group: list[int] = []
    for i in range(len(strips)):
        taken = 0
        for j in met[first[i] : first[i + 1]]:
            taken |= 1 << group[j]
        group.append((~taken & (taken + 1)).bit_length() - 1)
    return np.array(group, dtype=np.int64)


def _polygons(geometry: NDArray[np.object_]) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """Single polygons of any geometries, and which geometry each came from."""
    parts, source = shapely.get_parts(geometry, return_index=True)
    if (shapely.get_type_id(parts) > shapely.GeometryType.POLYGON).any():
        parts, inner = shapely.get_parts(parts, return_index=True)
        source = source[inner]
    keep = (shapely.get_type_id(parts) == shapely.GeometryType.POLYGON) & (shapely.area(parts) > 0)
    return parts[keep], source[keep]


def _join_seams(
    parts: NDArray[np.object_], tile: NDArray[np.int64], grid: TileGrid
) -> NDArray[np.object_]:
    """Whole gaps from the parts of tiles: only those that touch a seam are joined."""
    column, row = tile % grid.columns, tile // grid.columns
    x0, y0, x1, y1 = shapely.bounds(parts).reshape(-1, 4).T
    touching = (
        ((x0 <= grid.x_m(column) + _SEAM_M) & (column > 0))
        | ((x1 >= grid.x_m(column + 1) - _SEAM_M) & (column < grid.columns - 1))
        | ((y0 <= grid.y_m(row) + _SEAM_M) & (row > 0))
        | ((y1 >= grid.y_m(row + 1) - _SEAM_M) & (row < grid.rows - 1))
    )
    seam = shapely.transform(parts[touching], lambda xy: _onto_seams(xy, grid))
    joined = _polygons(np.array([shapely.union_all(seam)], dtype=np.object_))[0]
    whole = np.concatenate([parts[~touching], joined])
    return _in_order(whole[shapely.area(whole) >= MIN_PART_M2])


def _onto_seams(xy: NDArray[np.float64], grid: TileGrid) -> NDArray[np.float64]:
    """Coordinates (n, 2) with those that rounding took off a seam put back on it.

    The edges on both sides of a seam then lie on one line, and join without slivers.
    """
    corner = np.array([grid.x0_m, grid.y0_m])
    seam = corner + np.rint((xy - corner) / grid.size_m) * grid.size_m
    return np.where(np.abs(xy - seam) <= _SEAM_M, seam, xy)


def _in_order(parts: NDArray[np.object_]) -> NDArray[np.object_]:
    """Parts in an order that depends on nothing but where they are."""
    parts = shapely.normalize(parts)
    bounds = shapely.bounds(parts).reshape(-1, 4)
    out: NDArray[np.object_] = parts[np.lexsort(bounds.T)]
    return out
