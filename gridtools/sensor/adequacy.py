"""Whether test passes can settle a sweep width, and how well the curve fits them.

What is too few, too near or too one-sided has no published bound: the numbers here are common
practice, no source, chosen so that the interval of the width means what it says.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from gridtools.errors import InputError
from gridtools.sensor.curves import Curve
from gridtools.sensor.fit import Fit
from gridtools.sensor.trials import Trials
from gridtools.units import bearing_difference, format_length

#: Fewer passes than the first are refused; fewer than the second are worth a word.
FEWEST_PASSES, FEW_PASSES = 15, 30
FEWEST_DISTANCES, FEW_DISTANCES = 3, 5
#: The farthest quarter of the passes is what shows that the curve has come down.
_FAR_SHARE = 0.25
_FAR_REFUSED, _FAR_DOUBTED = 0.5, 0.15
_WIDE = 1.6
_SEED = 20
_DRAWS = 4000
_BIN_PASSES = 5


def check_trials(trials: Trials) -> list[str]:
    """Refuse passes that cannot settle a sweep width; sentences on what weakens the others.

    Raises
    ------
    InputError
        If there are too few passes or distances, no misses or no hits, or responses go on out to
        the farthest passes.
    """
    n, hits = len(trials), int(trials.responded.sum())
    distance = np.abs(trials.lateral_m)
    kinds = len(np.unique(np.round(distance, 2)))
    if n < FEWEST_PASSES:
        raise InputError(
            f"{n} test passes are too few to measure a sweep width: make {FEW_PASSES} to 40, "
            f"{FEWEST_PASSES} at the very least"
        )
    if hits == 0:
        raise InputError(
            "no test pass responded: check the instrument, and pass nearer to the test piece"
        )
    if hits == n:
        raise InputError(
            "every test pass responded, so nothing shows where the response ends: add passes "
            f"farther out than {format_length(distance.max())}, until most stay silent"
        )
    if kinds < FEWEST_DISTANCES:
        raise InputError(
            f"the test passes lie at {kinds} distances only: spread them from right over the "
            "piece to well beyond where it responds"
        )
    far = distance >= np.quantile(distance, 1.0 - _FAR_SHARE)
    share = float(trials.responded[far].mean())
    if share >= _FAR_REFUSED:
        raise InputError(
            f"{100 * share:.0f} % of the farthest test passes "
            f"({format_length(distance[far].min())} and "
            "beyond) responded, so the width has no end in sight: add passes farther out"
        )
    notices = []
    if n < FEW_PASSES:
        notices.append(f"{n} test passes are few: {FEW_PASSES} to 40 narrow the interval.")
    if kinds < FEW_DISTANCES:
        notices.append(f"The test passes lie at {kinds} distances only: {FEW_DISTANCES} or more.")
    if share > _FAR_DOUBTED:
        notices.append(
            f"{100 * share:.0f} % of the farthest test passes responded: what lies beyond "
            f"{format_length(distance.max())} is not counted, and passes farther out would "
            "tell. If they "
            "answer to something else in the ground, choose another place."
        )
    return [*notices, *_sides(trials), *_headings(trials)]


def _sides(trials: Trials) -> list[str]:
    right = int((trials.lateral_m > 0).sum())
    left = int((trials.lateral_m < 0).sum())
    if min(left, right) > 0.1 * (left + right):
        return []
    side = "right" if right > left else "left"
    return [
        f"The test piece lay to the {side} on nearly every pass: the other side is taken to be "
        "the same, which an offset coil makes wrong. Make passes on both sides, and write "
        "distances to the left as negative."
    ]


def _headings(trials: Trials) -> list[str]:
    known = trials.heading_deg[np.isfinite(trials.heading_deg)]
    if not len(known) or (np.abs(bearing_difference(known, known[0])) > 90.0).any():
        return []
    return ["All test passes were walked on one heading: walk half of them the other way."]


def check_fit(trials: Trials, fit: Fit) -> list[str]:
    """Refuse a fit without a bound; sentences on what weakens the others.

    Raises
    ------
    InputError
        If the passes set no upper end to the sweep width.
    """
    if not np.isfinite(fit.high_m):
        raise InputError(
            f"the test passes say no more than that the sweep width is above "
            f"{format_length(fit.low_m)}: "
            "add passes farther out, until most stay silent"
        )
    curve, notices = fit.best.curve, []
    distance = np.abs(trials.lateral_m)
    if distance.min() > curve.sweep_width_m / 8:
        notices.append(
            f"No test pass came nearer than {format_length(distance.min())}: what happens "
            "right over the "
            "piece is a guess."
        )
    if fit.high_m > _WIDE * fit.low_m:
        top = float(curve.probability(0.0))
        near, far = (float(curve.inverse(part * top)) for part in (0.9, 0.1))
        between = int(((distance >= near) & (distance <= far)).sum())
        notices.append(
            f"The interval is wide. {between} of the {len(trials)} passes lay where the response "
            f"falls off, {format_length(near)} to {format_length(far)}: more there narrow it most."
        )
    beyond = fit.best.law.sweep_width_m - fit.best.width_m
    if beyond > 0.05 * fit.best.width_m:
        notices.append(
            f"The {curve.kind} law as fitted goes on for {format_length(beyond)} of width "
            "beyond the "
            f"farthest pass ({format_length(distance.max())}), which no pass tested: it is not "
            "counted."
        )
    shift = _shift(trials, fit.best.law)
    if shift:
        side = "right" if shift > 0 else "left"
        notices.append(
            f"Responses centre {format_length(abs(shift))} to the {side} of the piece: check "
            "where the "
            "coil runs and how distances were measured."
        )
    return notices


def _shift(trials: Trials, law: Curve) -> float:
    """How far the middle of the responses lies off the piece; 0 unless 99 % sure of it.

    Half the 99 % point of chi-squared with one degree of freedom is 3.317.
    """
    reach = min(law.sweep_width_m / 2, float(np.abs(trials.lateral_m).max()))
    shifts = np.linspace(-reach, reach, 81)

    p = np.clip(law.probability(trials.lateral_m[:, None] - shifts), 1e-9, 1 - 1e-9)
    log_likelihood = np.where(trials.responded[:, None], np.log(p), np.log1p(-p)).sum(axis=0)
    best = int(np.argmax(log_likelihood))
    sure = log_likelihood[best] - log_likelihood[len(shifts) // 2] > 3.317
    return float(shifts[best]) if sure else 0.0


class Goodness(NamedTuple):
    """Goodness of fit: hits by distance against those expected, and what that means.

    Attributes
    ----------
    distance_m
        Middle of each group of passes (k,), nearest first.
    passes, hits, expected
        Passes, hits and expected hits of each group (k,).
    p
        Chance of a disagreement at least as great if the curve were true.
    words
        One sentence.
    """

    distance_m: NDArray[np.float64]
    passes: NDArray[np.int64]
    hits: NDArray[np.int64]
    expected: NDArray[np.float64]
    p: float
    words: str


def goodness(trials: Trials, curve: Curve) -> Goodness:
    """Pearson's comparison of hits by distance, its chance found by simulation (seeded).

    The curve was fitted to the same passes, so the chance comes out a little too high: a fit
    that it calls poor is poor.
    """
    order = np.argsort(np.abs(trials.lateral_m), kind="stable")
    distance, hit = np.abs(trials.lateral_m)[order], trials.responded[order]
    group = np.arange(len(hit)) * max(1, len(hit) // _BIN_PASSES) // len(hit)
    p = np.clip(curve.probability(distance), 1e-6, 1.0 - 1e-6)
    expected, spread = np.bincount(group, p), np.bincount(group, p * (1 - p))

    drawn = np.random.default_rng(_SEED).random((_DRAWS, len(p))) < p
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    sums = np.add.reduceat(drawn.astype(np.float64), starts, axis=1)
    seen = np.bincount(group, hit)
    misfit = float(((seen - expected) ** 2 / spread).sum())
    chance = float(np.mean(((sums - expected) ** 2 / spread).sum(axis=1) >= misfit - 1e-9))
    if chance >= 0.1:
        words = f"The {curve.kind} curve fits: hits by distance differ from it no more than by luck"
    elif chance >= 0.01:
        words = f"The {curve.kind} curve fits only fairly: look at the plot and at odd passes"
    else:
        words = (
            f"The {curve.kind} curve fits poorly: something else than distance decides, or the "
            "passes are not alike"
        )
    count = np.bincount(group)
    return Goodness(
        distance_m=np.bincount(group, distance) / count,
        passes=count.astype(np.int64),
        hits=seen.astype(np.int64),
        expected=expected.astype(np.float64),
        p=chance,
        words=f"{words} (p = {chance:.2f}).",
    )
