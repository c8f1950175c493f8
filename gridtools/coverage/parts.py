"""Uncovered ground of both passes, and the figures that follow from it alone.

A spot is covered by either pass unless both left it, and by both unless one left it. So what the
passes left, and where these parts overlap, gives all areas and gaps of all parts.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Self

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.layers import Coverage
from gridtools.swath.uncovered import MIN_PART_M2

CONFIDENCES = ("full", "reduced", "all")


@dataclass(frozen=True, eq=False)
class Zones:
    """Search area, and the part of it with reduced confidence: polygons in metres."""

    whole: Any
    reduced: Any

    @cached_property
    def area_m2(self) -> NDArray[np.float64]:
        """Areas (3,) of full, reduced and all confidence."""
        return np.array([self.whole.area - self.reduced.area, self.reduced.area, self.whole.area])

    def measure(self, parts: NDArray[np.object_]) -> NDArray[np.float64]:
        """Areas (n, 3) of polygons (n,) inside the search area, by confidence."""
        whole = shapely.area(parts)
        reduced = np.zeros(len(parts))
        if not self.reduced.is_empty and len(parts):
            shapely.prepare(self.reduced)
            inside = shapely.contains_properly(self.reduced, parts)
            edge = ~inside & shapely.intersects(self.reduced, parts)
            reduced[inside] = whole[inside]
            reduced[edge] = shapely.area(shapely.intersection(parts[edge], self.reduced))
        return np.stack([whole - reduced, reduced, whole], axis=1)


@dataclass(frozen=True, eq=False)
class Left:
    """Separate parts of ground left uncovered: areas (n, 3) by confidence."""

    area_m2: NDArray[np.float64]

    @property
    def total_m2(self) -> NDArray[np.float64]:
        """Areas (3,) together."""
        return np.asarray(self.area_m2.sum(axis=0), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Tally:
    """What each part left, in the order of `names`."""

    names: tuple[str, ...]
    left: tuple[Left, ...]

    @classmethod
    def of(cls, zones: Zones, gaps: tuple[NDArray[np.object_], ...]) -> Self:
        """Tally of the polygons (m,) that one pass or two passes left.

        One pass has one part; two have four. A gap of *either* is ground that both passes left;
        a gap of *both* is gaps of the two passes that overlap, taken together.
        """
        names = tuple(f"pass {i + 1}" for i in range(len(gaps)))
        single = [Left(zones.measure(parts)) for parts in gaps]
        if len(gaps) == 1:
            return cls(names, tuple(single))
        first, second = gaps
        j, i = shapely.STRtree(first).query(second, predicate="intersects")
        order = np.lexsort((j, i))
        i, j = i[order], j[order]
        shared, pair = shapely.get_parts(
            shapely.intersection(first[i], second[j]), return_index=True
        )
        ground = shapely.area(shared) >= MIN_PART_M2
        shared, pair = shared[ground], pair[ground]
        area = zones.measure(shared)
        either = Left(area)
        group = _linked(i[pair], j[pair] + len(first), len(first) + len(second))
        both = np.zeros((int(group.max(initial=-1)) + 1, 3))
        np.add.at(both, group, np.concatenate([single[0].area_m2, single[1].area_m2]))
        np.add.at(both, group[i[pair]], -area)
        return cls((*names, "either", "both"), (*single, either, Left(both)))


def _linked(a: NDArray[np.int64], b: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """Number (count,) of the group that each thing belongs to, pairs (k,) being linked."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    links = coo_array((np.ones(len(a)), (a, b)), shape=(count, count))
    _, group = connected_components(links, directed=False)
    return np.asarray(group, dtype=np.int64)


def coverage_layer(
    zones: Zones, tally: Tally, cautious: Tally | None, min_gap_m2: float
) -> Coverage:
    """Rows of the layer, one for each part and confidence.

    A gap is listed if all of it is at least `min_gap_m2`. The row of one confidence counts the
    gaps and slivers that have ground of it, and measures that ground only.
    """
    rows: list[dict[str, Any]] = []
    for k, (name, left) in enumerate(zip(tally.names, tally.left, strict=True)):
        listed = left.area_m2[:, 2] >= min_gap_m2
        for c, confidence in enumerate(CONFIDENCES):
            area, here = left.area_m2[:, c], left.area_m2[:, c] >= MIN_PART_M2
            search = float(zones.area_m2[c])
            covered = max(0.0, search - float(left.total_m2[c]))
            careful = np.nan
            if cautious is not None:
                careful = _percent(search - float(cautious.left[k].total_m2[c]), search)
            rows.append(
                {
                    "part": name,
                    "confidence": confidence,
                    "search_m2": search,
                    "covered_m2": covered,
                    "percent": _percent(covered, search),
                    "cautious_percent": careful,
                    "gaps": np.count_nonzero(listed & here),
                    "largest_gap_m2": float(area[listed].max(initial=0.0)),
                    "slivers": np.count_nonzero(~listed & here),
                    "slivers_m2": float(area[~listed & here].sum()),
                }
            )
    columns: dict[str, Any] = {key: [row[key] for row in rows] for key in rows[0]}
    return Coverage.build(**columns)


def _percent(part: float, whole: float) -> float:
    return 100.0 * min(1.0, max(0.0, part / whole)) if whole > MIN_PART_M2 else np.nan
