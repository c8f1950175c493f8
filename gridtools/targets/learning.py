"""What outcomes teach: hit rates, errors of place, heading offset, and passes over real finds."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from gridtools.layers import DepthFactors, Evidence, Hits, Pinpoints, Runs
from gridtools.targets.depth import learn_factor
from gridtools.units import unit_vector

Real = NDArray[np.float64]

#: Bands of the chance stated, and the share of the intervals that hold the truth.
BANDS = ((0.0, 0.2), (0.2, 0.5), (0.5, 0.8), (0.8, 1.0))
CONFIDENCE = 0.9
#: Fewer digs than this in a band say nothing (stated).
FEWEST_IN_BAND = 5
#: Fewer finds with a place of their own than this teach no error of place, nor heading offset.
FEWEST_PLACES, FEWEST_OBJECTS = 5, 3
#: An object longer than this is heard off its centre, and teaches no heading offset.
LONGEST_M = 2.5
#: Standard error of the depth to the top of a find, taped (common practice, no source).
DEPTH_TAPE_SD_M = 0.05


@dataclass(frozen=True)
class Band:
    """How often digs of one band of stated chance found metal.

    Attributes
    ----------
    low, high
        Band of the chance stated, ``high`` left out but for 1.
    digs, metal
        Digs, and those of them that found metal.
    stated
        Mean chance stated; NaN without digs.
    rate_low, rate_high
        90 % interval of the hit rate (Clopper and Pearson 1934), 0 to 1 without digs.
    verdict
        ``too few to say``, ``agrees``, ``chance stated too high`` or ``chance stated too low``.
    """

    low: float
    high: float
    digs: int
    metal: int
    stated: float
    rate_low: float
    rate_high: float
    verdict: str


def hit_rates(p_metal: ArrayLike, metal: ArrayLike) -> tuple[Band, ...]:
    """Hit rate by band of stated chance, and whether the chance is borne out on this ground.

    Parameters
    ----------
    p_metal
        Chance (n,) stated before the dig.
    metal
        Whether it found metal (n,).

    Examples
    --------
    >>> bands = hit_rates([0.9] * 10, [True] * 9 + [False])
    >>> bands[3].verdict, round(bands[3].rate_low, 3), round(bands[3].rate_high, 3)
    ('agrees', 0.606, 0.995)
    """
    p, hit = np.asarray(p_metal, dtype=np.float64), np.asarray(metal, dtype=np.bool_)
    out = []
    for low, high in BANDS:
        inside = (p >= low) & ((p < high) | (high == 1.0))
        n, k = int(inside.sum()), int(hit[inside].sum())
        rate_low, rate_high = share_interval(k, n)
        stated = float(p[inside].mean()) if n else float("nan")
        verdict = "agrees"
        if n < FEWEST_IN_BAND:
            verdict = "too few to say"
        elif stated > rate_high:
            verdict = "chance stated too high"
        elif stated < rate_low:
            verdict = "chance stated too low"
        out.append(Band(low, high, n, k, stated, rate_low, rate_high, verdict))
    return tuple(out)


def share_interval(count: int, of: int) -> tuple[float, float]:
    """90 % interval of a share seen as a count (Clopper and Pearson 1934); 0 to 1 of nothing.

    Examples
    --------
    >>> tuple(round(end, 4) for end in share_interval(0, 20))
    (0.0, 0.1391)
    """
    from scipy.stats import beta

    tail = (1 - CONFIDENCE) / 2
    low = float(beta.ppf(tail, count, of - count + 1)) if count else 0.0
    high = float(beta.ppf(1 - tail, count + 1, of - count)) if count < of else 1.0
    return low, high


@dataclass(frozen=True)
class PlaceErrors:
    """How far finds lay from where they were stated to be.

    Attributes
    ----------
    count
        Finds whose place was measured.
    rms_m
        Root mean square distance.
    within_90
        How many lay within the ellipse stated to hold 90 %.
    factor
        By how much the errors exceed those stated: root mean square of the distances in
        standard errors, over that expected.
    low, high
        90 % interval of the factor (chi-squared with twice as many degrees of freedom).
    """

    count: int
    rms_m: float
    within_90: int
    factor: float
    low: float
    high: float

    @property
    def teaches(self) -> bool:
        """Whether enough finds bear out that the errors differ from those stated."""
        return self.count >= FEWEST_PLACES and not self.low <= 1.0 <= self.high


def place_errors(
    apart_m: ArrayLike,
    semi_major_m: ArrayLike,
    semi_minor_m: ArrayLike,
    axis_deg: ArrayLike,
    place_sd_m: float,
) -> PlaceErrors | None:
    """Errors of place against those stated; None without finds.

    Parameters
    ----------
    apart_m
        East and north (n, 2) of each find from where it was stated to be.
    semi_major_m, semi_minor_m, axis_deg
        Half-axes of the standard error ellipse (one standard error) and its direction (n,).
    place_sd_m
        Standard error, each axis, with which the place of a find is known itself.

    Examples
    --------
    >>> errors = place_errors([[0.3, 0.0], [0.0, 0.4]], [0.3, 0.3], [0.3, 0.3], [0.0, 0.0], 0.0)
    >>> errors.count, round(errors.rms_m, 3), round(errors.factor, 3)
    (2, 0.354, 0.833)
    """
    from scipy.stats import chi2

    apart = np.asarray(apart_m, dtype=np.float64).reshape(-1, 2)
    n = len(apart)
    if not n:
        return None
    along = unit_vector(axis_deg)
    across = np.stack([along[:, 1], -along[:, 0]], axis=1)
    major = np.hypot(np.asarray(semi_major_m, dtype=np.float64), place_sd_m)
    minor = np.hypot(np.asarray(semi_minor_m, dtype=np.float64), place_sd_m)
    square = (np.sum(apart * along, axis=1) / major) ** 2
    square += (np.sum(apart * across, axis=1) / minor) ** 2
    total = float(square.sum())
    tail = (1 - CONFIDENCE) / 2
    return PlaceErrors(
        count=n,
        rms_m=float(np.sqrt(np.mean(np.sum(apart**2, axis=1)))),
        within_90=int(np.sum(square <= chi2.ppf(0.9, 2))),
        factor=float(np.sqrt(total / (2 * n))),
        low=float(np.sqrt(total / chi2.ppf(1 - tail, 2 * n))),
        high=float(np.sqrt(total / chi2.ppf(tail, 2 * n))),
    )


@dataclass(frozen=True)
class LearnedOffset:
    """Heading offset from hits on things that were really there."""

    offset_m: float
    standard_error_m: float
    objects: int
    hits: int


def learned_offset(
    candidate_id: Sequence[str],
    xy: Real,
    length_m: Real,
    evidence: Evidence,
    hits: Hits,
) -> LearnedOffset | None:
    """Heading offset, from the hits that finds of known place gave.

    A hit with heading h lies the offset beyond what caused it, along h. The place of the find
    has an error of its own, which counts forwards on one heading and backwards on the opposite:
    so for each find the hits of either sense of each line are averaged first, and finds with one
    sense only are left out. The mean over finds is the offset; their scatter, its error.

    Parameters
    ----------
    candidate_id, xy, length_m
        Finds (n,) with the candidate of each, the place (n, 2) where it was, and its length.
    evidence, hits
        Layers of the job: which hits each candidate explains, and where they were logged.

    Returns
    -------
    LearnedOffset or None
        None with fewer than three finds that teach it.
    """
    row_of = {h: i for i, h in enumerate(hits.hit_id)}
    means, used = [], 0
    for name, place, length in zip(candidate_id, xy, length_m, strict=True):
        if length > LONGEST_M:
            continue
        own = (evidence.candidate_id == name) & (evidence.hit_id != "")
        rows = np.array([row_of[h] for h in evidence.hit_id[own] if h in row_of], dtype=np.int64)
        if not rows.size:
            continue
        unit = unit_vector(hits.heading_deg[rows])
        late = np.sum((shapely.get_coordinates(hits.geometry[rows]) - place) * unit, axis=1)
        turn = hits.heading_deg[rows] - hits.heading_deg[rows[0]]
        axis = np.floor(np.mod(turn + 45.0, 180.0) / 90.0)  # along the first hit's line, or across
        pairs = []
        for line in np.unique(axis):
            one = unit[axis == line] @ unit[np.argmax(axis == line)] > 0
            if one.any() and not one.all():
                pairs.append((late[axis == line][one].mean() + late[axis == line][~one].mean()) / 2)
                used += int(one.size)
        if pairs:
            means.append(float(np.mean(pairs)))
    if len(means) < FEWEST_OBJECTS:
        return None
    error = float(np.std(means, ddof=1) / np.sqrt(len(means)))
    return LearnedOffset(float(np.mean(means)), error, len(means), used)


def learned_depth_factors(
    candidate_id: Sequence[str], depth_m: Real, pinpoints: Pinpoints
) -> DepthFactors:
    """Depth factor of each instrument set-up, from finds of known depth.

    Depths count from the coils, as onset distances do: the height at which they were carried is
    added. Onsets from too near, which give the depth only as *at least*, are left out.

    Parameters
    ----------
    candidate_id, depth_m
        Finds (n,), the depth of each from ground level to its top; NaN where unknown.
    pinpoints
        Pinpoints of the job.

    Returns
    -------
    DepthFactors
        A row for each set-up with two such finds or more, in the order of their names.
    """
    row_of = {name: i for i, name in enumerate(pinpoints.candidate_id)}
    groups: dict[tuple[str, str], list[tuple[int, float]]] = {}
    for name, depth in zip(candidate_id, depth_m, strict=True):
        row = row_of.get(name, -1)
        if row < 0 or not depth > 0 or not pinpoints.onset_m[row] > 0:
            continue
        if "at least" in pinpoints.basis[row]:
            continue
        setup = (str(pinpoints.instrument[row]), str(pinpoints.tuning[row]))
        groups.setdefault(setup, []).append((row, float(depth)))
    learned = []
    for (instrument, tuning), found in sorted(groups.items()):
        rows = np.array([row for row, _ in found])
        if len(rows) < 2:
            continue
        carried = np.nan_to_num(pinpoints.carry_height_m[rows])
        factor = learn_factor(
            pinpoints.onset_m[rows],
            np.nan_to_num(pinpoints.onset_sd_m[rows]),
            np.array([depth for _, depth in found]) + carried,
            DEPTH_TAPE_SD_M,
        )
        learned.append(
            DepthFactors.build(
                1,
                instrument=instrument,
                tuning=tuning,
                factor=factor.value,
                low=factor.low,
                high=factor.high if np.isfinite(factor.high) else np.nan,
                scatter=factor.scatter,
                digs=factor.n,
                basis=factor.basis,
            )
        )
    return DepthFactors.concat(learned)


def passes_over_finds(
    candidate_id: Sequence[str],
    xy: Real,
    length_m: Real,
    runs: Runs,
    evidence: Evidence,
    *,
    within_m: float,
) -> tuple[Real, NDArray[np.bool_], Real, NDArray[np.object_]]:
    """Accepted runs that passed abeam of finds: how far off, and whether they responded.

    Parameters
    ----------
    candidate_id, xy, length_m
        Finds (n,), as for `learned_offset`; long ones are left out.
    runs, evidence
        Layers of the job.
    within_m
        Passes farther off are left out.

    Returns
    -------
    lateral_m, responded, heading_deg, candidate_id
        Passes (k,); distances to the right of the run are positive.
    """
    accepted = runs.take(runs.accepted)
    heard = set(
        zip(
            evidence.candidate_id[evidence.responded],
            evidence.run_id[evidence.responded],
            strict=True,
        )
    )
    tree = shapely.STRtree(accepted.geometry)
    lateral, responded, heading, of = [], [], [], []
    for name, place, length in zip(candidate_id, xy, length_m, strict=True):
        if length > LONGEST_M:
            continue
        point = shapely.Point(place)
        for run in np.sort(tree.query(point, predicate="dwithin", distance=within_m)):
            line = accepted.geometry[run]
            at = shapely.line_locate_point(line, point)
            if not 0.0 < at < line.length:
                continue  # the run ends before it comes abeam
            foot = shapely.get_coordinates(shapely.line_interpolate_point(line, at))[0]
            unit = unit_vector(accepted.heading_deg[run])
            apart = place - foot
            right = apart[0] * unit[1] - apart[1] * unit[0]
            lateral.append(float(np.copysign(np.hypot(*apart), right)))
            responded.append((name, accepted.run_id[run]) in heard)
            heading.append(float(accepted.heading_deg[run]))
            of.append(name)
    return (
        np.array(lateral, dtype=np.float64),
        np.array(responded, dtype=np.bool_),
        np.array(heading, dtype=np.float64),
        np.array(of, dtype=np.object_),
    )
