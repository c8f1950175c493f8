"""The walked ground as evidence sees it: accepted runs, the responses on them, who passed where."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.layers import Hits, Lanes, Runs
from gridtools.units import unit_vector

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

# Stated: hits of one run no further apart than this are one response.
SAME_RESPONSE_M = 0.5
_LONGEST_RESPONSE_M = 4.0


@dataclass(frozen=True)
class Frame:
    """Local frame that turns and moves with the job, so that results do too.

    Attributes
    ----------
    origin_m
        Origin (2,) in the job CRS.
    bearing_deg
        Grid bearing of the frame's north.
    """

    origin_m: tuple[float, float]
    bearing_deg: float

    def to_local(self, xy: Floats) -> Floats:
        """Points (n, 2) in the frame."""
        east, north = unit_vector([self.bearing_deg + 90.0, self.bearing_deg])
        local: Floats = (xy - np.array(self.origin_m)) @ np.stack([east, north], axis=1)
        return local

    def to_job(self, xy: Floats) -> Floats:
        """Points (n, 2) of the frame in the job CRS."""
        east, north = unit_vector([self.bearing_deg + 90.0, self.bearing_deg])
        job: Floats = xy @ np.stack([east, north]) + np.array(self.origin_m)
        return job


@dataclass(frozen=True, eq=False)
class Crossings:
    """Accepted runs and the responses on them, in the local frame and in a fixed order.

    Attributes
    ----------
    frame
        The local frame.
    runs, hits
        Accepted runs (m,) by run id, and the responses (n,) that lie on them by hit id.
    lines, tree
        Runs as lines in the frame, and their spatial index.
    piece_tree, piece_run
        Spatial index of the straight pieces of the runs, and the row of the run of each.
    run_start, run_unit, run_length_m
        Chord of each run: start (m, 2), unit vector (m, 2), length (m,).
    hit_run
        Row (n,) of the run of each hit.
    hit_xy, hit_unit
        Place (n, 2) as logged, and heading as a unit vector (n, 2), both in the frame.
    offset_m
        Heading offset that the evidence takes off.
    sigma_m
        Standard error of a hit along its heading.
    hits_by_run, run_hits
        Rows of the hits run by run, and where those of each run begin (m + 1,).
    """

    frame: Frame
    runs: Runs
    hits: Hits
    lines: NDArray[np.object_]
    tree: shapely.STRtree
    piece_tree: shapely.STRtree
    piece_run: Whole
    run_start: Floats
    run_unit: Floats
    run_length_m: Floats
    hit_run: Whole
    hit_xy: Floats
    hit_unit: Floats
    offset_m: float
    sigma_m: float
    hits_by_run: Whole
    run_hits: Whole

    @property
    def cause_xy(self) -> Floats:
        """Places (n, 2) abreast of which the cause of each hit lies: the offset taken off."""
        return self.hit_xy - self.offset_m * self.hit_unit

    def with_offset(self, offset_m: float) -> "Crossings":
        """Copy with another heading offset."""
        return Crossings(**{**self.__dict__, "offset_m": offset_m})

    def hits_on(self, run: Whole) -> Whole:
        """Rows of the hits on some runs, in order."""
        rows, _ = members(self.run_hits, run)
        return np.sort(self.hits_by_run[rows])

    def passing(self, xy: Floats, reach_m: float) -> tuple[Whole, Whole, Floats]:
        """Which runs pass within reach of which places.

        Parameters
        ----------
        xy
            Places (k, 2) in the frame.
        reach_m
            Greatest distance from the place to the run.

        Returns
        -------
        place, run, distance_m
            One row (p,) for each place and run, sorted by place, then run.
        """
        # Pieces, since the boxes of long runs across the frame meet nearly everything.
        points = points_of(xy)
        place, piece = self.piece_tree.query(points, predicate="dwithin", distance=reach_m)
        run = self.piece_run[piece]
        distance = np.asarray(shapely.distance(points[place], self.piece_tree.geometries[piece]))
        order = np.lexsort((distance, run, place))
        place, run, distance = place[order].astype(np.int64), run[order], distance[order]
        first = (np.diff(place, prepend=-1) != 0) | (np.diff(run, prepend=-1) != 0)
        return place[first], run[first], distance[first]


def members(start: Whole, rows: Whole) -> tuple[Whole, Whole]:
    """Positions of all members of some rows of a grouped array, and which row each is of."""
    counts = start[rows + 1] - start[rows]
    of = np.repeat(np.arange(len(rows)), counts)
    within = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    return (start[rows][of] + within).astype(np.int64), of


def points_of(xy: Floats) -> NDArray[np.object_]:
    """Points (n,) of coordinates (n, 2)."""
    return np.asarray(shapely.points(xy), dtype=np.object_)


def build_crossings(runs: Runs, hits: Hits, lanes: Lanes, *, sigma_m: float) -> Crossings:
    """Evidence from accepted runs and unstruck responses; everything else says nothing.

    Parameters
    ----------
    runs
        Runs; those not accepted are left out.
    hits
        One row per response; those struck out, without a place or heading, or not on an accepted
        run are left out, and those half a metre or less apart on one run count once.
    lanes
        Planned lanes; the first gives the local frame, else the first run does.
    sigma_m
        Standard error of a hit along its heading.
    """
    whole = runs.accepted & (shapely.length(runs.geometry) > 0)
    runs = runs.take(np.flatnonzero(whole)[np.argsort(runs.run_id[whole], kind="stable")])
    known = dict(zip(runs.run_id, range(len(runs)), strict=True))
    hit_run = np.array([known.get(r, -1) for r in hits.run_id], dtype=np.int64)
    heading = np.where(
        np.isfinite(hits.heading_deg) | (hit_run < 0),
        hits.heading_deg,
        runs.heading_deg[hit_run] if len(runs) else np.nan,
    )
    use = ~hits.struck & (hit_run >= 0) & np.isfinite(heading) & ~_nowhere(hits.geometry)
    rows = np.flatnonzero(use)[np.argsort(hits.hit_id[use], kind="stable")]
    order = rows[_one_of_each(hits.geometry[rows], runs.geometry, hit_run[rows])]
    hits = hits.take(order).with_columns(heading_deg=heading[order])
    frame = _frame(runs, lanes)
    lines = shapely.transform(runs.geometry, frame.to_local)
    start = shapely.get_coordinates(shapely.get_point(lines, 0)).reshape(-1, 2)
    finish = shapely.get_coordinates(shapely.get_point(lines, -1)).reshape(-1, 2)
    length = np.linalg.norm(finish - start, axis=1)
    pieces, piece_run = _pieces(lines)
    unit = unit_vector(runs.heading_deg - frame.bearing_deg)
    straight = length > 0
    unit[straight] = (finish - start)[straight] / length[straight, None]
    return Crossings(
        frame=frame,
        runs=runs,
        hits=hits,
        lines=lines,
        tree=shapely.STRtree(lines),
        piece_tree=shapely.STRtree(pieces),
        piece_run=piece_run,
        run_start=start,
        run_unit=unit,
        run_length_m=length,
        hit_run=hit_run[order],
        hit_xy=frame.to_local(shapely.get_coordinates(hits.geometry).reshape(-1, 2)),
        hit_unit=unit_vector(hits.heading_deg - frame.bearing_deg),
        offset_m=0.0,
        sigma_m=sigma_m,
        hits_by_run=np.argsort(hit_run[order], kind="stable"),
        run_hits=np.searchsorted(np.sort(hit_run[order]), np.arange(len(runs) + 1)),
    )


def _pieces(lines: NDArray[np.object_]) -> tuple[NDArray[np.object_], Whole]:
    """Straight pieces of all lines, and the row of the line of each."""
    xy, of = shapely.get_coordinates(lines, return_index=True)
    same = of[1:] == of[:-1]
    ends = np.stack([xy[:-1], xy[1:]], axis=1)[same]
    return np.asarray(shapely.linestrings(ends), dtype=np.object_), of[1:][same].astype(np.int64)


def _one_of_each(
    places: NDArray[np.object_], lines: NDArray[np.object_], run: Whole
) -> NDArray[np.int64]:
    """Positions of the hits to keep: of hits so close along one run, that nearest their middle.

    A walker who marks a response again and again logs one response, not many. A response that
    goes on and on is cut every `_LONGEST_RESPONSE_M`.
    """
    along = np.asarray(shapely.line_locate_point(lines[run], places), dtype=np.float64)
    order = np.lexsort((np.arange(len(run)), along, run))
    step = np.diff(along[order], prepend=-np.inf)
    first = (np.diff(run[order], prepend=-1) != 0) | (step > SAME_RESPONSE_M)
    group = np.cumsum(first) - 1
    since = along[order] - along[order][np.flatnonzero(first)][group]
    group = np.unique(
        np.stack([group, (since // _LONGEST_RESPONSE_M).astype(np.int64)]), axis=1,
        return_inverse=True,
    )[1].ravel()  # fmt: skip
    count = np.maximum(np.bincount(group), 1)
    middle = np.bincount(group, along[order]) / count
    away = np.abs(along[order] - middle[group])
    best = np.lexsort((order, np.round(away, 6), group))
    keep: NDArray[np.int64] = np.sort(order[best][np.unique(group[best], return_index=True)[1]])
    return keep


def _nowhere(points: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Whether each point is empty or has no finite place."""
    out: NDArray[np.bool_] = ~np.isfinite(shapely.get_x(points) + shapely.get_y(points))
    return out


def _frame(runs: Runs, lanes: Lanes) -> Frame:
    if len(lanes):
        first = int(np.argmin(lanes.lane_id))
        line, bearing = lanes.geometry[first], lanes.bearing_deg[first]
    elif len(runs):
        line, bearing = runs.geometry[0], runs.heading_deg[0]
    else:
        return Frame((0.0, 0.0), 0.0)
    x, y = shapely.get_coordinates(line)[0]
    return Frame((float(x), float(y)), float(bearing) if np.isfinite(bearing) else 0.0)
