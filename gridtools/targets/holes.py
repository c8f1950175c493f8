"""The hole of a dig: how large at the bottom, how deep, how large at ground level, its volume.

The slopes and depths are those of the US excavation standard, 29 CFR 1926 Subpart P. They are
defaults for planning: on site local codes and a competent person decide.
"""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from gridtools.errors import InputError, quote
from gridtools.units import METRES_PER_UNIT, unit_vector

Real = NDArray[np.float64]

#: Horizontal run to one of depth of an unsupported side, for holes up to 20 ft deep
#: (29 CFR 1926 Subpart P, appendix B, table B-1).
SIDE_SLOPE = {"rock": 0.0, "A": 0.75, "B": 1.0, "C": 1.5}
#: Ground that nobody has classified is dug as type C (29 CFR 1926.652(b)(1)).
DEFAULT_SOIL = "C"
_FOOT = METRES_PER_UNIT["ft"]
#: A way out is needed in a trench this deep or deeper, within 25 ft of lateral travel, and the
#: air is tested first where it may be bad (29 CFR 1926.651(c)(2), (g)(1)).
EGRESS_FROM_M = 4 * _FOOT
EGRESS_WITHIN_M = 25 * _FOOT
#: A protective system is needed from this depth, and in less where a competent person sees a
#: sign of a cave-in (29 CFR 1926.652(a)(1)).
PROTECTION_FROM_M = 5 * _FOOT
#: Deeper than this a registered professional engineer designs it (appendix B, table B-1, note).
ENGINEER_OVER_M = 20 * _FOOT
#: Spoil and gear stay this far from the edge (29 CFR 1926.651(j)(2)).
SPOIL_SETBACK_M = 2 * _FOOT

#: Half-axes of the 90 % error ellipse in standard errors: sqrt(-2 ln 0.1).
SIGMAS_90 = float(np.sqrt(-2 * np.log(0.1)))
#: One-sided 95 % point of the normal law: the top lies no deeper, 19 times of 20.
DEPTH_SIGMAS = 1.6448536269514722
#: Room to stand and work round the place, each way (common practice, no source).
ROOM_M = 0.4


@dataclass(frozen=True, kw_only=True, eq=False)
class Holes:
    """Holes (n,), rectangular, with the same slope on all four sides.

    Attributes
    ----------
    depth_m
        Depth of the hole; NaN where the depth of the object is unknown.
    base_length_m, base_width_m
        Bottom.
    top_length_m, top_width_m
        At ground level.
    volume_m3
        Volume.
    """

    depth_m: Real
    base_length_m: Real
    base_width_m: Real
    top_length_m: Real
    top_width_m: Real
    volume_m3: Real


def size_holes(
    half_length_m: ArrayLike,
    half_width_m: ArrayLike,
    depth_m: ArrayLike,
    depth_sd_m: ArrayLike,
    *,
    soil: str = DEFAULT_SOIL,
    upright_to_m: float = 0.0,
) -> Holes:
    """Holes that reach the tops of objects whose places and depths are uncertain.

    The bottom takes in where the object's centre may be, with room to work; the hole goes as
    deep as the top may lie, 19 times of 20. Freeing and lifting a large object takes more.

    Parameters
    ----------
    half_length_m, half_width_m
        Half-axes (n,) of the ellipse that holds the centre with a chance of 90 %.
    depth_m, depth_sd_m
        Ground level to the top of the object, with its standard error (n,).
    soil
        Class of the ground: rock, A, B or C.
    upright_to_m
        Holes no deeper than this are dug with upright sides; at most 5 ft, and only where a
        competent person has found no sign of a cave-in.

    Raises
    ------
    InputError
        If there is no such class, or sides would stand upright deeper than 5 ft.

    Examples
    --------
    >>> hole = size_holes([0.6], [0.6], [1.0], [0.0], soil="B")
    >>> hole.top_length_m.tolist(), round(float(hole.volume_m3[0]), 3)
    ([4.0], 9.333)
    """
    if soil not in SIDE_SLOPE:
        raise InputError(f"{quote(soil)} is not a class of ground: name {', '.join(SIDE_SLOPE)}")
    if upright_to_m > PROTECTION_FROM_M + 1e-9:
        raise InputError(
            f"sides do not stand upright deeper than {PROTECTION_FROM_M:.2f} m (5 ft) without a "
            "protective system: give less"
        )
    length = 2 * (np.asarray(half_length_m, dtype=np.float64) + ROOM_M)
    width = 2 * (np.asarray(half_width_m, dtype=np.float64) + ROOM_M)
    deep = np.asarray(depth_m, dtype=np.float64)
    deep = deep + DEPTH_SIGMAS * np.nan_to_num(np.asarray(depth_sd_m, dtype=np.float64))
    slope = np.where(deep <= upright_to_m, 0.0, SIDE_SLOPE[soil])
    return Holes(
        depth_m=deep,
        base_length_m=length,
        base_width_m=width,
        top_length_m=length + 2 * slope * deep,
        top_width_m=width + 2 * slope * deep,
        volume_m3=hole_volume_m3(length, width, deep, slope),
    )


def hole_volume_m3(
    length_m: ArrayLike, width_m: ArrayLike, depth_m: ArrayLike, slope: ArrayLike
) -> Real:
    """Volume of a hole with a rectangular bottom and the same slope on all sides.

    At height h above the bottom it is (L + 2sh) by (W + 2sh), so the volume is the integral of
    their product, L W d + s (L + W) d² + (4/3) s² d³.

    Examples
    --------
    >>> float(hole_volume_m3(2.0, 1.0, 1.0, 0.0))
    2.0
    """
    length, width, deep, s = (
        np.asarray(a, dtype=np.float64) for a in (length_m, width_m, depth_m, slope)
    )
    volume = length * width * deep + s * (length + width) * deep**2 + 4 / 3 * s**2 * deep**3
    return np.asarray(volume, dtype=np.float64)


def outlines(
    xy: NDArray[np.float64], length_m: ArrayLike, width_m: ArrayLike, axis_deg: ArrayLike
) -> NDArray[np.object_]:
    """Rectangles (n,) about centres (n, 2), their length along a bearing.

    Examples
    --------
    >>> outlines(np.array([[10.0, 0.0]]), [4.0], [2.0], [90.0])[0].bounds
    (8.0, -1.0, 12.0, 1.0)
    """
    along = unit_vector(axis_deg) * np.asarray(length_m, dtype=np.float64)[:, None] / 2
    right = np.stack([along[:, 1], -along[:, 0]], axis=1)
    half = np.asarray(width_m, dtype=np.float64) / np.asarray(length_m, dtype=np.float64)
    across = right * half[:, None]
    corners = np.stack([along + across, across - along, -along - across, along - across], axis=1)
    return np.asarray(shapely.polygons(np.round(xy[:, None] + corners, 9)), dtype=np.object_)
