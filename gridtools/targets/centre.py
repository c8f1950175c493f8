"""The centre of one object from the points where its response starts.

Each onset lies on a circle about the centre whose radius, the onset distance, is not known: it
falls out where approaches come from all sides. Approaches led by another coil, or begun too near,
have a radius of their own. Formulas and assumptions stand in docs/pinpoint-and-depth.md.
"""

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from gridtools.units import bearing_of, unit_vector

Real = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Sideways error of a walker who aims at the centre, and of the heading noted; how far another
#: leading coil may shift the onset (all common practice, no source).
AIM_SD_M = 0.5
SHIFT_SD_M = 0.5
#: A place known no better than this from the approaches alone leans on where it was expected.
_LOST_M = 2.0
_SURROUNDED_DEG = 170.0
_HUBER = 1.5
_WILD = 3.1
_SCREEN = 2.0
_CHANCE = 0.01
#: With so many degrees of freedom the scatter of the points themselves tells their error.
_OWN_SCATTER = 5
# Circles through three of so many onsets are tried at first.
_CIRCLES_FROM = 12
_LONG_FROM = 8


@dataclass(frozen=True, kw_only=True, eq=False)
class Marks:
    """Marks made about one object, in metres.

    Attributes
    ----------
    xy
        Coil midpoint (n, 2) where the response started.
    heading_deg
        Directions walked (n,), NaN where unknown.
    sd_m
        Standard errors (n,) of the onsets along the walk.
    group
        Number (n,) from 0: onsets of one group share the onset distance.
    flag_xy, flag_sd_m
        Flagged centres (m, 2) and their standard errors (m,), each axis.
    expected_xy, expected_sd_m
        Where the object was thought to be (2,), and its standard error, each axis.
    """

    xy: Real
    heading_deg: Real
    sd_m: Real
    group: NDArray[np.int64]
    flag_xy: Real
    flag_sd_m: Real
    expected_xy: Real
    expected_sd_m: float


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


@dataclass(frozen=True, kw_only=True, eq=False)
class _Fit:
    marks: Marks
    kept: Flags  # onsets and flags (n + m,)
    theta: Real  # doubled bearings (n,) of the term of long objects, empty without it
    q: Real  # centre, onset distance, shifts of the groups, term of long objects
    jacobian: Real
    residual: Real  # standardised, all rows
    measured: Flags  # rows of onsets and flags, not of what is assumed
    redundancy: Real
    surrounded: bool
    leans: bool

    @property
    def freedom(self) -> float:
        return float(self.redundancy[self.measured].sum())

    @property
    def chi2(self) -> float:
        return float((self.residual[self.measured] ** 2).sum())

    @property
    def cofactor(self) -> Real:
        normal = self.jacobian.T @ self.jacobian
        return np.asarray(np.linalg.pinv(normal, rcond=1e-13), dtype=np.float64)


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
    fit = _without_wild(_fit(marks, everything))
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


def _fit(marks: Marks, kept: Flags, theta: Real | None = None) -> _Fit:
    """Robust fit to the marks kept."""
    n = len(marks.xy)
    q = _start(marks, kept, 0 if theta is None else 2)
    theta = np.empty(0) if theta is None else theta
    surrounded = _is_surrounded(marks.xy[kept[:n]], q[:2])
    for leans in (False, True):
        for _ in range(60):
            residual, jacobian, measured = _rows(q, marks, kept, theta, not surrounded, leans)
            weight = _huber(residual, jacobian, measured)
            root = np.sqrt(weight)
            step = -np.linalg.lstsq(jacobian * root[:, None], residual * root, rcond=1e-12)[0]
            longest = np.hypot(*step[:2])
            q = q + step * min(1.0, 3.0 / max(longest, 1e-300))
            if np.abs(step).max() < 1e-11:
                break
        residual, jacobian, measured = _rows(q, marks, kept, theta, not surrounded, leans)
        normal = jacobian.T @ jacobian
        known = np.linalg.matrix_rank(jacobian[:, :3], tol=1e-6) >= (3 if kept[:n].any() else 2)
        inverse = np.linalg.pinv(normal, rcond=1e-13)
        if known and np.sqrt(np.linalg.eigvalsh(inverse[:2, :2])[-1]) <= _LOST_M:
            break
        q[:2] = marks.expected_xy
    redundancy = np.maximum(1.0 - ((jacobian @ inverse) * jacobian).sum(axis=1), 0.0)
    return _Fit(
        marks=marks,
        kept=kept,
        theta=theta,
        q=q,
        jacobian=jacobian,
        residual=residual,
        measured=measured,
        redundancy=redundancy,
        surrounded=_is_surrounded(marks.xy[kept[:n]], q[:2]),
        leans=leans,
    )


def _start(marks: Marks, kept: Flags, extra: int) -> Real:
    """First guess: a circle that most onsets lie on, or where lines of approach end."""
    n = len(marks.xy)
    xy, heading = marks.xy[kept[:n]], marks.heading_deg[kept[:n]]
    flags = marks.flag_xy[kept[n:]]
    aimed = np.isfinite(heading)
    guess = _circle_centre(xy)
    if guess is None and len(flags):
        guess = np.median(flags, axis=0)
    elif guess is None:
        # Lines of approach that are all as long: xy = centre - length * direction.
        u = unit_vector(heading[aimed])
        rows = np.zeros((2 * len(u) + 2, 3))
        rows[: len(u), 0] = rows[len(u) : -2, 1] = 1.0
        rows[:-2, 2] = -u.T.ravel()
        rows[-2:, :2] = 1e-3 * np.eye(2)
        wanted = np.concatenate([xy[aimed].T.ravel(), 1e-3 * marks.expected_xy])
        guess = np.linalg.lstsq(rows, wanted, rcond=None)[0][:2]
    groups = int(marks.group.max(initial=0)) + 1
    reach = float(np.median(np.linalg.norm(xy - guess, axis=1))) if len(xy) else 0.0
    return np.concatenate([guess, [reach], np.zeros(groups if groups > 1 else 0), np.zeros(extra)])


def _circle_centre(xy: Real) -> Real | None:
    """Centre (2,) of the circle through three onsets that most others lie nearest to.

    None where the onsets do not lie round it.
    """
    if len(xy) < 3:
        return None
    some = xy[np.unique(np.linspace(0, len(xy) - 1, min(len(xy), _CIRCLES_FROM)).astype(np.intp))]
    triple = some[np.array(list(combinations(range(len(some)), 3)))]
    # The same distance to all three: (p2 - p1) . c = (|p2|^2 - |p1|^2) / 2, and with p3.
    rows = triple[:, 1:] - triple[:, :1]
    square = (triple**2).sum(axis=2)
    bent = np.abs(np.linalg.det(rows)) > 1e-6 * np.abs(rows).max(axis=(1, 2)) ** 2
    if not bent.any():
        return None
    wanted = (square[bent, 1:] - square[bent, :1]) / 2
    centres = np.linalg.solve(rows[bent], wanted[:, :, None])[:, :, 0]
    distance = np.linalg.norm(xy[None] - centres[:, None], axis=2)
    off = np.abs(distance - np.median(distance, axis=1)[:, None])
    worst = np.sort(off, axis=1)[:, (len(xy) + 1) // 2]
    for i in np.argsort(worst, kind="stable")[:_CIRCLES_FROM]:
        if _is_surrounded(xy, centres[i]):
            best: Real = centres[i]
            return best
    return None


def _is_surrounded(xy: Real, centre: Real) -> bool:
    """Whether no half of the horizon about the centre is without a point."""
    if len(xy) < 3:
        return False
    bearing = np.sort(bearing_of(*(xy - centre).T))
    return bool(np.diff(bearing, append=bearing[0] + 360.0).max() <= _SURROUNDED_DEG)


def _rows(
    q: Real, marks: Marks, kept: Flags, theta: Real, aims: bool, leans: bool
) -> tuple[Real, Real, Flags]:
    """Standardised residuals (k,), their derivatives (k, p), and which are measurements."""
    n, groups = len(marks.xy), len(q) - 3 - (2 if len(theta) else 0)
    on, flag = np.flatnonzero(kept[:n]), np.flatnonzero(kept[n:])
    away = q[:2] - marks.xy[on]
    distance = np.maximum(np.linalg.norm(away, axis=1), 1e-9)
    radial = np.zeros((len(on), len(q)))
    radial[:, :2] = away / distance[:, None]
    radial[:, 2] = -1.0
    if groups:
        radial[np.arange(len(on)), 3 + marks.group[on]] = -1.0
    if len(theta):
        radial[:, -2:] = -np.column_stack([np.cos(theta[on]), np.sin(theta[on])])
    blocks = [((distance + radial[:, 2:] @ q[2:]) / marks.sd_m[on], radial / marks.sd_m[on, None])]
    blocks.append(_place_rows(q, marks.flag_xy[flag], marks.flag_sd_m[flag]))
    count = sum(len(b[0]) for b in blocks)
    aimed = on[np.isfinite(marks.heading_deg[on])]
    if aims and len(aimed):
        right = unit_vector(marks.heading_deg[aimed] + 90.0)
        sd = np.hypot(marks.sd_m[aimed], AIM_SD_M)
        rows = np.zeros((len(aimed), len(q)))
        rows[:, :2] = right / sd[:, None]
        blocks.append((((q[:2] - marks.xy[aimed]) * right).sum(axis=1) / sd, rows))
    if groups:
        rows = np.zeros((groups, len(q)))
        rows[:, 3 : 3 + groups] = np.eye(groups) / SHIFT_SD_M
        blocks.append((q[3 : 3 + groups] / SHIFT_SD_M, rows))
    if leans:
        blocks.append(_place_rows(q, marks.expected_xy[None, :], np.array([marks.expected_sd_m])))
    residual = np.concatenate([b[0] for b in blocks])
    measured = np.arange(len(residual)) < count
    return residual, np.concatenate([b[1] for b in blocks]), measured


def _place_rows(q: Real, xy: Real, sd_m: Real) -> tuple[Real, Real]:
    """Rows for places (m, 2) at which the centre was seen: all eastings, then all northings."""
    rows = np.zeros((2 * len(xy), len(q)))
    rows[: len(xy), 0] = rows[len(xy) :, 1] = 1.0
    sd = np.concatenate([sd_m, sd_m])
    return (q[:2] - xy).T.ravel() / sd, rows / sd[:, None]


def _huber(residual: Real, jacobian: Real, measured: Flags) -> Real:
    """Huber's weights (k,): residuals are compared with their own standard errors."""
    if measured.sum() - jacobian.shape[1] < 2:  # no way to tell which is mistaken
        return np.ones(len(residual))
    inverse = np.linalg.pinv(jacobian.T @ jacobian, rcond=1e-13)
    spare = 1.0 - ((jacobian @ inverse) * jacobian).sum(axis=1)
    size = np.abs(residual) / np.sqrt(np.maximum(spare, 0.1))
    size = size / max(1.0, _robust_scale(residual[measured], len(inverse)))
    out: Real = np.minimum(1.0, _HUBER / np.maximum(size, 1e-12))
    out[~measured] = 1.0
    return out


def _robust_scale(residual: Real, parameters: int) -> float:
    """Scale of residuals from their median size; for few of them the median says nothing."""
    free = len(residual) - parameters
    if free < _OWN_SCATTER:
        return 1.0
    return float(1.4826 * np.median(np.abs(residual)) / np.sqrt(free / len(residual)))


def _without_wild(fit: _Fit) -> _Fit:
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
            trials.append((_fit(fit.marks, others), mark))
        trial, mark = min(trials, key=lambda t: (t[0].leans, t[0].chi2))
        if trial.freedom < 0.5 or trial.leans or not _is_wild(trial, mark):
            break
        fit = trial
    return fit


def _is_wild(trial: _Fit, mark: int) -> bool:
    """Whether a mark lies out of the fit to the others by more than its error and theirs."""
    from scipy.special import stdtrit

    only = np.zeros_like(trial.kept)
    only[mark] = True
    residual, jacobian, measured = _rows(trial.q, trial.marks, only, trial.theta, False, False)
    residual, jacobian = residual[measured], jacobian[measured]
    scale2, limit = _variance_factor(trial), _WILD
    if _trusts_scatter(trial, least=_OWN_SCATTER - 1):
        limit = float(stdtrit(trial.freedom, 1 - _CHANCE / 2 / (len(trial.kept) + 1)))
    spread = (1.0 + ((jacobian @ trial.cofactor) * jacobian).sum(axis=1)) * scale2
    return bool((np.abs(residual) > limit * np.sqrt(spread)).any())


def _trusts_scatter(fit: _Fit, least: int = _OWN_SCATTER) -> bool:
    return fit.surrounded and not fit.leans and fit.freedom > least - 1e-6


def _variance_factor(fit: _Fit) -> float:
    """Square of the true over the stated errors, as far as the marks can tell."""
    if fit.freedom < 0.5:
        return 1.0
    if _trusts_scatter(fit, least=_OWN_SCATTER - 1):
        return max(fit.chi2 / fit.freedom, 1e-18)
    return 1.0 if _agrees(fit) else max(1.0, fit.chi2 / fit.freedom)


def _agrees(fit: _Fit) -> bool:
    """Global test of the marks against their stated errors, at 5 %."""
    from scipy.special import chdtrc

    return fit.freedom < 0.5 or bool(chdtrc(fit.freedom, fit.chi2) >= 0.05)


def _oblong(marks: Marks, everything: Flags, round_fit: _Fit) -> _Fit | None:
    """Fit in which onsets lie further out in one direction and its opposite, if that explains more.

    A single mark out of place is believed before a long object.
    """
    from scipy.special import chdtrc, fdtrc

    n = len(marks.xy)
    left_out = int((~round_fit.kept).sum())
    if n < 4 or not round_fit.surrounded or left_out == 1:
        return None
    theta = 2 * np.radians(bearing_of(*(round_fit.q[:2] - marks.xy).T))
    wide = _fit(marks, everything, theta)
    plain = _fit(marks, everything) if left_out else round_fit
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


def _centre(fit: _Fit, origin: Real, long_deg: float, long_m: float) -> Centre:
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


def _variance_factor_stated(fit: _Fit) -> float:
    return 1.0 if _agrees(fit) else max(1.0, fit.chi2 / max(fit.freedom, 0.5))
