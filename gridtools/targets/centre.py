"""The centre of one object from the marks made about it: mistakes left out, and its error ellipse.

Formulas and assumptions stand in docs/pinpoint-and-depth.md.
"""

from dataclasses import dataclass, replace

import numpy as np

from gridtools.targets.marks import OWN_SCATTER, Fit, Flags, Marks, Real, fit_marks, rows_of
from gridtools.units import bearing_of

_WILD = 3.1
_SCREEN = 2.0
_CHANCE = 0.01
_LONG_FROM = 8
# Near enough to compare fits.
_TRIAL_STEP_M = 1e-4


@dataclass(frozen=True, kw_only=True, eq=False)
class Centre:
    """Centre of one object.

    Attributes
    ----------
    xy
        Centre (2,).
    semi_major_m, semi_minor_m, axis_deg
        Error ellipse that holds the centre with a chance of 90 %.
    onset_m, onset_sd_m
        Distance (g,) from onset to centre of each group, across the object where it is long,
        and standard errors.
    distance_m
        Distance (n,) of each onset from the centre.
    kept, kept_flags
        Onsets (n,) and flags (m,) used.
    consistent
        Whether the marks used agree within their errors.
    own_scatter
        Whether the ellipse is from the scatter of the marks, not from their stated errors.
    surrounded
        Whether the onsets lie all round the centre.
    leans
        Whether the centre leans on where the object was thought to be.
    long_deg, long_m
        Direction in which onsets lie further out, and by how much; NaN where they do not.
    """

    xy: Real
    semi_major_m: float
    semi_minor_m: float
    axis_deg: float
    onset_m: Real
    onset_sd_m: Real
    distance_m: Real
    kept: Flags
    kept_flags: Flags
    consistent: bool
    own_scatter: bool
    surrounded: bool
    leans: bool
    long_deg: float
    long_m: float


def fit_centre(marks: Marks) -> Centre:
    """Centre, error ellipse and onset distances from the marks made about one object.

    Least squares on the distances from the centre, with Huber's weights (k = 1.5) against
    mistakes; an onset or a flag that lies out by more than its error allows is left out and told
    (after Baarda, 1968, each judged from a fit to the others). Where the onsets do not lie all
    round, the walkers' aim counts too, and in the last resort where the object was thought to be.

    With five or more degrees of freedom the ellipse comes from the scatter of the onsets and
    Fisher's F; with fewer from their stated errors, enlarged if the scatter is beyond them.

    Parameters
    ----------
    marks
        At least one onset or flag.

    Examples
    --------
    >>> from gridtools.units import unit_vector
    >>> heading = np.array([0.0, 90.0, 180.0, 270.0])
    >>> marks = Marks(
    ...     xy=np.array([5.0, 9.0]) - 1.5 * unit_vector(heading), heading_deg=heading,
    ...     sd_m=np.full(4, 0.2), group=np.zeros(4, dtype=np.int64), flag_xy=np.empty((0, 2)),
    ...     flag_sd_m=np.empty(0), expected_xy=np.array([4.0, 9.5]), expected_sd_m=1.0)
    >>> found = fit_centre(marks)
    >>> found.xy.round(9).tolist(), found.onset_m.round(9).tolist()
    ([5.0, 9.0], [1.5])
    """
    everything = np.ones(len(marks.xy) + len(marks.flag_xy), dtype=np.bool_)
    # Near the origin, so that steps of a nanometre are not lost in the coordinates.
    origin = np.concatenate([marks.xy, marks.flag_xy]).mean(axis=0)
    marks = replace(
        marks,
        xy=marks.xy - origin,
        flag_xy=marks.flag_xy - origin,
        expected_xy=marks.expected_xy - origin,
    )
    fit = _without_wild(fit_marks(marks, everything))
    long_deg, long_m = np.nan, np.nan
    wide = _oblong(marks, everything, fit)
    if wide is not None:
        a, b = wide.q[-2:]
        long_deg = float(np.degrees(np.arctan2(b, a)) / 2 % 180.0)
        long_m = 2 * float(np.hypot(a, b))
        # Of few onsets, one out of place looks like a long object: that is told, not believed.
        if len(marks.xy) >= _LONG_FROM:
            fit = wide
    return _centre(fit, origin, long_deg, long_m)


def _without_wild(fit: Fit) -> Fit:
    """Fit with the marks left out, one after the other, that lie out of a fit to the others."""
    for _ in range(len(fit.kept) // 3):
        measured = fit.residual[fit.measured]
        spare = np.sqrt(np.maximum(fit.redundancy[fit.measured], 0.05))
        if fit.freedom < 1.5 or (np.abs(measured) / spare).max() < _SCREEN:
            break
        trials = []
        for mark in np.flatnonzero(fit.kept).tolist():
            others = fit.kept.copy()
            others[mark] = False
            trials.append((fit_marks(fit.marks, others, step_m=_TRIAL_STEP_M), mark))
        _, mark = min(trials, key=lambda t: (t[0].leans, t[0].chi2))
        others = fit.kept.copy()
        others[mark] = False
        trial = fit_marks(fit.marks, others)
        if trial.freedom < 0.5 or trial.leans or not _is_wild(trial, mark):
            break
        fit = trial
    return fit


def _is_wild(trial: Fit, mark: int) -> bool:
    """Whether a mark lies out of the fit to the others by more than its error and theirs."""
    from scipy.special import stdtrit

    only = np.zeros_like(trial.kept)
    only[mark] = True
    residual, jacobian, measured = rows_of(trial.q, trial.marks, only, trial.theta, False, False)
    residual, jacobian = residual[measured], jacobian[measured]
    scale2, limit = _variance_factor(trial), _WILD
    if _trusts_scatter(trial, least=OWN_SCATTER - 1):
        limit = float(stdtrit(trial.freedom, 1 - _CHANCE / 2 / (len(trial.kept) + 1)))
    spread = (1.0 + ((jacobian @ trial.cofactor) * jacobian).sum(axis=1)) * scale2
    return bool((np.abs(residual) > limit * np.sqrt(spread)).any())


def _trusts_scatter(fit: Fit, least: int = OWN_SCATTER) -> bool:
    return fit.surrounded and not fit.leans and fit.freedom > least - 1e-6


def _variance_factor(fit: Fit) -> float:
    """Square of the true over the stated errors, as far as the marks can tell."""
    if fit.freedom < 0.5:
        return 1.0
    if _trusts_scatter(fit, least=OWN_SCATTER - 1):
        return max(fit.chi2 / fit.freedom, 1e-18)
    return 1.0 if _agrees(fit) else max(1.0, fit.chi2 / fit.freedom)


def _agrees(fit: Fit) -> bool:
    """Global test of the marks against their stated errors, at 5 %."""
    from scipy.special import chdtrc

    return fit.freedom < 0.5 or bool(chdtrc(fit.freedom, fit.chi2) >= 0.05)


def _oblong(marks: Marks, everything: Flags, round_fit: Fit) -> Fit | None:
    """Fit in which onsets lie further out in one direction and its opposite, if that explains more.

    A single mark out of place is believed before a long object.
    """
    from scipy.special import chdtrc, fdtrc

    n = len(marks.xy)
    left_out = int((~round_fit.kept).sum())
    if n < 4 or not round_fit.surrounded or left_out == 1:
        return None
    theta = 2 * np.radians(bearing_of(*(round_fit.q[:2] - marks.xy).T))
    wide = fit_marks(marks, everything, theta)
    plain = fit_marks(marks, everything) if left_out else round_fit
    if wide.leans or (np.abs(wide.residual) > _WILD * np.sqrt(_variance_factor(wide))).any():
        return None
    rank = np.linalg.matrix_rank
    more = int(rank(wide.jacobian, tol=1e-6) - rank(plain.jacobian, tol=1e-6))
    gain = plain.chi2 - wide.chi2
    if more < 1 or gain <= 0.0:
        return None
    if chdtrc(more, gain) >= _CHANCE:
        return None
    free = wide.freedom
    if free > 1.5 and fdtrc(more, free, gain / more * free / max(wide.chi2, 1e-18)) >= _CHANCE:
        return None
    return wide


def _centre(fit: Fit, origin: Real, long_deg: float, long_m: float) -> Centre:
    from scipy.special import fdtri

    own = _trusts_scatter(fit)
    scale2 = fit.chi2 / fit.freedom if own else _variance_factor_stated(fit)
    cofactor = fit.cofactor * max(scale2, 1e-18)
    limit2 = 2 * float(fdtri(2, fit.freedom, 0.9)) if own else -2 * np.log(0.1)
    value, vector = np.linalg.eigh(cofactor[:2, :2])
    minor, major = np.sqrt(np.maximum(value, 0.0) * limit2)
    n, wide = len(fit.marks.xy), 2 if len(fit.theta) else 0
    groups = int(fit.marks.group.max(initial=0)) + 1
    pick = np.zeros((groups, len(fit.q)))
    pick[:, 2] = 1.0
    if groups > 1:
        pick[:, 3 : 3 + groups] = np.eye(groups)
    across = float(np.hypot(*fit.q[-2:])) if wide else 0.0
    return Centre(
        xy=fit.q[:2] + origin,
        semi_major_m=float(major),
        semi_minor_m=float(minor),
        axis_deg=float(bearing_of(*vector[:, 1]) % 180.0),
        onset_m=pick @ fit.q - across,
        onset_sd_m=np.sqrt(np.maximum(((pick @ cofactor) * pick).sum(axis=1), 0.0)),
        distance_m=np.linalg.norm(fit.q[:2] - fit.marks.xy, axis=1),
        kept=fit.kept[:n],
        kept_flags=fit.kept[n:],
        consistent=own or _agrees(fit),
        own_scatter=own,
        surrounded=fit.surrounded,
        leans=fit.leans,
        long_deg=long_deg,
        long_m=long_m,
    )


def _variance_factor_stated(fit: Fit) -> float:
    return 1.0 if _agrees(fit) else max(1.0, fit.chi2 / max(fit.freedom, 0.5))
