"""The frame that pegs are measured from: a rectangle along the lanes that holds all their ends.

Frame coordinates are metres on the ground: x across the lanes of pass 1 and y along them, from
the corner peg P001.
"""

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from gridtools.geodesy import Conformal
from gridtools.layers import Lanes
from gridtools.units import bearing_of, normalise_bearing

CORNER_PEGS = ("P001", "P002", "P003", "P004")
#: The four baselines by the numbers of their corners; tapes are laid from the first to the second.
BASELINES = ((0, 1), (3, 2), (0, 3), (1, 2))
# Below this, a difference of lengths is rounding, not ground.
_ROUNDING_M = 1e-6
# A mark this near the end of its line, or within a tenth of a tape of it, would stand beside the
# peg that is there anyway.
_BESIDE_END_M = 0.5


@dataclass(frozen=True)
class Slope:
    """Slope of the ground, for what a tape reads along it.

    Attributes
    ----------
    slope_deg
        Slope in degrees from the horizontal.
    fall_bearing_deg
        Grid bearing of the steepest fall; None takes the slope to lie along every line.
    """

    slope_deg: float = 0.0
    fall_bearing_deg: float | None = None

    def ratio(self, bearing_deg: ArrayLike) -> NDArray[np.float64]:
        """Reading along the slope over horizontal length (n,), for lines on grid bearings (n,).

        Along the fall this is 1 / cos(slope); across it, 1.

        Examples
        --------
        >>> Slope(60.0, 180.0).ratio([0.0, 90.0]).round(9).tolist()
        [2.0, 1.0]
        """
        bearing = np.asarray(bearing_deg, dtype=np.float64)
        share: ArrayLike = 1.0
        if self.fall_bearing_deg is not None:
            share = np.cos(np.radians(bearing - self.fall_bearing_deg))
        rise = math.tan(math.radians(self.slope_deg)) * np.broadcast_to(share, bearing.shape)
        return np.asarray(np.hypot(1.0, rise), dtype=np.float64)


@dataclass(frozen=True)
class Frame:
    """Rectangle of whole metres along the lanes.

    Attributes
    ----------
    axes
        Transformation from frame coordinates to the metric CRS.
    width_m, depth_m
        Sides across and along the lanes of pass 1.
    """

    axes: Conformal
    width_m: float
    depth_m: float

    @property
    def corners_m(self) -> NDArray[np.float64]:
        """Corners (4, 2) in frame coordinates, in the order of `CORNER_PEGS`."""
        w, d = self.width_m, self.depth_m
        return np.array([[0.0, 0.0], [w, 0.0], [w, d], [0.0, d]])

    def coordinates_m(self, xy: ArrayLike) -> NDArray[np.float64]:
        """Frame coordinates (n, 2) of CRS coordinates (n, 2)."""
        return self.axes.inverse().apply(xy)


def lane_ends(lanes: Lanes) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Starts and finishes of lanes, (n, 2) each."""
    return (
        shapely.get_coordinates(shapely.get_point(lanes.geometry, 0)),
        shapely.get_coordinates(shapely.get_point(lanes.geometry, -1)),
    )


def lay_frame(lanes: Lanes, scale: float) -> Frame:
    """Frame round the ends of all lanes, its y axis along the longest lane of the first pass.

    The axis points as nearly north as the lanes allow. The frame is put so that the first lane
    across each baseline, and the far corners, read whole metres.

    Parameters
    ----------
    lanes
        One or more lanes.
    scale
        Length in the CRS over length on the ground.
    """
    start, finish = lane_ends(lanes)
    step = finish - start
    first_pass = lanes.pass_no == lanes.pass_no.min()
    longest = step[np.argmax(np.hypot(*step.T) * first_pass)]
    bearing = float(bearing_of(*longest))
    bearing = float(normalise_bearing(bearing + 180.0)) if 90.0 < bearing <= 270.0 else bearing
    turned = Conformal(scale, bearing, 0.0, 0.0, np.empty((0, 2))).inverse()
    a, b = turned.apply(start), turned.apply(finish)
    low, high = np.minimum(a, b).min(axis=0), np.maximum(a, b).max(axis=0)
    along_y = runs_along_y(a, b)
    origin = low.copy()
    for axis, crossing in ((0, along_y), (1, ~along_y)):
        if crossing.any():
            first = 0.5 * (a + b)[crossing, axis].min()
            origin[axis] = first - math.ceil(first - low[axis] - _ROUNDING_M)
    width, depth = (max(1.0, math.ceil(v - _ROUNDING_M)) for v in high - origin)
    east, north = turned.inverse().apply(origin)[0]
    return Frame(
        axes=Conformal(scale, bearing, float(east), float(north), np.empty((0, 2))),
        width_m=width,
        depth_m=depth,
    )


def runs_along_y(start: NDArray[np.float64], finish: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether lines (n,) in frame coordinates run along y rather than across."""
    step = np.abs(finish - start)
    return np.asarray(step[:, 1] >= step[:, 0])


def tape_marks(
    length_m: NDArray[np.float64], tape_m: float
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Marks one tape length apart inside lines of given lengths on the tape.

    One that would stand beside the peg at the end of its line, within 0.5 m or a tenth of a tape,
    stands halfway between its neighbours instead, so that no stretch is longer than the tape.

    Parameters
    ----------
    length_m
        Readings at the ends of the lines (n,).
    tape_m
        Length of the tape.

    Returns
    -------
    tuple
        Line of each mark (k,), and its reading (k,).

    Examples
    --------
    >>> line, reading = tape_marks(np.array([120.0, 50.3]), 50.0)
    >>> line.tolist(), reading.tolist()
    ([0, 0, 1], [50.0, 100.0, 25.15])
    """
    beside_m = min(_BESIDE_END_M, tape_m / 10)
    count = np.maximum(0, np.ceil((length_m - _ROUNDING_M) / tape_m).astype(np.intp) - 1)
    line = np.repeat(np.arange(len(length_m)), count)
    before = np.repeat(np.cumsum(count) - count, count)
    reading = (np.arange(len(line)) - before + 1) * tape_m
    crowded = length_m[line] - reading < beside_m
    reading[crowded] = (reading[crowded] - tape_m + length_m[line][crowded]) / 2
    return line, reading
