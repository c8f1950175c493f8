"""Walking round no-go ground: shortest ways between points.

All coordinates are metres in one frame near its origin.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

Real = NDArray[np.float64]
Whole = NDArray[np.int64]

#: A walk may brush no-go ground by this much, so that it can follow its edge.
BRUSH_M = 1e-4
_ROUGH_VERTICES = 16


@dataclass(frozen=True, kw_only=True, eq=False)
class _Links:
    """Straight walks between corners, and which obstacles lie in the way of which."""

    start: Whole
    finish: Whole
    length: Real
    walk: Whole
    obstacle: Whole


class Detours:
    """Shortest ways round obstacles.

    A shortest way bends only at corners of obstacles that stick out, and passes each such
    corner without cutting into it (de Berg and others, *Computational Geometry*, 2008, section
    15.1; from memory). A way is sought round the obstacles that the straight walk meets, then
    round those that it meets as well, and so on. With fewer obstacles a way can only be
    shorter, so the first one that meets no others is the shortest.

    Parameters
    ----------
    no_go
        Polygon or multipolygon in metres; may be empty.
    origin
        Local origin (2,), taken off all coordinates.

    Examples
    --------
    >>> detours = Detours(shapely.box(-1, -3, 1, 9), (0, 0))
    >>> detours.ways(np.array([[-1, 0]]), np.array([[4, 0]]))[0].tolist()
    [[-1.0, 0.0], [-1.0, -3.0], [1.0, -3.0], [4.0, 0.0]]
    """

    def __init__(self, no_go: Any, origin: ArrayLike) -> None:
        shift = np.asarray(origin, dtype=np.float64)
        local = shapely.transform(
            shapely.union_all(shapely.get_parts(no_go)), lambda xy: xy - shift
        )
        outer = shapely.get_parts(local)
        core = shapely.buffer(outer, -BRUSH_M, join_style="mitre")
        self._core, part = shapely.get_parts(core, return_index=True)
        keep = ~shapely.is_empty(self._core)
        self._core, part = self._core[keep], part[keep]
        shapely.prepare(self._core)
        self._tree = shapely.STRtree(self._core)
        self._corners = [_corners(outer[p]) for p in part]
        self._offset = np.concatenate([[0], np.cumsum([len(c) for c in self._corners])])
        corners = np.concatenate([np.empty((0, 3, 2)), *self._corners])
        self._before, self._xy, self._after = corners[:, 0], corners[:, 1], corners[:, 2]
        self._outlines = [_Edge(shapely.get_exterior_ring(outer[p])) for p in part]
        self._rough = [_rough_hull(polygon) for polygon in self._core]
        self._links: dict[tuple[int, int], _Links] = {}

    def _meetings(self, start: Real, finish: Real) -> tuple[Whole, Whole]:
        """Pairs of walk and obstacle where a straight walk enters an obstacle."""
        lines = shapely.linestrings(np.stack([start, finish], axis=1))
        walk, obstacle = self._tree.query(lines, predicate="intersects")
        return walk, obstacle

    def blocked(self, start: Real, finish: Real) -> NDArray[np.bool_]:
        """Mask (n,) of the straight walks (n, 2) to (n, 2) that enter an obstacle."""
        mask = np.zeros(len(start), dtype=bool)
        mask[self._meetings(start, finish)[0]] = True
        return mask

    def estimate(self, start: Real, finish: Real) -> Real:
        """Lengths (n,) of walks (n, 2) to (n, 2), quickly.

        Straight where nothing is in the way, and otherwise round the convex hull of all that
        is: exact for one convex obstacle, else near enough to choose by.
        """
        length: Real = np.hypot(*(finish - start).T)
        walk, obstacle = self._meetings(start, finish)
        if walk.size == 0:
            return length
        barred, row = np.unique(walk, return_inverse=True)
        ends = np.concatenate([start[barred], finish[barred]])
        shape = [self._rough[o] for o in obstacle]
        xy = np.concatenate([ends, *shape])
        owner = np.concatenate(
            [np.tile(np.arange(len(barred)), 2), np.repeat(row, [len(s) for s in shape])]
        )
        sort = np.argsort(owner, kind="stable")
        hull = np.asarray(shapely.convex_hull(shapely.multipoints(xy[sort], indices=owner[sort])))
        length[barred] = np.maximum(
            length[barred], _half_way_round(hull, start[barred], finish[barred])
        )
        return length

    def ways(self, start: Real, finish: Real) -> list[Real | None]:
        """Shortest ways (k, 2) from points (n, 2) to points (n, 2).

        None stands where obstacles enclose one of the two points but not the other.
        """
        ways: list[Real | None] = list(np.stack([start, finish], axis=1))
        walk, obstacle = self._meetings(start, finish)
        for i, way in self._along_edges(start, finish, walk, obstacle).items():
            ways[i] = way
            walk = walk[walk != i]
        for i in np.unique(walk):
            ways[i] = self._way(np.array([start[i], finish[i]]))
        return ways

    def _along_edges(
        self, start: Real, finish: Real, walk: Whole, obstacle: Whole
    ) -> dict[int, Real]:
        """Ways between two points on the outline of the one obstacle between them.

        Most detours are these: steps from lane to lane along an exclusion. The taut line along
        the outline is the convex hull of that part of it. Any way round the other side makes,
        together with this one, a loop round the obstacle, as long as its hull at least: so this
        one is the shortest if it is no longer than half of that, and meets nothing else.
        """
        single, row, count = np.unique(walk, return_index=True, return_counts=True)
        found: dict[int, Real] = {}
        for i, k in zip(single[count == 1], obstacle[row[count == 1]], strict=True):
            way = self._outlines[k].between(start[i], finish[i])
            if way is not None:
                found[int(i)] = way
        if not found:
            return found
        owner = np.repeat(list(found), [len(way) - 1 for way in found.values()])
        legs = np.concatenate([np.stack([w[:-1], w[1:]], axis=1) for w in found.values()])
        for i in np.unique(owner[self.blocked(legs[:, 0], legs[:, 1])]):
            del found[int(i)]
        return found

    def _way(self, ends: Real) -> Real | None:
        members = self._about(ends)
        way = self._way_round(ends, sorted(members)) if members else ends
        while way is not None:
            met = set(self._meetings(way[:-1], way[1:])[1].tolist()) - members
            if not met:
                break
            members |= met
            way = self._way_round(ends, sorted(members))
        return way

    def _about(self, ends: Real) -> set[int]:
        """Obstacles that a way round those on the straight walk is likely to meet."""
        met = self._meetings(ends[:1], ends[1:])[1]
        if met.size == 0:
            return set()
        around = np.concatenate([ends, *(self._rough[o] for o in met)])
        return set(self._tree.query(shapely.MultiPoint(around).convex_hull, "intersects").tolist())

    def _way_round(self, ends: Real, members: list[int]) -> Real | None:
        from scipy.sparse import coo_array
        from scipy.sparse.csgraph import dijkstra

        links = [self._between(a, b) for i, a in enumerate(members) for b in members[i:]]
        links.append(self._from_ends(ends, members))
        tested = np.array(members)
        start, finish, length = [], [], []
        for link in links:
            free = np.ones(len(link.start), dtype=bool)
            free[link.walk[np.isin(link.obstacle, tested)]] = False
            start.append(link.start[free])
            finish.append(link.finish[free])
            length.append(link.length[free])
        nodes, index = np.unique(np.concatenate([[-2, -1], *start, *finish]), return_inverse=True)
        index = index[2:].reshape(2, -1)
        shape = (len(nodes), len(nodes))
        graph = coo_array((np.concatenate(length), (index[0], index[1])), shape=shape)
        distances, back = dijkstra(
            graph.tocsr(), directed=False, indices=[0], return_predecessors=True
        )
        distance, previous = distances[0], back[0]
        if np.isinf(distance[1]):
            return None
        route = [1]
        while route[-1] != 0:
            route.append(int(previous[route[-1]]))
        chosen = nodes[route[::-1]]
        return np.concatenate([ends[:1], self._xy[chosen[1:-1]], ends[1:]])

    def _between(self, a: int, b: int) -> _Links:
        """Walks from corners of one obstacle to corners of another, kept for the next time."""
        if (a, b) not in self._links:
            one = np.arange(self._offset[a], self._offset[a + 1])
            other = np.arange(self._offset[b], self._offset[b + 1])
            start, finish = (g.ravel() for g in np.meshgrid(one, other, indexing="ij"))
            useful = start < finish
            start, finish = start[useful], finish[useful]
            useful = self._passes(start, self._xy[finish])
            start, finish = start[useful], finish[useful]
            useful = self._passes(finish, self._xy[start])
            start, finish = start[useful], finish[useful]
            self._links[a, b] = self._link(start, finish, self._xy[start], self._xy[finish])
        return self._links[a, b]

    def _from_ends(self, ends: Real, members: list[int]) -> _Links:
        """Walks from the two ends to corners; the ends are numbered -2 and -1."""
        corner = np.concatenate([np.arange(self._offset[m], self._offset[m + 1]) for m in members])
        start = np.repeat([-2, -1], len(corner))
        finish = np.tile(corner, 2)
        useful = self._passes(finish, ends[start])
        start, finish = start[useful], finish[useful]
        return self._link(start, finish, ends[start], self._xy[finish])

    def _passes(self, corner: Whole, seen_from: Real) -> NDArray[np.bool_]:
        """Whether a walk from a point passes a corner without cutting into its obstacle."""
        toward = self._xy[corner] - seen_from
        one, other = _cross(toward, self._before[corner]), _cross(toward, self._after[corner])
        along_edge = np.minimum(np.abs(one), np.abs(other)) < BRUSH_M
        return np.asarray((one * other >= 0) | along_edge)

    def _link(self, start: Whole, finish: Whole, a: Real, b: Real) -> _Links:
        walk, obstacle = self._meetings(a, b)
        return _Links(
            start=start,
            finish=finish,
            length=np.hypot(*(b - a).T),
            walk=walk,
            obstacle=obstacle,
        )


class _Edge:
    """Outer edge of an obstacle."""

    def __init__(self, ring: Any) -> None:
        self._ring = ring
        self._xy = shapely.get_coordinates(ring)[:-1]
        steps = np.diff(shapely.get_coordinates(ring), axis=0)
        self._at = np.concatenate([[0.0], np.cumsum(np.hypot(*steps.T))[:-1]])
        self._half_hull_m = shapely.convex_hull(ring).length / 2

    def between(self, start: Real, finish: Real) -> Real | None:
        """Taut way (k, 2) along the edge between two points on it, if that is shortest."""
        ends = shapely.points(np.stack([start, finish]))
        if (shapely.distance(self._ring, ends) > BRUSH_M).any():
            return None
        low, high = place = shapely.line_locate_point(self._ring, ends)
        if low > high:
            low, high = high, low
        inner = (self._at > low) & (self._at < high)
        if (high - low) * 2 < self._ring.length:
            chain = self._xy[inner]
        else:
            chain = np.concatenate([self._xy[self._at >= high], self._xy[self._at <= low]])
            place = -place
        if place[0] > place[1]:
            chain = chain[::-1]
        return self._taut(start, finish, chain)

    def _taut(self, start: Real, finish: Real, chain: Real) -> Real | None:
        """Hull of a chain that lies on one side of the straight line between its ends."""
        side = _cross(np.broadcast_to(finish - start, chain.shape), chain - start)
        reach = BRUSH_M * float(np.hypot(*(finish - start)))
        if not len(chain) or (side.min() < -reach and side.max() > reach):
            return None
        turn = 1.0 if side.max() > reach else -1.0
        way = [start]
        for point in [*chain, finish]:
            # Drop what lies inside the turn.
            while len(way) > 1 and turn * _turn(way[-2], way[-1], point) >= 0:
                way.pop()
            way.append(point)
        taut = np.array(way)
        length = np.hypot(*np.diff(taut, axis=0).T).sum()
        return taut if length <= self._half_hull_m else None


def _turn(a: Real, b: Real, c: Real) -> float:
    """Positive where the way from a by b to c turns left."""
    return float((b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0]))


def _cross(a: Real, b: Real) -> Real:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], dtype=np.float64)


def _unit(a: Real) -> Real:
    return np.asarray(a / np.hypot(a[:, 0], a[:, 1])[:, None], dtype=np.float64)


def _corners(polygon: Any) -> Real:
    """Corners that stick out of a polygon, each between the directions of its edges.

    Shape (n, 3, 2): unit vector to the corner before, corner, unit vector to the one after.
    """
    found = [np.empty((0, 3, 2))]
    for ring in shapely.get_rings(shapely.orient_polygons(polygon)):
        xy = shapely.get_coordinates(ring)[:-1]
        before, after = np.roll(xy, 1, axis=0), np.roll(xy, -1, axis=0)
        out = _cross(xy - before, after - xy) > 0
        found.append(np.stack([_unit(before - xy), xy, _unit(after - xy)], axis=1)[out])
    return np.concatenate(found)


def _rough_hull(polygon: Any) -> Real:
    """A few vertices (n, 2) of the convex hull of a polygon."""
    xy = shapely.get_coordinates(shapely.convex_hull(polygon))[:-1]
    step = max(1, len(xy) // _ROUGH_VERTICES)
    return xy[::step]


def _half_way_round(hull: NDArray[np.object_], start: Real, finish: Real) -> Real:
    """Shorter way (n,) along the outlines of hulls (n,), from and to the nearest spots on them."""
    outline = shapely.get_exterior_ring(hull)
    place = [shapely.line_locate_point(outline, shapely.points(end)) for end in (start, finish)]
    aside = sum(shapely.distance(outline, shapely.points(end)) for end in (start, finish))
    along = np.abs(place[0] - place[1])
    return np.asarray(np.minimum(along, shapely.length(outline) - along) + aside)
