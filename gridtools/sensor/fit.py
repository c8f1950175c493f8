"""Sweep width from test passes: maximum likelihood for every law, the choice, the interval.

Each pass is one trial: it detected the object or it did not, with the probability of the curve at
its lateral distance (Bernoulli likelihood). Since every law is given by its sweep width and its
shape, the likelihood of a width is that of the best shape for it (profile likelihood). Laws are
compared by AIC (Akaike 1974). A law picked from several by the same passes is not known, so the
interval takes it as one more thing unknown: its profile is the best of all laws at each width,
each less one for every parameter, as in the AIC, and the interval is where that profile comes
near enough to its top (Wilks 1938, widened for few passes).
"""

import math
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from gridtools.sensor.curves import (
    Curve,
    DefiniteRange,
    HalfNormal,
    HazardRate,
    InverseCube,
    Logistic,
)
from gridtools.sensor.trials import Trials

Real = NDArray[np.float64]

# Half the 90 % point of chi-squared with one degree of freedom is 1.353. With some 40 passes, most
# of them sure to respond or to stay silent, that is too little: simulated sets held the true width
# 83 % of the time for the half-normal law. 1.6 (near the point of Student's t with 12 degrees of
# freedom, squared and halved) was chosen by simulation: see tests/sensor/test_interval.py.
_DROP = 1.6
_FLOOR = 1e-12
_WIDTHS = 48
_STARTS = 9
_ALLOWED = 21
_CELLS = 4000
_CLOSE: Any = {"xatol": 1e-5, "fatol": 1e-9}


class _Shape(NamedTuple):
    """A shape parameter on a scale without bounds: value = of(u), u from low to high."""

    name: str
    of: Any
    low: float
    high: float


# A peak of 1 - exp(-20) is 1 for all purposes, but keeps the logistic law finite. No published
# law has a heavier tail than the inverse cube law, whose steepness is 2; above 30 a hazard rate
# is a definite range to the eye.
_PEAK = _Shape("peak", lambda u: -np.expm1(-np.exp(u)), math.log(0.1), math.log(20.0))
_STEEPNESS = _Shape("steepness", np.exp, math.log(2.0), math.log(30.0))

_LAWS: tuple[tuple[type[Curve], tuple[_Shape, ...]], ...] = (
    (DefiniteRange, (_PEAK,)),
    (InverseCube, ()),
    (InverseCube, (_PEAK,)),
    (HalfNormal, ()),
    (HalfNormal, (_PEAK,)),
    (HazardRate, (_STEEPNESS,)),
    (HazardRate, (_STEEPNESS, _PEAK)),
    (Logistic, (_PEAK,)),
)


@dataclass(frozen=True, kw_only=True)
class Fitted:
    """One law fitted to test passes.

    Attributes
    ----------
    law
        The law at its maximum likelihood.
    parameters
        How many parameters were fitted.
    log_likelihood
        The maximum.
    width_m
        Sweep width without what lies beyond the farthest pass, which no pass tested.
    """

    law: Curve
    parameters: int
    log_likelihood: float
    width_m: float

    @property
    def aic(self) -> float:
        """Akaike's criterion: less is better."""
        return 2.0 * (self.parameters - self.log_likelihood)

    @property
    def curve(self) -> Curve:
        """The law drawn in to the width that was tested: nowhere above the law as fitted."""
        return self.law.scaled(self.width_m)


@dataclass(frozen=True, kw_only=True)
class Fit:
    """What test passes say about the sweep width.

    Attributes
    ----------
    laws
        Every law, best by AIC first; of each the better of the forms with and without a peak
        below 1.
    low_m, high_m
        90 % interval of the sweep width, whatever the law; infinite where the passes set no end.
    allowed
        What the passes allow as well: laws, widths and shapes near enough to the top.
    """

    laws: tuple[Fitted, ...]
    low_m: float
    high_m: float
    allowed: "tuple[Allowed, ...]" = field(compare=False, repr=False)

    @property
    def best(self) -> Fitted:
        """The law chosen."""
        return self.laws[0]


class Allowed(NamedTuple):
    """Curves (k,) of one law: widths (k, 1) in metres and shape parameters (k, 1) by name."""

    law: type[Curve]
    width_m: Real
    shape: dict[str, Real]

    def probability(self, lateral_m: Real) -> Real:
        """Probabilities (k, n) at lateral distances (n,)."""
        return self.law.law(np.abs(lateral_m) / self.width_m, **self.shape)


def fit_curves(trials: Trials) -> Fit:
    """Fit every law to test passes.

    Parameters
    ----------
    trials
        Passes, with at least one hit, one miss and two distances.

    Examples
    --------
    >>> across = np.tile(np.arange(-5, 5) + 0.5, 4)
    >>> fit = fit_curves(Trials.build(across, np.abs(across) < 2.0))
    >>> round(fit.best.width_m), fit.low_m < 4.0 < fit.high_m
    (4, True)
    """
    data = _Counts.of(trials)
    far = float(data.distance_m[-1])
    widths = np.geomspace(0.02 * far, 8.0 * far, _WIDTHS)
    profiles = [_profile(law, shapes, data, widths, zooms=3) for law, shapes in _LAWS]
    top = max(float(p.height.max()) for p in profiles)
    near = np.max([p.height for p in profiles], axis=0) > top - _DROP - 3.0
    first, last = np.flatnonzero(near)[[0, -1]]
    fine = np.geomspace(widths[max(first - 1, 0)], widths[min(last + 1, _WIDTHS - 1)], _WIDTHS)
    closer = [_profile(law, shapes, data, fine) for law, shapes in _LAWS]
    fitted = sorted(
        (_polish(*law, data, p) for law, p in zip(_LAWS, closer, strict=True)), key=lambda f: f.aic
    )
    best: dict[str, Fitted] = {}
    for one in fitted:
        best.setdefault(one.law.kind, one)
    top = -fitted[0].aic / 2.0
    ends = [
        _ends(p, law, shapes, far, top - _DROP)
        for (law, shapes), p in zip(_LAWS, closer, strict=True)
        if p.height.max() >= top - _DROP
    ]
    lows, highs = zip(*ends, strict=True)
    allowed = tuple(_allowed(*law, data, fine, top - _DROP) for law in _LAWS)
    return Fit(laws=tuple(best.values()), low_m=min(lows), high_m=max(highs), allowed=allowed)


@dataclass(frozen=True, eq=False)
class _Counts:
    """Trials and hits by distinct distance, nearest first."""

    distance_m: Real
    passes: Real
    hits: Real

    @classmethod
    def of(cls, trials: Trials) -> "_Counts":
        distance, place = np.unique(np.abs(trials.lateral_m), return_inverse=True)
        return cls(
            distance,
            np.bincount(place).astype(np.float64),
            np.bincount(place, weights=trials.responded).astype(np.float64),
        )

    def log_likelihood(self, p: Real) -> Real:
        """Log-likelihood (...) of probabilities (..., distances)."""
        p = np.clip(p, _FLOOR, 1.0 - _FLOOR)
        misses = self.passes - self.hits
        return np.asarray(np.log(p) @ self.hits + np.log1p(-p) @ misses)


class _Profile(NamedTuple):
    """Best shape (widths, shapes) of a law at each width, and the likelihood less its price."""

    widths: Real
    shape: Real
    height: Real


def _profile(
    law: type[Curve], shapes: tuple[_Shape, ...], data: _Counts, widths: Real, zooms: int = 9
) -> _Profile:
    """Best shape at each width: a grid over the shapes, closed in on step by step."""
    ratio = data.distance_m / widths[:, None, None]
    price = 1.0 + len(shapes)

    def tried(u: Real) -> tuple[Real, Real]:
        """Best of the shapes u (widths, tries, shapes) at each width, and its likelihood."""
        values = {s.name: s.of(u[..., i])[..., None] for i, s in enumerate(shapes)}
        found = data.log_likelihood(law.law(ratio, **values))
        best = np.argmax(found, axis=1)
        rows = np.arange(len(widths))
        return u[rows, best], found[rows, best]

    if not shapes:
        _, height = tried(np.zeros((len(widths), 1, 0)))
        return _Profile(widths, np.zeros((len(widths), 0)), height - price)
    if law is DefiniteRange:
        at, height = tried(_definite_peaks(data, widths)[..., None])
        return _Profile(widths, at, height - price)
    low, high = np.array([s.low for s in shapes]), np.array([s.high for s in shapes])
    whole = _grid(shapes, _STARTS)
    at, height = tried(np.broadcast_to(whole, (len(widths), *whole.shape)))
    step = (high - low) / (_STARTS - 1)
    around = np.stack(np.meshgrid(*[[-1.0, -0.5, 0.0, 0.5, 1.0]] * len(shapes)), axis=-1)
    around = around.reshape(-1, len(shapes))
    for _ in range(zooms):
        at, height = tried(np.clip(at[:, None, :] + around * step, low, high))
        step = step / 2
    return _Profile(widths, at, height - price)


def _grid(shapes: tuple[_Shape, ...], steps: int) -> Real:
    """Grid (points, shapes) over the ranges of shape parameters."""
    axes = [np.linspace(s.low, s.high, steps) for s in shapes]
    return np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, len(shapes))


def _allowed(
    law: type[Curve], shapes: tuple[_Shape, ...], data: _Counts, widths: Real, least: float
) -> Allowed:
    """Curves on a grid that are at the least height, the price of the law taken off."""
    if law is DefiniteRange:
        u = _definite_peaks(data, widths)[..., None]
    else:
        grid = _grid(shapes, _ALLOWED) if shapes else np.zeros((1, 0))
        u = np.broadcast_to(grid, (len(widths), *grid.shape))
    values = {s.name: s.of(u[..., i]) for i, s in enumerate(shapes)}
    ratio = data.distance_m / widths[:, None, None]
    p = law.law(ratio, **{name: value[..., None] for name, value in values.items()})
    row, try_ = np.nonzero(data.log_likelihood(p) - 1.0 - len(shapes) >= least)
    return Allowed(law, widths[row, None], {n: v[row, try_][:, None] for n, v in values.items()})


def _definite_peaks(data: _Counts, widths: Real) -> Real:
    """Peaks worth trying (widths, tries) for a definite range, as u of `_PEAK`.

    The likelihood jumps where the range passes a pass: between two passes the best peak is the
    share of hits within, or as near to it as the width allows.
    """
    share = np.cumsum(data.hits) / np.cumsum(data.passes)
    beyond = np.append(data.distance_m[1:], math.inf)
    with np.errstate(divide="ignore"):
        least = widths[:, None] / (2 * beyond) * (1 + 1e-9)
        most = np.minimum(widths[:, None] / (2 * np.maximum(data.distance_m, 1e-9)), 1.0)
    peak = np.clip(np.clip(share, least, most), 1e-6, 1.0 - 1e-9)
    return np.asarray(np.log(-np.log1p(-peak)))


def _polish(
    law: type[Curve], shapes: tuple[_Shape, ...], data: _Counts, profile: _Profile
) -> Fitted:
    """Climb from the best point of a profile to the maximum."""
    from scipy.optimize import minimize

    # A definite range is as likely anywhere between two passes: the middle.
    tops = np.flatnonzero(profile.height >= profile.height.max() - 1e-9)
    best = int(tops[len(tops) // 2])
    start = np.append(math.log(profile.widths[best]), profile.shape[best])
    log_likelihood = float(profile.height[best]) + len(start)

    def curve(at: Real) -> Curve:
        values = {s.name: float(s.of(u)) for s, u in zip(shapes, at[1:], strict=True)}
        return law(math.exp(at[0]), **values)

    if law is not DefiniteRange:  # whose likelihood has no slope to climb
        climb: Any = minimize
        found = climb(
            lambda at: -float(data.log_likelihood(curve(at).probability(data.distance_m))),
            start,
            method="Nelder-Mead",
            bounds=[(float(start[0]) - 0.3, float(start[0]) + 0.3), *(s[2:] for s in shapes)],
            options=_CLOSE,
        )
        if -found.fun > log_likelihood:
            start, log_likelihood = found.x, -float(found.fun)
    law_found, far = curve(start), float(data.distance_m[-1])
    width = float(_within(law, law_found.sweep_width_m, far, law_found.parameters))
    return Fitted(
        law=law_found,
        parameters=len(start),
        log_likelihood=log_likelihood,
        width_m=min(width, law_found.sweep_width_m),
    )


def _ends(
    profile: _Profile, law: type[Curve], shapes: tuple[_Shape, ...], far_m: float, least: float
) -> tuple[float, float]:
    """Outermost widths at which a profile is at the least height, straight between its points."""
    values = {s.name: s.of(profile.shape[:, [i]]) for i, s in enumerate(shapes)}
    width = _within(law, profile.widths[:, None], far_m, values)
    above = profile.height - least
    first, last = np.flatnonzero(above >= 0.0)[[0, -1]]
    low, high = float(width[first]), float(width[last])
    if first > 0:
        low = np.interp(0.0, above[first - 1 : first + 1], width[first - 1 : first + 1])
    if last + 1 < len(above):
        part = slice(last, last + 2)
        high = np.interp(0.0, above[part][::-1], width[part][::-1])
    else:
        high = math.inf
    return float(low), float(high)


def _within(law: type[Curve], width_m: Any, far_m: float, shape: dict[str, Any]) -> Real:
    """Integral (n,) of laws of widths (n, 1) up to a distance on either side."""
    distance = (np.arange(_CELLS) + 0.5) * far_m / _CELLS
    return np.asarray(2 * far_m * np.mean(law.law(distance / width_m, **shape), axis=-1))
