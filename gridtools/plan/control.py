"""The local grid of the control marks, and whether the marks agree."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.errors import InputError
from gridtools.geodesy import Conformal, fit_conformal
from gridtools.layers import Control

# A local grid may differ from the ground by this much in scale before its marks are refused, or
# doubted. Worn tapes err by parts in ten thousand, wrong units by far more (no source).
_SCALE_REFUSED, _SCALE_DOUBTED = 0.02, 0.002
# Residuals beyond three standard errors come up once in ninety on a circular normal law.
_DOUBTED_SIGMAS = 3.0


@dataclass(frozen=True)
class Residual:
    """Control mark in the CRS less where its local coordinates put it, in metres."""

    mark: str
    east_m: float
    north_m: float


def fit_control(
    control: Control, grid_scale: float
) -> tuple[Conformal | None, tuple[Residual, ...], list[str]]:
    """Transformation from the local grid of the control marks to the CRS.

    Parameters
    ----------
    control
        Marks; those without local coordinates are left out.
    grid_scale
        Length in the CRS over length on the ground.

    Returns
    -------
    tuple
        The least-squares fit, or None with fewer than two marks; a residual for each mark; and
        what a person should know about them, one sentence each.

    Raises
    ------
    InputError
        If the local grid cannot be one of metres on this ground.
    """
    known = control.take(np.isfinite(control.local_e_m) & np.isfinite(control.local_n_m))
    if len(known) < 2:
        notice = (
            "no two control marks have local coordinates, so the local grid starts at P001 with "
            "its north along the lanes of pass 1"
        )
        if not len(control):
            notice += "; nothing ties the frame to the ground: fix P001 and P002 from known marks"
        return None, (), [notice]
    local = np.column_stack([known.local_e_m, known.local_n_m])
    fit = fit_conformal(local, shapely.get_coordinates(known.geometry))
    off = fit.scale / grid_scale - 1.0
    if abs(off) > _SCALE_REFUSED:
        raise InputError(
            f"layer control: a metre in the local grid of {', '.join(known.name)} comes out as "
            f"{1.0 + off:.4f} m on the ground, so units, marks or eastings and northings are mixed "
            "up: correct the local coordinates"
        )
    notices = []
    if abs(off) > _SCALE_DOUBTED:
        notices.append(
            f"the control marks make a local length of 100 m {100.0 * (1.0 + off):.2f} m on the "
            "ground: measure between two of them"
        )
    if len(known) == 2:
        notices.append(
            "two control marks always fit, so nothing checks the local grid: add a third"
        )
    notices += _doubted_marks(known, local, fit.residuals_m)
    residuals = tuple(
        Residual(mark, float(east), float(north))
        for mark, (east, north) in zip(known.name, fit.residuals_m, strict=True)
    )
    return fit, residuals, notices


def _doubted_marks(
    known: Control, local: NDArray[np.float64], residuals_m: NDArray[np.float64]
) -> list[str]:
    """Marks whose residual is beyond what their stated accuracy explains.

    A residual has a standard error of sqrt(1 - h) times that of the mark, h being the leverage
    of the mark in the fit (Ghilani and Wolf, Adjustment Computations, chapter 21, from memory).
    """
    centred = local - local.mean(axis=0)
    squares = (centred**2).sum(axis=1)
    free = np.sqrt(np.maximum(0.0, 1.0 - 1.0 / len(local) - squares / squares.sum()))
    miss = np.hypot(*residuals_m.T)
    limit = np.maximum(_DOUBTED_SIGMAS * known.accuracy_m * free, 1e-6)
    return [
        f"control mark {known.name[i]} misses the local grid by {miss[i]:.2f} m, more than its "
        f"accuracy of {known.accuracy_m[i]:.2f} m explains: measure the marks again"
        for i in np.flatnonzero(miss > limit)
    ]
