"""Least squares fit to the marks made about one object.

Each onset lies on a circle about the centre whose radius, the onset distance, is not known: it
falls out where approaches come from all sides. Approaches led by another coil, or begun too near,
have a radius of their own. Formulas and assumptions stand in docs/pinpoint-and-depth.md.
"""

from dataclasses import dataclass
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
#: With so many degrees of freedom the scatter of the points themselves tells their error.
OWN_SCATTER = 5
#: How closely a fit is worked out.
STEP_M = 1e-11
# A place known no better than this from the approaches alone leans on where it was expected.
_LOST_M = 2.0
_SURROUNDED_DEG = 170.0
_HUBER = 1.5
# Circles through three of so many onsets are tried at first.
_CIRCLES_FROM = 12


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
class Fit:
    """Fit to some of the marks about one object.

    Attributes
    ----------
    marks
        All of them.
    kept
        Onsets and flags (n + m,) fitted.
    theta
        Doubled bearings (n,) of the term of long objects, empty without it.
    q
        Parameters (p,): centre, onset distance, shifts of the groups, term of long objects.
    jacobian, residual
        Derivatives (k, p) and standardised residuals (k,) of all rows.
    measured
        Rows (k,) of onsets and flags, not of what is assumed.
    redundancy
        Share (k,) of each row that the others do not need.
    surrounded, leans
        As in `gridtools.targets.centre.Centre`.
    """

    marks: Marks
    kept: Flags
    theta: Real
    q: Real
    jacobian: Real
    residual: Real
    measured: Flags
    redundancy: Real
    surrounded: bool
    leans: bool

    @property
    def freedom(self) -> float:
        """Degrees of freedom of the measurements."""
        return float(self.redundancy[self.measured].sum())

    @property
    def chi2(self) -> float:
        """Sum of the squared standardised residuals of the measurements."""
        return float((self.residual[self.measured] ** 2).sum())

    @property
    def cofactor(self) -> Real:
        """Covariance (p, p) of the parameters as the stated errors give it."""
        normal = self.jacobian.T @ self.jacobian
        return np.asarray(np.linalg.pinv(normal, rcond=1e-13), dtype=np.float64)


def fit_marks(
    marks: Marks, kept: Flags, theta: Real | None = None, *, step_m: float = STEP_M
) -> Fit:
    """Robust fit to the marks kept.

    Parameters
    ----------
    marks
        Marks about one object.
    kept
        Onsets and flags (n + m,) to fit.
    theta
        Doubled bearings (n,) of the onsets, to fit a long object.
    step_m
        Done once no parameter moves by more.
    """
    n = len(marks.xy)
    q = _start(marks, kept, 0 if theta is None else 2)
    theta = np.empty(0) if theta is None else theta
    surrounded = _is_surrounded(marks.xy[kept[:n]], q[:2])
    for leans in (False, True):
        for _ in range(60):
            residual, jacobian, measured = rows_of(q, marks, kept, theta, not surrounded, leans)
            weight = _huber(residual, jacobian, measured)
            root = np.sqrt(weight)
            step = -np.linalg.lstsq(jacobian * root[:, None], residual * root, rcond=1e-12)[0]
            longest = np.hypot(*step[:2])
            q = q + step * min(1.0, 3.0 / max(longest, 1e-300))
            if np.abs(step).max() < step_m:
                break
        residual, jacobian, measured = rows_of(q, marks, kept, theta, not surrounded, leans)
        normal = jacobian.T @ jacobian
        known = np.linalg.matrix_rank(jacobian[:, :3], tol=1e-6) >= (3 if kept[:n].any() else 2)
        inverse = np.linalg.pinv(normal, rcond=1e-13)
        if known and np.sqrt(np.linalg.eigvalsh(inverse[:2, :2])[-1]) <= _LOST_M:
            break
        q[:2] = marks.expected_xy
    redundancy = np.maximum(1.0 - ((jacobian @ inverse) * jacobian).sum(axis=1), 0.0)
    return Fit(
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


def rows_of(
    q: Real, marks: Marks, kept: Flags, theta: Real, aims: bool, leans: bool
) -> tuple[Real, Real, Flags]:
    """Standardised residuals (k,), their derivatives (k, p), and which are measurements.

    Parameters
    ----------
    q, marks, kept, theta
        As in `Fit`.
    aims
        Whether the walkers' aim counts.
    leans
        Whether the place where the object was thought to be counts.
    """
    n, groups = len(marks.xy), len(q) - 3 - (2 if len(theta) else 0)
    on, flag = np.flatnonzero(kept[:n]), np.flatnonzero(kept[n:])
    away = q[:2] - marks.xy[on]
    distance = np.maximum(np.hypot(away[:, 0], away[:, 1]), 1e-9)
    radial = np.zeros((len(on), len(q)))
    radial[:, :2] = away / distance[:, None]
    radial[:, 2] = -1.0
    if groups:
        radial[np.arange(len(on)), 3 + marks.group[on]] = -1.0
    if len(theta):
        radial[:, -2:] = -np.column_stack([np.cos(theta[on]), np.sin(theta[on])])
    blocks = [((distance + radial[:, 2:] @ q[2:]) / marks.sd_m[on], radial / marks.sd_m[on, None])]
    if len(flag):
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
    residual, jacobian = (
        blocks[0] if len(blocks) == 1 else (np.concatenate(b) for b in zip(*blocks, strict=True))
    )
    return residual, jacobian, np.arange(len(residual)) < count


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
    normal = jacobian.T @ jacobian
    # A trace of a diagonal, for what the marks leave open; far below what matters to a weight.
    inverse = np.linalg.inv(normal + 1e-12 * normal.trace() * np.eye(len(normal)))
    spare = 1.0 - ((jacobian @ inverse) * jacobian).sum(axis=1)
    size = np.abs(residual) / np.sqrt(np.maximum(spare, 0.1))
    size = size / max(1.0, _robust_scale(residual[measured], len(inverse)))
    out: Real = np.minimum(1.0, _HUBER / np.maximum(size, 1e-12))
    out[~measured] = 1.0
    return out


def _robust_scale(residual: Real, parameters: int) -> float:
    """Scale of residuals from their median size; for few of them the median says nothing."""
    free = len(residual) - parameters
    if free < OWN_SCATTER:
        return 1.0
    size = np.sort(np.abs(residual))  # quicker than a median for so few
    middle = (size[(len(size) - 1) // 2] + size[len(size) // 2]) / 2
    return float(1.4826 * middle / np.sqrt(free / len(residual)))
