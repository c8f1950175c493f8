"""Lateral range curves: how likely one run is to detect the object, by its distance abreast.

``p(x)`` is the probability that a straight run passing at lateral distance x detects the object;
its integral over all x is the sweep width (Koopman, *Search and Screening*, 1946). All curves are
even in x and fall with distance. Each is given by its sweep width and by what shapes it, so that
curves of one shape differ in width alone. ``peak`` is the probability right over the object.
"""

import math
from abc import abstractmethod
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any, ClassVar, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gridtools.errors import InputError

Real = NDArray[np.float64]

#: Probability below which a run is as good as out of reach.
LEAST_P = 0.001


@dataclass(frozen=True)
class Curve:
    """Base of all lateral range curves.

    Attributes
    ----------
    sweep_width_m
        Integral of the curve over all lateral distances, in metres.
    law
        Of each law: probability at distances of zero or more in sweep widths, given the shape
        parameters by name; all arguments broadcast.

    Raises
    ------
    InputError
        If a parameter is out of its range.
    """

    kind: ClassVar[str]
    law: ClassVar[Callable[..., Real]]
    sweep_width_m: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.sweep_width_m) and self.sweep_width_m > 0):
            raise InputError(f"sweep width {self.sweep_width_m} m: give a width above zero")
        for name, value in self.parameters.items():
            low, high = _RANGES[name]
            if not low < value <= high:
                raise InputError(f"{self.kind}: {name} is {value}, not within {low:g} to {high:g}")

    def probability(self, lateral_m: ArrayLike) -> Real:
        """Probability (n,) of detection at signed lateral distances (n,) in metres."""
        return self._at(np.abs(np.asarray(lateral_m, dtype=np.float64)))

    def inverse(self, probability: ArrayLike) -> Real:
        """Distance (n,) in metres beyond which the curve is below probabilities (n,) above 0.

        Zero where the curve nowhere comes up to the probability.
        """
        p = np.asarray(probability, dtype=np.float64)
        peak = float(self._at(np.zeros(1))[0])
        distance = self._beyond(np.clip(p, 1e-300, peak))
        return np.where(p > peak, 0.0, distance)

    def reach_m(self, least: float = LEAST_P) -> float:
        """Distance in metres beyond which a run detects with less than the least probability."""
        return float(self.inverse(least))

    def scaled(self, sweep_width_m: float) -> Self:
        """Curve of the same shape with another sweep width in metres."""
        return replace(self, sweep_width_m=sweep_width_m)

    @property
    def parameters(self) -> dict[str, float]:
        """What shapes the curve besides its width, by name: see `curve_of`."""
        return {f.name: getattr(self, f.name) for f in fields(self) if f.name in _RANGES}

    def _at(self, distance_m: Real) -> Real:
        """Probability at distances of zero or more in metres."""
        return type(self).law(distance_m / self.sweep_width_m, **self.parameters)

    @abstractmethod
    def _beyond(self, probability: Real) -> Real:
        """Distance at which the curve falls below probabilities of at most its peak."""


#: Ranges of the shape parameters: above the first, up to the second. The integral of a hazard
#: rate curve is finite only for a steepness above 1.
_RANGES = {"peak": (0.0, 1.0), "steepness": (1.0, 1000.0)}


@dataclass(frozen=True)
class DefiniteRange(Curve):
    """The same probability up to a definite range, none beyond (Koopman 1946).

    Examples
    --------
    >>> DefiniteRange(4.0).probability([0.0, -1.9, 2.1]).tolist()
    [1.0, 1.0, 0.0]
    """

    kind: ClassVar[str] = "definite range"
    peak: float = 1.0

    @property
    def range_m(self) -> float:
        """Definite range to either side."""
        return self.sweep_width_m / (2 * self.peak)

    @staticmethod
    def law(ratio: Real, peak: Any = 1.0) -> Real:  # noqa: D102
        return np.where(2 * peak * ratio <= 1.0 + 1e-12, peak, 0.0)

    def _beyond(self, probability: Real) -> Real:
        return np.full(np.shape(probability), self.range_m)


@dataclass(frozen=True)
class InverseCube(Curve):
    """Inverse cube law, ``peak (1 - exp(-m² / x²))`` (Koopman 1946; Washburn 2002, 2.4).

    Examples
    --------
    >>> InverseCube(4.0).probability([0.0, 2.0]).round(3).tolist()
    [1.0, 0.273]
    """

    kind: ClassVar[str] = "inverse cube"
    peak: float = 1.0

    @staticmethod
    def law(ratio: Real, peak: Any = 1.0) -> Real:  # noqa: D102
        with np.errstate(divide="ignore", over="ignore"):
            return np.asarray(-peak * np.expm1(-1.0 / (4 * math.pi * (peak * ratio) ** 2)))

    def _beyond(self, probability: Real) -> Real:
        with np.errstate(divide="ignore"):
            root = np.sqrt(-4 * math.pi * np.log1p(-probability / self.peak))
            return self.sweep_width_m / (self.peak * root)


@dataclass(frozen=True)
class HalfNormal(Curve):
    """Half-normal, ``peak exp(-x² / 2 s²)`` (Burnham, Anderson and Laake 1980).

    Examples
    --------
    >>> HalfNormal(4.0).probability([0.0, 2.0]).round(3).tolist()
    [1.0, 0.456]
    """

    kind: ClassVar[str] = "half-normal"
    peak: float = 1.0

    @staticmethod
    def law(ratio: Real, peak: Any = 1.0) -> Real:  # noqa: D102
        return np.asarray(peak * np.exp(-math.pi * (peak * ratio) ** 2))

    def _beyond(self, probability: Real) -> Real:
        root = np.sqrt(-np.log(probability / self.peak) / math.pi)
        return np.asarray(root * self.sweep_width_m / self.peak)


@dataclass(frozen=True)
class HazardRate(Curve):
    """Hazard rate, ``peak (1 - exp(-(x / s)^-b))``: a shoulder, then a fall of any steepness b.

    The inverse cube law has b = 2; a definite range is its limit for great b. Source: Hayes and
    Buckland 1983 (from memory); the width ``2 s peak gamma(1 - 1/b)`` follows by substitution.

    Examples
    --------
    >>> HazardRate(4.0, steepness=8.0).probability([0.0, 1.0, 3.0]).round(3).tolist()
    [1.0, 1.0, 0.019]
    """

    kind: ClassVar[str] = "hazard rate"
    steepness: float
    peak: float = 1.0

    @staticmethod
    def law(ratio: Real, steepness: Any = 2.0, peak: Any = 1.0) -> Real:  # noqa: D102
        with np.errstate(divide="ignore", over="ignore"):
            in_scales = 2 * peak * _gamma(1.0 - 1.0 / np.asarray(steepness)) * ratio
            return np.asarray(-peak * np.expm1(-(in_scales**-steepness)))

    def _beyond(self, probability: Real) -> Real:
        scale_m = self.sweep_width_m / (2 * self.peak * math.gamma(1.0 - 1.0 / self.steepness))
        with np.errstate(divide="ignore"):
            hazard = -np.log1p(-probability / self.peak)
            return np.asarray(scale_m * hazard ** (-1.0 / self.steepness))


@dataclass(frozen=True)
class Logistic(Curve):
    """Logistic in distance, ``1 / (1 + exp(b |x| - a))``, peak being its value at x = 0.

    Its integral is ``2 ln(1 + e^a) / b``.

    Examples
    --------
    >>> Logistic(4.0, peak=0.98).probability([0.0, 2.0]).round(3).tolist()
    [0.98, 0.495]
    """

    kind: ClassVar[str] = "logistic"
    peak: float

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.peak == 1.0:
            raise InputError(f"{self.kind}: peak is 1, which it never reaches; give less")

    @staticmethod
    def law(ratio: Real, peak: Any = 0.5) -> Real:  # noqa: D102
        fall = -2.0 * np.log1p(-peak) * ratio
        odds = np.minimum(fall - np.log(peak) + np.log1p(-peak), 700.0)
        return np.asarray(1.0 / (1.0 + np.exp(odds)))

    def _beyond(self, probability: Real) -> Real:
        intercept = math.log(self.peak) - math.log1p(-self.peak)
        odds = np.log(probability) - np.log1p(-probability)
        fall = (odds - intercept) / (2.0 * math.log1p(-self.peak))
        return np.asarray(np.maximum(0.0, fall * self.sweep_width_m))


@dataclass(frozen=True)
class Smeared(Curve):
    """A curve as seen over runs whose position across the track errs: made by `smeared`.

    Attributes
    ----------
    curve
        The curve without the error.
    sigma_m
        Standard error across the track in metres.
    """

    kind: ClassVar[str] = "smeared"
    curve: Curve
    sigma_m: float

    def scaled(self, sweep_width_m: float) -> Self:
        """Smeared curve of another sweep width in metres, with the same error."""
        return replace(self, sweep_width_m=sweep_width_m, curve=self.curve.scaled(sweep_width_m))

    @cached_property
    def _table(self) -> tuple[Real, Real]:
        """Distances from zero up, and the smeared curve there."""
        step = min(self.sigma_m / 16, self.sweep_width_m / 256)
        half = math.ceil(6 * self.sigma_m / step)
        kernel = np.exp(-0.5 * (np.arange(-half, half + 1) * step / self.sigma_m) ** 2)
        # Far out a curve is straight over the width of the error, and smearing does nothing.
        far = min(self.curve.reach_m(1e-5), 16 * self.sweep_width_m) + 6 * self.sigma_m
        count = math.ceil(far / step)
        edges = (np.arange(-half, count + half + 2) - 0.5) * step
        # Mean over each cell by Simpson's rule, so that a sharp edge keeps its place.
        parts = [self.curve.probability(edges[:-1] + part * step) for part in _SIMPSON_AT]
        cells = np.tensordot(_SIMPSON_WEIGHTS, np.stack(parts), axes=1)
        p = np.convolve(cells, kernel / kernel.sum(), "valid").astype(np.float64)
        return np.arange(count + 1, dtype=np.float64) * step, p

    def _at(self, distance_m: Real) -> Real:
        at, p = self._table
        near = np.interp(distance_m, at, p)
        return np.where(distance_m < at[-1], near, self.curve.probability(distance_m))

    def _beyond(self, probability: Real) -> Real:
        at, p = self._table
        near = np.interp(-probability, -p, at)
        return np.where(probability > p[-1], near, self.curve.inverse(probability))


def _gamma(value: Any) -> Any:
    """Gamma function of an array, or of a number, without loading scipy."""
    flat = [math.gamma(v) for v in np.ravel(value).tolist()]
    return np.array(flat).reshape(np.shape(value))


_SIMPSON_AT = np.arange(17) / 16
_SIMPSON_WEIGHTS = np.array([1, *[4, 2] * 7, 4, 1]) / 48

_KINDS: dict[str, type[Curve]] = {
    c.kind: c for c in (DefiniteRange, InverseCube, HalfNormal, HazardRate, Logistic)
}
KINDS = tuple(_KINDS)


def curve_of(kind: str, sweep_width_m: float, **shape: Any) -> Curve:
    """Curve of a kind by name, with what shapes it.

    Raises
    ------
    InputError
        If there is no such kind, or it does not take these shape parameters.

    Examples
    --------
    >>> curve = curve_of("hazard rate", 4.0, steepness=3.0)
    >>> curve == curve_of(curve.kind, curve.sweep_width_m, **curve.parameters)
    True
    """
    if kind not in _KINDS:
        raise InputError(f"{kind!r} is no lateral range curve: one of {', '.join(KINDS)}")
    try:
        return _KINDS[kind](sweep_width_m, **{k: float(v) for k, v in shape.items()})
    except TypeError as error:
        raise InputError(f"{kind}: {', '.join(shape) or 'nothing'} does not shape it") from error


def smeared(curve: Curve, sigma_m: float) -> Curve:
    """Curve convolved with a normal error across the track.

    Each run errs independently, so the chance that a run whose logged track passes at x detects
    is the mean of the curve over where it truly was. The sweep width stays.

    Parameters
    ----------
    curve
        Curve against true lateral distance.
    sigma_m
        Standard error across the track in metres. Below a thousandth of the sweep width it makes
        no difference, and the curve itself is returned.

    Examples
    --------
    >>> curve = smeared(DefiniteRange(4.0), 0.5)
    >>> curve.sweep_width_m, curve.probability([0.0, 2.0]).round(3).tolist()
    (4.0, [1.0, 0.5])
    """
    if not (math.isfinite(sigma_m) and sigma_m >= 0):
        raise InputError(f"position error {sigma_m} m: give zero or more")
    negligible = sigma_m < 1e-3 * curve.sweep_width_m
    return curve if negligible else Smeared(curve.sweep_width_m, curve, sigma_m)
