"""Straight lines of hits: a ground edge (one sense of crossing only) or a long object (both).

Equations: docs/candidates.md, section 4.
"""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.targets.crossings import Crossings, points_of

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

# Stated chances of a response where a run crosses a ground edge with its sense, and against it.
P_WITH, P_AGAINST = 0.75, 0.1
# Stated chance where a run crosses a long object, either sense.
P_LONG = 0.85
# Stated priors: metres of line to the hectare.
EDGE_M_PER_M2 = 200 / 10_000
LONG_M_PER_M2 = 20 / 10_000
# A run within 12 degrees of the line's own direction says nothing about it. (Not a multiple of the
# step of direction, so that no heading of a square plan lies on the limit.)
LEAST_CROSSING = np.sin(np.radians(12.0))
DIRECTIONS = 48
_LEAST_HITS = 3
_LONGEST_M = 500.0
_MOST_STEPS = 12


@dataclass(frozen=True, eq=False)
class HitLine:
    """A straight line that explains hits.

    Attributes
    ----------
    start, finish
        Ends (2,) in the local frame: the outermost of its hits.
    normal
        Unit vector (2,) across it: the sense that gives hits, if it is an edge.
    sense
        1 if an edge there would give hits along the normal, -1 if against it.
    long_object
        Whether hits come on both senses: metal, not an edge.
    log_evidence
        Log of its evidence over that for background alone, prior included.
    log_evidence_edge
        The same if the line were a ground edge, of the better sense.
    hits
        Rows of the hits that it explains, at most one of each run.
    """

    start: Floats
    finish: Floats
    normal: Floats
    sense: float
    long_object: bool
    log_evidence: float
    log_evidence_edge: float
    hits: Whole

    @property
    def length_m(self) -> float:
        """Distance between its ends."""
        return float(np.hypot(*(self.finish - self.start)))


def direction_grid_deg() -> Floats:
    """Bearings (48,) in the frame over which the heading that an edge responds to is weighed."""
    return np.arange(DIRECTIONS) * 360.0 / DIRECTIONS


def chance_by_sense(cosine: Floats, *, long_object: bool) -> Floats:
    """Chance of a response where a run crosses a line, and NaN where the run is along it.

    Parameters
    ----------
    cosine
        Dot product of heading and the line's normal.
    long_object
        Whether the line is a long object rather than a ground edge.

    Examples
    --------
    >>> chance_by_sense(np.array([1.0, -1.0, 0.0]), long_object=False).tolist()
    [0.75, 0.1, nan]
    """
    chance = (
        np.full(np.shape(cosine), P_LONG)
        if long_object
        else np.where(cosine > 0, P_WITH, P_AGAINST)
    )
    return np.where(np.abs(cosine) < LEAST_CROSSING, np.nan, chance)


def find_lines(
    crossings: Crossings,
    usable: NDArray[np.bool_],
    density: Floats,
    *,
    window_m: float,
    long_object: bool,
    least_length_m: float = 0.0,
) -> list[HitLine]:
    """Lines among the usable hits, the best first, each hit used once.

    Parameters
    ----------
    crossings
        Accepted runs and responses.
    usable
        Mask (n,) of hits that no better explanation has taken.
    density
        Background density (n,) of each hit, per metre along its run.
    window_m
        Half-length of the stretch on which a line is first looked for.
    long_object
        Look for long objects, crossed with hits from both senses, rather than ground edges.
    least_length_m
        Shorter lines are left out.
    """
    free = usable.copy()
    angles, gains = _seeds(crossings, np.flatnonzero(free), density, window_m, long_object)
    lines: list[HitLine] = []
    # Best seed first; ties by row, so that the order of input cannot matter.
    for seed in np.argsort(-gains, kind="stable"):
        if gains[seed] <= 0:
            break
        if not free[seed]:
            continue
        line = _grow(crossings, int(seed), angles[seed], free, density, window_m, long_object)
        if line is not None and line.length_m >= least_length_m:
            free[line.hits] = False
            lines.append(line)
    return lines


def _seeds(
    c: Crossings, hits: Whole, density: Floats, window_m: float, long_object: bool
) -> tuple[Floats, Floats]:
    """Best direction of the normal, and log evidence there, for a line through each hit."""
    turn = np.arange(DIRECTIONS) * (np.pi if long_object else 2 * np.pi) / DIRECTIONS
    best_angle, best_gain = np.zeros(len(c.hits)), np.full(len(c.hits), -np.inf)
    # A hit that background explains as well as any line could is no seed and no support.
    hits = hits[peak_density(c.sigma_m) / density[hits] > 2.0]
    causes = c.cause_xy
    tree = shapely.STRtree(points_of(causes[hits]))
    for chunk in np.array_split(hits, max(1, len(hits) // 500)):
        if not chunk.size:
            continue
        seed, run, _ = c.passing(causes[chunk], window_m)
        mine, other = tree.query(points_of(causes[chunk]), predicate="dwithin", distance=window_m)
        gain = np.zeros((len(chunk), DIRECTIONS))
        for k, angle in enumerate(turn):
            normal = np.array([np.sin(angle), np.cos(angle)])
            base = causes[chunk] @ normal
            along = causes[chunk] @ np.array([normal[1], -normal[0]])
            gain[:, k] = _line_terms(
                c, run, seed, base, along - window_m, along + window_m, normal,
                hits[other], mine, density, long_object, len(chunk),
            )  # fmt: skip
        k = np.argmax(gain, axis=1)
        best_angle[chunk], best_gain[chunk] = turn[k], gain[np.arange(len(chunk)), k]
    return best_angle, best_gain


def _line_terms(
    c: Crossings, run: Whole, of: Whole, base: Floats, low: Floats, high: Floats,
    normal: Floats, hit: Whole, hit_of: Whole, density: Floats, long_object: bool, count: int,
) -> Floats:  # fmt: skip
    """Log evidence (count,) of lines with one normal, from rows (line, run) and (line, hit)."""
    run_terms, chance, _ = _crossing_chance(
        c, run, base[of], low[of], high[of], normal, long_object
    )
    ratio = _hit_ratio(c, hit, base[hit_of], normal, density)
    key, wanted = of * len(c.runs) + run, hit_of * len(c.runs) + c.hit_run[hit]
    row = np.minimum(np.searchsorted(key, wanted), max(len(key) - 1, 0))
    on = (key[row] == wanted) if len(key) else np.zeros(0, dtype=bool)
    total = np.bincount(row[on], ratio[on], len(key))
    term = np.where(run_terms, np.log1p(np.nan_to_num(chance) * (total - 1.0)), 0.0)
    return np.bincount(of, term, count).astype(np.float64)


def _crossing_chance(
    c: Crossings, run: Whole, base: Floats, low: Floats, high: Floats, normal: Floats,
    long_object: bool,
) -> tuple[NDArray[np.bool_], Floats, Floats]:  # fmt: skip
    """Whether each run crosses the line between its ends, with what chance, and where along it."""
    unit = c.run_unit[run]
    cosine = unit @ normal
    chance = chance_by_sense(cosine, long_object=long_object)
    safe = np.where(np.abs(cosine) < LEAST_CROSSING, 1.0, cosine)
    walked = (base - c.run_start[run] @ normal) / safe
    tangent = np.array([normal[1], -normal[0]])
    at = (c.run_start[run] + walked[:, None] * unit) @ tangent
    crosses = np.isfinite(chance) & (walked >= 0) & (walked <= c.run_length_m[run])
    return crosses & (at >= low) & (at <= high), chance, at


def _hit_ratio(c: Crossings, hit: Whole, base: Floats, normal: Floats, density: Floats) -> Floats:
    """Density of each hit under the line over its background density."""
    cosine = c.hit_unit[hit] @ normal
    safe = np.where(np.abs(cosine) < LEAST_CROSSING, np.inf, cosine)
    along = (c.cause_xy[hit] @ normal - base) / safe
    along = np.where(np.isinf(safe), np.inf, along)
    out: Floats = peak_density(c.sigma_m) * np.exp(-0.5 * (along / c.sigma_m) ** 2) / density[hit]
    return out


def _grow(
    c: Crossings, seed: int, angle: float, free: NDArray[np.bool_], density: Floats,
    window_m: float, long_object: bool,
) -> HitLine | None:  # fmt: skip
    """Fit the line to its hits and lengthen it as far as the crossings bear it out."""
    causes = c.cause_xy
    normal = np.array([np.sin(angle), np.cos(angle)])
    base = float(causes[seed] @ normal)
    centre = float(causes[seed] @ np.array([normal[1], -normal[0]]))
    span = window_m
    reached = 0.0
    for _ in range(_MOST_STEPS):
        tangent = np.array([normal[1], -normal[0]])
        ends = np.stack([base * normal + (centre + t) * tangent for t in (-span, span)])
        run = np.sort(
            c.tree.query(shapely.LineString(ends), predicate="dwithin", distance=window_m)
        ).astype(np.int64)
        full = np.full(len(run), base)
        crosses, chance, at = _crossing_chance(
            c, run, full, full * 0 - np.inf, full * 0 + np.inf, normal, long_object
        )
        crosses &= np.abs(at - centre) <= span
        run, chance, at = run[crosses], chance[crosses], at[crosses]
        hit = c.hits_on(run)
        hit = hit[free[hit]]
        ratio = _hit_ratio(c, hit, np.full(len(hit), base), normal, density)
        of = np.searchsorted(run, c.hit_run[hit])
        total = np.bincount(of, ratio, len(run)).astype(np.float64)
        term = np.log1p(chance * (total - 1.0))
        order = np.argsort(at, kind="stable")
        first, last = _best_stretch(term[order], at[order], centre)
        inside = np.zeros(len(run), dtype=bool)
        inside[order[first:last]] = True
        gain = float(term[inside].sum())
        share = chance[of] * ratio / (1 - chance[of] + chance[of] * total[of])
        best = np.lexsort((hit, -share, of))
        best = best[np.unique(of[best], return_index=True)[1]]
        mine = hit[best][(share[best] > 0.5) & inside[of[best]]]
        if len(mine) < _LEAST_HITS:
            return None
        if long_object and np.ptp(np.sign(c.hit_unit[mine] @ normal)) == 0:
            return None
        edge_gain, sense = max(
            (_sense_gain(c.run_unit[run] @ normal * s, total)[inside].sum(), s) for s in (1.0, -1.0)
        )
        normal, base = _fit(causes[mine], normal)
        where = causes[mine] @ np.array([normal[1], -normal[0]])
        low, high = float(where.min()), float(where.max())
        if high - low <= reached + c.sigma_m:
            break
        centre, reached = (low + high) / 2, high - low
        span = min(max(reached, reached / 2 + window_m), _LONGEST_M)
    cosine = c.hit_unit[mine] @ normal
    if long_object and min(np.sum(cosine > 0), np.sum(cosine < 0)) < 2:
        return None
    length = high - low
    if length < 2 * c.sigma_m:
        return None
    # Laplace: the volume of directions and offsets that fit about as well.
    across = c.sigma_m / np.sqrt(len(mine))
    volume = across * min(across * np.sqrt(12) / length, 1.0)
    as_edge = float(edge_gain + np.log(EDGE_M_PER_M2 * volume))
    log_evidence = gain + float(np.log(LONG_M_PER_M2 * volume)) if long_object else as_edge
    if log_evidence <= 0:
        return None
    tangent = np.array([normal[1], -normal[0]])
    return HitLine(
        start=base * normal + low * tangent,
        finish=base * normal + high * tangent,
        normal=normal,
        sense=sense,
        long_object=long_object,
        log_evidence=log_evidence,
        log_evidence_edge=as_edge,
        hits=np.sort(mine),
    )


def _sense_gain(cosine: Floats, total: Floats) -> Floats:
    """Terms of the log evidence if the line were an edge with this sense."""
    out: Floats = np.log1p(chance_by_sense(cosine, long_object=False) * (total - 1.0))
    return out


def _best_stretch(term: Floats, at: Floats, centre: float) -> tuple[int, int]:
    """Stretch of consecutive crossings about the centre with the greatest sum: first, end."""
    middle = int(np.argmin(np.abs(at - centre)))
    right = np.cumsum(term[middle:])
    left = np.cumsum(term[: middle + 1][::-1])
    return middle - int(np.argmax(left)), middle + int(np.argmax(right)) + 1


def _fit(xy: Floats, normal: Floats) -> tuple[Floats, float]:
    """Total least squares line: its normal, on the side of the one given, and its distance."""
    centre = xy.mean(axis=0)
    _, vectors = np.linalg.eigh((xy - centre).T @ (xy - centre))
    across = vectors[:, 0]
    across = across if across @ normal >= 0 else -across
    return across, float(centre @ across)


def peak_density(sigma_m: float) -> float:
    """Density of a hit right where its cause lies, per metre along the run."""
    return float(1.0 / (sigma_m * np.sqrt(2 * np.pi)))


def line_density(lines: list[HitLine], c: Crossings) -> Floats:
    """Density (n,) of hits that known edges give at each hit, per metre along its run."""
    out = np.zeros(len(c.hits))
    hit = np.arange(len(out))
    for line in lines:
        tangent = np.array([line.normal[1], -line.normal[0]])
        base = np.full(len(out), line.start @ line.normal)
        ratio = _hit_ratio(c, hit, base, line.normal, np.ones(len(out)))
        chance = chance_by_sense(c.hit_unit @ line.normal, long_object=line.long_object)
        where = c.cause_xy @ tangent
        ends = np.sort([line.start @ tangent, line.finish @ tangent])
        inside = (where >= ends[0] - c.sigma_m) & (where <= ends[1] + c.sigma_m)
        out += np.where(inside, np.nan_to_num(chance) * ratio, 0.0)
    return out
