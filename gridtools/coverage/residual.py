"""What of the stated object may remain, from a POD map.

An object placed anywhere in the search area with equal chance is missed with chance 1 - POD,
the POD being averaged over the area (Koopman, *Search and Screening*, 1946). If the number of
objects before the search is Poisson with mean N, those that were missed are Poisson with mean
``N (1 - POD)``, whatever was found (thinning of a Poisson process; Kingman, *Poisson Processes*,
1993, from memory). Where N itself is no more than a guess, taken as exponential with that mean,
F finds leave a negative binomial number (gamma and Poisson are conjugate; DeGroot, *Optimal
Statistical Decisions*, 1970, from memory).
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gridtools.coverage.pod import PodWindow
from gridtools.errors import InputError, MissingError
from gridtools.swath.cells import Outline

WAYS = ("independent", "cautious", "measured")
UPPER = 0.95
_PARTS = {"full": [0], "reduced": [1], "all": [0, 1]}
_MOST_OBJECTS = 1_000_000.0


@dataclass(frozen=True, kw_only=True)
class Ground:
    """POD over one part of the search area.

    Attributes
    ----------
    area_m2
        Area, counted in cells.
    pod
        Mean POD by way: independent, cautious, and as the dependence between test passes says, if
        it is known.
    below_m2
        Area with a POD below the wanted one, by way.
    not_passed_m2
        Area that no run passed within half a sweep width.
    """

    area_m2: float
    pod: dict[str, float]
    below_m2: dict[str, float]
    not_passed_m2: float

    @property
    def missed(self) -> dict[str, float]:
        """Chance that an object placed anywhere in it was missed, by way."""
        return {way: 1.0 - pod for way, pod in self.pod.items()}


class Tally:
    """POD summed over windows, apart for full and for reduced confidence.

    Parameters
    ----------
    reduced
        Ground of reduced confidence: polygon or multipolygon in metres.
    least_pod
        POD wanted.
    dependence
        How far repeats only repeat, 0 to 1, if test passes have shown it.
    """

    def __init__(self, reduced: Any, least_pod: float, dependence: float | None = None) -> None:
        self._reduced = Outline(reduced)
        self._least = least_pod
        self._dependence = dependence
        ways = 2 if dependence is None else 3
        self._cells = np.zeros(2)
        self._pod = np.zeros((2, ways))
        self._below = np.zeros((2, ways))
        self._bare = np.zeros(2)
        self._cell_m2 = 0.0

    def watch(self, windows: Iterable[PodWindow]) -> Iterator[PodWindow]:
        """Pass windows on, adding each."""
        for part in windows:
            self._cell_m2 = part.window.grid.cell_m**2
            reduced = self._reduced.inside(part.window)
            bare = ~part.crossings.any(axis=0)
            ways = [part.independent, part.cautious]
            if self._dependence is not None:
                ways.append(part.independent + self._dependence * (part.best - part.independent))
            for k, cells in enumerate((part.inside & ~reduced, part.inside & reduced)):
                self._cells[k] += np.count_nonzero(cells)
                self._bare[k] += np.count_nonzero(cells & bare)
                for way, values in enumerate(ways):
                    chosen = values[cells]
                    self._pod[k, way] += chosen.sum(dtype=np.float64)
                    self._below[k, way] += np.count_nonzero(chosen < self._least)
            yield part

    def ground(self, confidence: str) -> Ground:
        """Figures of full, reduced, or all confidence.

        Raises
        ------
        MissingError
            If there is no such ground.
        """
        chosen = _PARTS[confidence]
        cells = float(self._cells[chosen].sum())
        if cells == 0:
            raise MissingError(f"the search area has no ground of {confidence} confidence")
        return Ground(
            area_m2=cells * self._cell_m2,
            pod=self._by_way(self._pod[chosen].sum(axis=0) / cells),
            below_m2=self._by_way(self._below[chosen].sum(axis=0) * self._cell_m2),
            not_passed_m2=float(self._bare[chosen].sum() * self._cell_m2),
        )

    def has(self, confidence: str) -> bool:
        """Whether there is ground of full, reduced, or any confidence."""
        return bool(self._cells[_PARTS[confidence]].any())

    def missed_unless_full(self, way: str) -> float:
        """Chance of a miss over the whole search area if a standoff hides everything inside it."""
        k = WAYS.index(way)
        return 1.0 - float(self._pod[0, k] / self._cells.sum())

    @staticmethod
    def _by_way(values: NDArray[np.float64]) -> dict[str, float]:
        return dict(zip(WAYS, values.tolist(), strict=False))


@dataclass(frozen=True)
class Remaining:
    """How many objects may remain: their mean, the chance of any, and a 95 % upper bound."""

    mean: float
    chance: float
    at_most: int


def remaining(expected: float, missed: float) -> Remaining:
    """Objects that remain, their number before the search being Poisson.

    What remains is Poisson with mean ``expected * missed``, independent of what was found.

    Parameters
    ----------
    expected
        Mean number in the search area before the search.
    missed
        Chance that an object in it was missed, 0 to 1.

    Raises
    ------
    InputError
        If a number is out of its range.

    Examples
    --------
    >>> left = remaining(3.0, 0.1)
    >>> round(left.mean, 9), round(left.chance, 4), left.at_most
    (0.3, 0.2592, 1)
    """
    _check(expected, missed)
    mean = expected * missed
    return Remaining(mean, -math.expm1(-mean), _quantile(mean, None))


def remaining_after_finds(expected: float, missed: float, finds: int) -> Remaining:
    """Objects that remain where the expected number is only a guess, which finds correct.

    The mean number before the search is taken as exponential with mean `expected`. After F finds
    it is gamma with shape 1 + F and rate ``1 / expected + 1 - missed``, so that what remains is
    negative binomial with mean ``missed (1 + F) / (1 / expected + 1 - missed)``.

    Parameters
    ----------
    expected, missed
        As for `remaining`.
    finds
        Objects of the stated kind that came out.

    Examples
    --------
    >>> none, four = (remaining_after_finds(3.0, 0.1, f) for f in (0, 4))
    >>> round(none.mean, 4), round(four.mean, 4), four.at_most
    (0.0811, 0.4054, 2)
    """
    _check(expected, missed)
    if expected == 0 or missed == 0:
        return Remaining(0.0, 0.0, 0)
    rate = (1.0 / expected + 1.0 - missed) / missed
    shape = 1 + finds
    return Remaining(shape / rate, 1.0 - (rate / (1.0 + rate)) ** shape, _quantile(rate, shape))


def _quantile(parameter: float, shape: int | None) -> int:
    """Smallest number that is not exceeded with 95 %: Poisson, or gamma-mixed with a shape."""
    from scipy import stats

    law = (
        stats.poisson(parameter)
        if shape is None
        else stats.nbinom(shape, parameter / (1.0 + parameter))
    )
    return int(law.ppf(UPPER))


def _check(expected: float, missed: float) -> None:
    if not 0 <= expected <= _MOST_OBJECTS:
        raise InputError(f"{expected:g} objects cannot be expected: give 0 to a million")
    if not 0 <= missed <= 1:
        raise InputError(f"{missed:g} is no chance of a miss: it is 0 to 1")
