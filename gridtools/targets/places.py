"""Compact metal: places where an object would explain the hits, and the silence, about it.

Equations: docs/candidates.md, section 3.
"""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.targets.crossings import Crossings, members, points_of
from gridtools.targets.reach import ReachLaw

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

# Stated prior: ten compact objects to the hectare.
METAL_PER_M2 = 10 / 10_000
# Stated: a place is worth naming from this chance of metal on.
LEAST_CHANCE = 0.05
_ALONG_SIGMAS = 3.5


@dataclass(frozen=True, eq=False)
class Place:
    """One place where metal may be.

    Attributes
    ----------
    xy
        Posterior mean (2,) in the local frame.
    covariance_m2
        Posterior covariance (2, 2).
    log_evidence
        Log of the evidence for metal over that for background alone, prior density included.
    hits
        Rows of the hits that it explains, at most one of each run.
    half_reach
        Posterior (k,) over the half-reaches.
    """

    xy: Floats
    covariance_m2: Floats
    log_evidence: float
    hits: Whole
    half_reach: Floats


class EvidenceMap:
    """Log evidence for one compact object, cell by cell, near the hits.

    What depends on geometry alone is found once; the background of each hit and which hits are
    free may then change.

    Parameters
    ----------
    crossings
        Accepted runs and responses.
    law
        Lateral detection curves.
    usable
        Mask (n,) of the hits that may count; the others are background for good.
    """

    def __init__(self, crossings: Crossings, law: ReachLaw, usable: NDArray[np.bool_]) -> None:
        self.crossings, self.law = crossings, law
        self.sigma_m = crossings.sigma_m
        self.cell_m = min(law.half_reach_m[0] / 4, self.sigma_m / 1.2)
        self.free = usable.copy()
        self.density = np.zeros(len(usable))
        self.xy = self._cells(np.flatnonzero(usable))
        cell, run, self._lateral = crossings.passing(self.xy, law.reach_m)
        self._run = run
        self._start = np.searchsorted(cell, np.arange(len(self.xy) + 1))
        self._response = law.probability(self._lateral)
        self._join_hits(cell, run, np.flatnonzero(usable))
        self.log_evidence = np.full(len(self.xy), -np.inf)
        self._tree = shapely.STRtree(points_of(self.xy))

    def _cells(self, hits: Whole) -> Floats:
        """Cell centres of a square lattice in the frame, within a hit's range of any hit."""
        if not hits.size:
            return np.empty((0, 2))
        side = int(np.ceil(np.hypot(self.law.reach_m, 2 * self.sigma_m) / self.cell_m))
        shift = np.stack(np.meshgrid(*[np.arange(-side, side + 1)] * 2, indexing="ij"), axis=-1)
        shift = shift.reshape(-1, 2)
        home = np.unique(np.rint(self.crossings.cause_xy[hits] / self.cell_m), axis=0)
        block = (home[:, None, :] + shift[None, :, :]).reshape(-1, 2).astype(np.int64)
        key = np.unique(block[:, 0] * (1 << 32) + block[:, 1] + (1 << 31))
        lattice = np.stack([key >> 32, (key & ((1 << 32) - 1)) - (1 << 31)], axis=1)
        return np.asarray(lattice * self.cell_m, dtype=np.float64)

    def _join_hits(self, cell: Whole, run: Whole, hits: Whole) -> None:
        """Pair every (cell, run) with the hits of that run abreast of the cell."""
        runs = max(len(self.crossings.runs), 1)
        reach = np.hypot(self.law.reach_m, _ALONG_SIGMAS * self.sigma_m)
        causes = points_of(self.crossings.cause_xy[hits])
        near, at = shapely.STRtree(causes).query(
            points_of(self.xy), predicate="dwithin", distance=reach
        )
        hit = hits[at]
        along = np.sum(
            (self.crossings.cause_xy[hit] - self.xy[near]) * self.crossings.hit_unit[hit], axis=1
        )
        key = cell * runs + run
        wanted = near * runs + self.crossings.hit_run[hit]
        pair = np.searchsorted(key, wanted)
        pair_in = np.minimum(pair, max(len(key) - 1, 0))
        fits = np.abs(along) <= _ALONG_SIGMAS * self.sigma_m
        fits &= key[pair_in] == wanted if len(key) else False
        pair, hit, along = pair[fits], hit[fits], along[fits]
        order = np.lexsort((hit, pair))
        self._hit_pair, self._hit = pair[order], hit[order]
        self._along = along[order]
        self._density_at = _normal(self._along, self.sigma_m)
        self._hit_start = np.searchsorted(self._hit_pair, np.arange(len(key) + 1))
        self._pair_cell = cell
        by_hit = np.argsort(self._hit, kind="stable")
        self._by_hit = by_hit
        self._of_hit = np.searchsorted(self._hit[by_hit], np.arange(len(self.free) + 1))

    def set_background(self, density: Floats, free: NDArray[np.bool_]) -> None:
        """Work everything out again with another background.

        Parameters
        ----------
        density
            Density (n,) of hits, per metre along the run, that background gives at each hit.
        free
            Mask (n,) of the hits that a place may take.
        """
        self.density, self.free = density, free.copy()
        self.update(np.arange(len(self.xy)))

    def update(self, cells: Whole) -> None:
        """Work out the log evidence of some cells again."""
        if cells.size:
            by_reach = self._by_reach(cells)
            self.log_evidence[cells] = np.logaddexp.reduce(by_reach, axis=0)

    def _by_reach(self, cells: Whole) -> Floats:
        """Log evidence (k, c) of cells, for each half-reach, its share of the prior included."""
        pairs, of = members(self._start, cells)
        rows, to = members(self._hit_start, pairs)
        hit = self._hit[rows]
        free = self.free[hit]
        ratio = np.bincount(
            to, np.where(free, self._density_at[rows] / self.density[hit], 0.0), len(pairs)
        )
        # A run whose hit here belongs to something else proves nothing: two responses as close
        # as this are logged as one.
        merged = np.bincount(to, ~free & (np.abs(self._along[rows]) <= self.sigma_m), len(pairs))
        term = np.log1p(self._response[:, pairs] * (ratio - 1.0))
        term[:, (merged > 0) & (ratio == 0)] = 0.0
        total = np.zeros((len(term), len(cells)))
        for k, row in enumerate(term):
            total[k] = np.bincount(of, row, len(cells))
        prior = METAL_PER_M2 * self.cell_m**2 / len(term)
        return np.asarray(total + np.log(prior))

    def cells_of(self, hits: Whole) -> Whole:
        """Cells whose evidence hangs on any of the hits."""
        rows, _ = members(self._of_hit, hits)
        cells: Whole = np.unique(self._pair_cell[self._hit_pair[self._by_hit[rows]]])
        return cells

    def around(self, xy: Floats) -> Whole:
        """Cells that belong to one object about a place: within three posterior errors."""
        radius = max(2.0 * self.sigma_m, 2.0 * self.cell_m)
        found = self._tree.query(shapely.Point(xy), predicate="dwithin", distance=radius)
        return np.sort(found).astype(np.int64)

    def place_at(self, xy: Floats) -> Place:
        """Evidence for one object about a place, integrated over where exactly and its reach."""
        cells = self.around(xy)
        by_reach = self._by_reach(cells)
        joint = np.exp(by_reach - by_reach.max())
        mass = joint.sum(axis=0)
        at = (mass @ self.xy[cells]) / mass.sum()
        apart = self.xy[cells] - at
        covariance = (apart * mass[:, None]).T @ apart / mass.sum()
        half_reach = joint.sum(axis=1) / joint.sum()
        log_evidence = float(by_reach.max() + np.log(joint.sum()))
        return Place(at, covariance, log_evidence, self.hits_at(at, half_reach), half_reach)

    def hits_at(self, xy: Floats, half_reach: Floats) -> Whole:
        """Free hits that an object here more likely than not gave, at most one of each run."""
        c = self.crossings
        _, run, lateral = c.passing(xy[None], self.law.reach_m)
        response = half_reach @ self.law.probability(lateral)
        hit = c.hits_on(run)
        hit = hit[self.free[hit]]
        along = np.sum((c.cause_xy[hit] - xy) * c.hit_unit[hit], axis=1)
        hit, along = (
            hit[np.abs(along) <= _ALONG_SIGMAS * self.sigma_m],
            along[np.abs(along) <= _ALONG_SIGMAS * self.sigma_m],
        )
        of = np.searchsorted(run, c.hit_run[hit])
        ratio = _normal(along, self.sigma_m) / self.density[hit]
        total = np.bincount(of, ratio, len(run))
        share = response[of] * ratio / (1 - response[of] + response[of] * total[of])
        best = np.lexsort((hit, -share, of))
        first = best[np.unique(of[best], return_index=True)[1]]
        chosen: Whole = np.sort(hit[first][share[first] > 0.5])
        return chosen


def find_places(evidence: EvidenceMap) -> list[Place]:
    """Places of metal, the likeliest first, each hit used once.

    The cell with the greatest evidence is made a place and takes its hits; evidence that hung on
    them is worked out again; and so on until no cell has a chance worth naming. Each place is
    then weighed once more with only the hits of the *other* places taken.

    Returns
    -------
    list of Place
        In order of discovery.
    """
    least = np.log(LEAST_CHANCE)
    score = evidence.log_evidence.copy()
    found: list[Place] = []
    # One cell holds a part of a place's evidence only: look below the least chance for peaks.
    floor = least - np.log(max(4.0, (2 * evidence.sigma_m / evidence.cell_m) ** 2 * np.pi))
    while score.size and score[peak := int(np.argmax(score))] > floor:
        place = evidence.place_at(evidence.xy[peak])
        if place.log_evidence < least or not place.hits.size:
            score[peak] = -np.inf
            continue
        found.append(place)
        evidence.free[place.hits] = False
        stale = evidence.cells_of(place.hits)
        evidence.update(stale)
        dropped = np.isneginf(score[stale])
        score[stale] = np.where(dropped, -np.inf, evidence.log_evidence[stale])
        score[peak] = -np.inf
    settled = []
    for place in found:
        evidence.free[place.hits] = True
        again = evidence.place_at(place.xy)
        if again.hits.size:
            evidence.free[again.hits] = False
            settled.append(again)
    return settled


def _normal(x: Floats, sigma_m: float) -> Floats:
    density: Floats = np.exp(-0.5 * (x / sigma_m) ** 2) / (sigma_m * np.sqrt(2 * np.pi))
    return density
