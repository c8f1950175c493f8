"""The conformal transformation between a local grid and the job CRS."""

import math
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gridtools.errors import InputError
from gridtools.units import normalise_bearing


@dataclass(frozen=True, eq=False)
class Conformal:
    """Two-dimensional conformal (Helmert) transformation: shift, turn and scale.

    ``x' = a x + b y + east_m`` and ``y' = -b x + a y + north_m`` with ``a = scale cos r`` and
    ``b = scale sin r``, where r turns clockwise: bearings grow by ``rotation_deg``.

    Attributes
    ----------
    scale
        Length after over length before.
    rotation_deg
        Clockwise turn in [0, 360): bearing after less bearing before.
    east_m, north_m
        Where the origin goes.
    residuals_m
        Given target less fitted target (n, 2); empty if it was not fitted.
    """

    scale: float
    rotation_deg: float
    east_m: float
    north_m: float
    residuals_m: NDArray[np.float64]

    def apply(self, xy: ArrayLike) -> NDArray[np.float64]:
        """Coordinates (n, 2) transformed."""
        points = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
        a, b = self._ab()
        shift = np.array([self.east_m, self.north_m])
        return np.asarray(points @ np.array([[a, -b], [b, a]]) + shift, dtype=np.float64)

    def inverse(self) -> Self:
        """Transformation back; it carries no residuals."""
        a, b = self._ab()
        square = self.scale**2
        return type(self)(
            scale=1.0 / self.scale,
            rotation_deg=float(normalise_bearing(-self.rotation_deg)),
            east_m=(-a * self.east_m + b * self.north_m) / square,
            north_m=(-b * self.east_m - a * self.north_m) / square,
            residuals_m=np.empty((0, 2)),
        )

    def _ab(self) -> tuple[float, float]:
        turn = math.radians(self.rotation_deg)
        return self.scale * math.cos(turn), self.scale * math.sin(turn)


def fit_conformal(source: ArrayLike, target: ArrayLike) -> Conformal:
    """Least-squares conformal transformation of points (n, 2) to points (n, 2), n of 2 or more.

    Source: Ghilani and Wolf, Adjustment Computations, chapter 18, solved in closed form about
    the centroids.

    Raises
    ------
    InputError
        If there are fewer than two points, or they all lie in one place.

    Examples
    --------
    >>> fit = fit_conformal([[0, 0], [10, 0]], [[100, 200], [100, 180]])
    >>> fit.scale, fit.rotation_deg, fit.apply([[5, 0]]).round(9).tolist()
    (2.0, 90.0, [[100.0, 190.0]])
    """
    before = np.asarray(source, dtype=np.float64).reshape(-1, 2)
    after = np.asarray(target, dtype=np.float64).reshape(-1, 2)
    if len(before) != len(after) or len(before) < 2:
        raise InputError("a local grid needs two or more points known in both grids")
    mid_before, mid_after = before.mean(axis=0), after.mean(axis=0)
    p, q = before - mid_before, after - mid_after
    spread = float((p * p).sum())
    a = float((p * q).sum()) / spread if spread else 0.0
    b = float((q[:, 0] * p[:, 1] - q[:, 1] * p[:, 0]).sum()) / spread if spread else 0.0
    scale = math.hypot(a, b)
    if not scale > 0.0 or not math.isfinite(scale):
        raise InputError("the points known in both grids lie in one place: use points far apart")
    east, north = mid_after - mid_before @ np.array([[a, -b], [b, a]])
    fit = Conformal(
        scale=scale,
        rotation_deg=float(normalise_bearing(math.degrees(math.atan2(b, a)))),
        east_m=float(east),
        north_m=float(north),
        residuals_m=np.empty((0, 2)),
    )
    return Conformal(
        scale=fit.scale,
        rotation_deg=fit.rotation_deg,
        east_m=fit.east_m,
        north_m=fit.north_m,
        residuals_m=after - fit.apply(before),
    )
