"""Setting out lanes with pegs and tape, for a team without GPS.

A frame of four corner pegs is taped and checked by its diagonals; along its sides, the baselines,
every lane end has a reading, and an offset at right angles into the frame.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from gridtools.errors import InputError, MissingError
from gridtools.geodesy import Conformal
from gridtools.layers import Control, Lanes, Pegs
from gridtools.plan.control import Residual, fit_control
from gridtools.plan.frame import (
    BASELINES,
    CORNER_PEGS,
    Frame,
    Slope,
    lane_ends,
    lay_frame,
    runs_along_y,
    tape_marks,
)
from gridtools.units import bearing_of, counted, format_length

_STEEPEST_DEG = 45.0
_OUTSIDE_M = 0.01
_TIES_PER_CORNER = 3


@dataclass(frozen=True)
class TapeLine:
    """Length to lay out, or to check, with a tape.

    Attributes
    ----------
    from_peg, to_peg
        Ends: pegs, or the name of a control mark.
    length_m
        Horizontal length on the ground.
    tape_m
        What the tape reads, laid along the slope.
    """

    from_peg: str
    to_peg: str
    length_m: float
    tape_m: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Pegging:
    """All that a team needs for setting out.

    Attributes
    ----------
    pegs
        Pegs: corners and baselines, lane ends, intermediate, control.
    baselines
        The four sides of the frame, in the direction in which their tapes are read.
    diagonals
        Both diagonals of the frame: equal in horizontal length where it is square.
    ties
        From control marks to the corners, nearest first.
    conformal
        From the local grid to the metric CRS; it carries residuals where it was fitted.
    residuals
        One for each control mark that it was fitted to.
    notices
        What a person should know, one sentence each.
    """

    pegs: Pegs
    baselines: tuple[TapeLine, ...]
    diagonals: tuple[TapeLine, ...]
    ties: tuple[TapeLine, ...]
    conformal: Conformal
    residuals: tuple[Residual, ...]
    notices: tuple[str, ...]


def lane_pegs(lane_id: ArrayLike) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    """Names of the start and finish pegs of lanes, (n,) each.

    Examples
    --------
    >>> [names.tolist() for names in lane_pegs(["1-003a"])]
    [['1-003as'], ['1-003af']]
    """
    ids = np.asarray(lane_id, dtype=np.object_)
    return ids + "s", ids + "f"


def set_out(
    lanes: Lanes,
    control: Control | None = None,
    *,
    tape_m: float = 50.0,
    slope_deg: float = 0.0,
    fall_bearing_deg: float | None = None,
    grid_scale: float = 1.0,
    site: Any = None,
) -> Pegging:
    """Pegs, baselines and checks for setting out lanes with tapes.

    The local grid is that of the control marks, by a least-squares conformal transformation,
    where two or more have local coordinates; else it is the frame, with its origin at P001 and
    local north along the lanes of pass 1.

    Parameters
    ----------
    lanes
        Lanes to set out, in metres of the metric CRS.
    control
        Known marks, in the same CRS.
    tape_m
        Length of the tape: baselines and lanes longer than that get a peg at each tape length.
    slope_deg
        Slope of the ground; readings are then what the tape shows laid along it.
    fall_bearing_deg
        Grid bearing of the steepest fall; None takes the slope to lie along every line.
    grid_scale
        Length in the CRS over length on the ground (`gridtools.geodesy.scale_factor`).
    site
        Polygons of the boundary; pegs that fall outside are told.

    Raises
    ------
    MissingError
        If there are no lanes.
    InputError
        If tape or slope make no sense, or the control marks contradict the ground.

    Examples
    --------
    >>> lines = shapely.linestrings([[[1.0, 0.0], [1.0, 60.0]], [[3.0, 60.0], [3.0, 0.0]]])
    >>> pegging = set_out(Lanes.build(geometry=lines, lane_id=["1-001", "1-002"], pass_no=1))
    >>> [(b.from_peg, b.to_peg, b.tape_m) for b in pegging.baselines[:2]]
    [('P001', 'P002', 2.0), ('P004', 'P003', 2.0)]
    >>> pegging.pegs.peg_id[6:].tolist()
    ['1-001s', '1-002f', '1-001f', '1-002s', 'P007', 'P008']
    """
    if not len(lanes):
        raise MissingError("there are no lanes to set out: plan them first")
    if not (math.isfinite(tape_m) and tape_m > 0.0):
        raise InputError(f"a tape of {tape_m} m cannot be used: give its length, such as 50m")
    if not 0.0 <= slope_deg <= _STEEPEST_DEG:
        raise InputError(f"a slope of {slope_deg}° is not one between 0 and {_STEEPEST_DEG:.0f}°")
    marks = Control.empty() if control is None else control
    fitted, residuals, notices = fit_control(marks, grid_scale)
    frame = lay_frame(lanes, fitted.scale if fitted else grid_scale)
    slope = Slope(slope_deg, fall_bearing_deg)
    conformal = fitted or frame.axes
    pegs = _number(
        [
            _corner_rows(frame, slope),
            _baseline_rows(frame, slope, tape_m),
            _lane_end_rows(lanes, frame, slope),
            _intermediate_rows(lanes, frame, slope, tape_m),
            _control_rows(marks),
        ],
        conformal,
    )
    corners = frame.axes.apply(frame.corners_m)
    return Pegging(
        pegs=pegs,
        baselines=tuple(_tape_line(i, j, corners, frame, slope) for i, j in BASELINES),
        diagonals=tuple(_tape_line(i, j, corners, frame, slope) for i, j in ((0, 2), (1, 3))),
        ties=_ties(marks, corners, frame, slope),
        conformal=conformal,
        residuals=residuals,
        notices=(*notices, *_slope_notices(slope), *_outside_notices(pegs, site)),
    )


# --- rows of pegs: everything but the P numbers ---------------------------------------------

_Rows = dict[str, Any]


def _rows(xy: NDArray[np.float64], **columns: Any) -> _Rows:
    """Rows at CRS coordinates (n, 2); peg_id is filled in later where it is left out."""
    known = {"peg_id": "", "lane_id": "", "line": "", "tape_m": np.nan, "offset_m": np.nan}
    return {"geometry": shapely.points(xy.reshape(-1, 2)), **known, **columns}


def _corner_rows(frame: Frame, slope: Slope) -> _Rows:
    near, far = _baseline_names()[:2]
    across = frame.width_m * float(slope.ratio(frame.axes.rotation_deg + 90.0))
    return _rows(
        frame.axes.apply(frame.corners_m),
        role="baseline",
        line=[near, near, far, far],
        tape_m=[0.0, across, across, 0.0],
        offset_m=0.0,
    )


def _baseline_rows(frame: Frame, slope: Slope, tape_m: float) -> _Rows:
    ends = frame.corners_m[np.array(BASELINES)]
    length = np.array([frame.width_m, frame.width_m, frame.depth_m, frame.depth_m])
    ratio = _axis_ratios(frame, slope)[[0, 0, 1, 1]]
    side, reading = tape_marks(length * ratio, tape_m)
    share = reading / (length * ratio)[side]
    xy = ends[side, 0] + (ends[side, 1] - ends[side, 0]) * share[:, None]
    return _rows(
        frame.axes.apply(xy),
        role="baseline",
        line=_baseline_names()[side],
        tape_m=reading,
        offset_m=0.0,
    )


def _lane_end_rows(lanes: Lanes, frame: Frame, slope: Slope) -> _Rows:
    """Each end read on the nearer of the two baselines that its lane runs between.

    They come in the order in which a team meets them along each baseline.
    """
    ends = lane_ends(lanes)
    a, b = (frame.coordinates_m(e) for e in ends)
    along_y = np.tile(runs_along_y(a, b), 2)
    at = np.concatenate([a, b])
    reading, depth = np.where(along_y[:, None], at, at[:, ::-1]).T
    far_side = np.where(along_y, frame.depth_m, frame.width_m)
    far = far_side - depth < depth
    side = np.where(along_y, 0, 2) + far
    across, along = _axis_ratios(frame, slope)
    order = np.lexsort((reading, side))
    columns = {
        "peg_id": np.concatenate(lane_pegs(lanes.lane_id)),
        "lane_id": np.tile(lanes.lane_id, 2),
        "line": _baseline_names()[side],
        "tape_m": reading * np.where(along_y, across, along),
        "offset_m": np.where(far, far_side - depth, depth) * np.where(along_y, along, across),
    }
    return _rows(
        np.concatenate(ends)[order],
        role="lane end",
        **{name: values[order] for name, values in columns.items()},
    )


def _intermediate_rows(lanes: Lanes, frame: Frame, slope: Slope, tape_m: float) -> _Rows:
    start, finish = lane_ends(lanes)
    step = finish - start
    length = np.hypot(*step.T) / frame.axes.scale * slope.ratio(bearing_of(*step.T))
    lane, reading = tape_marks(length, tape_m)
    xy = start[lane] + step[lane] * (reading / length[lane])[:, None]
    ids = lanes.lane_id[lane]
    return _rows(xy, role="intermediate", lane_id=ids, line=ids, tape_m=reading, offset_m=0.0)


def _control_rows(control: Control) -> _Rows:
    return _rows(shapely.get_coordinates(control.geometry), role="control", line=control.name)


def _baseline_names() -> NDArray[np.object_]:
    return np.array([f"{CORNER_PEGS[i]}-{CORNER_PEGS[j]}" for i, j in BASELINES], dtype=np.object_)


def _axis_ratios(frame: Frame, slope: Slope) -> NDArray[np.float64]:
    bearing = frame.axes.rotation_deg
    return slope.ratio([bearing + 90.0, bearing])


def _number(parts: list[_Rows], conformal: Conformal) -> Pegs:
    """Layer of all parts, P numbers given in order, local coordinates worked out."""
    pegs = Pegs.concat([Pegs.build(len(part["geometry"]), **part) for part in parts])
    unnamed = np.flatnonzero(pegs.peg_id == "")
    names = pegs.peg_id.copy()
    names[unnamed] = [f"P{i:03d}" for i in range(1, len(unnamed) + 1)]
    local = conformal.inverse().apply(shapely.get_coordinates(pegs.geometry))
    return pegs.with_columns(peg_id=names, local_e_m=local[:, 0], local_n_m=local[:, 1])


# --- lengths to check -----------------------------------------------------------------------


def _tape_line(
    i: int, j: int, corners: NDArray[np.float64], frame: Frame, slope: Slope
) -> TapeLine:
    return _measured(CORNER_PEGS[i], CORNER_PEGS[j], corners[j] - corners[i], frame, slope)


def _measured(
    start: str, finish: str, step: NDArray[np.float64], frame: Frame, slope: Slope
) -> TapeLine:
    length = math.hypot(*step) / frame.axes.scale
    ratio = float(slope.ratio(bearing_of(*step)))
    return TapeLine(start, finish, length, length * ratio)


def _ties(
    control: Control, corners: NDArray[np.float64], frame: Frame, slope: Slope
) -> tuple[TapeLine, ...]:
    marks = shapely.get_coordinates(control.geometry)
    ties = []
    for peg, corner in zip(CORNER_PEGS, corners, strict=True):
        step = corner - marks
        nearest = np.argsort(np.hypot(*step.T), kind="stable")[:_TIES_PER_CORNER]
        ties += [_measured(control.name[m], peg, step[m], frame, slope) for m in nearest]
    return tuple(ties)


# --- notices --------------------------------------------------------------------------------


def _slope_notices(slope: Slope) -> list[str]:
    if not slope.slope_deg:
        return []
    where = (
        "along every line"
        if slope.fall_bearing_deg is None
        else f"falling towards grid bearing {slope.fall_bearing_deg:.0f}°"
    )
    return [f"readings are along the slope, taken as {slope.slope_deg:g}° {where}"]


def _outside_notices(pegs: Pegs, site: Any) -> list[str]:
    if site is None:
        return []
    distance = shapely.distance(shapely.union_all(site), pegs.geometry)
    notices = []
    for role, what in (("lane end", "lane end"), ("baseline", "baseline peg")):
        outside = np.where(pegs.role == role, distance, 0.0)
        worst = int(np.argmax(outside))
        many = int((outside > _OUTSIDE_M).sum())
        if outside[worst] > _OUTSIDE_M:
            notices.append(
                f"{counted(many, what)} {'lies' if many == 1 else 'lie'} outside the boundary, "
                f"{pegs.peg_id[worst]} by {format_length(outside[worst], 1)}: "
                "ask before pegging there"
            )
    return notices
