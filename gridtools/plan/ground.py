"""The ground as the planner sees it, and the legs of one pass over it."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Self

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.errors import InputError
from gridtools.plan.detours import Detours
from gridtools.plan.strips import (
    Frame,
    Outline,
    Real,
    Rows,
    Stretches,
    beside,
    chords,
    difference,
    holding,
    union,
)
from gridtools.units import normalise_bearing

#: More lanes than this in one pass is a slip of the unit, not a plan.
MOST_LANES = 100_000


@dataclass(frozen=True, eq=False)
class Ground:
    """Search area and no-go ground of a job, polygons in metres."""

    area: Any
    no_go: Any

    @classmethod
    def of(cls, area: NDArray[np.object_], no_go: Any) -> Self:
        """Ground from the parts of a search area.

        Raises
        ------
        InputError
            If the search area is empty.
        """
        whole = shapely.union_all(area)
        if whole.is_empty:
            raise InputError("the search area is empty: give a site with ground to search")
        return cls(whole, no_go)

    @cached_property
    def origin(self) -> Real:
        """Local origin (2,): the middle of the search area, to the metre."""
        low_e, low_n, high_e, high_n = shapely.bounds(self.area)
        return np.rint([(low_e + high_e) / 2, (low_n + high_n) / 2])

    @cached_property
    def detours(self) -> Detours:
        """Ways round the no-go ground, in coordinates about the origin."""
        return Detours(self.no_go, self.origin)


@dataclass(frozen=True, kw_only=True, eq=False)
class PassLegs:
    """Legs of one pass.

    Attributes
    ----------
    pass_no, bearing_deg, spacing_m
        Pass, grid bearing of its lanes, and distance between them.
    legs
        Legs sorted by lane, left to right, and along the bearing.
    low_xy, high_xy
        Map coordinates (n, 2) of their ends.
    dropped
        Lines (k,) that were shorter than the least length.
    """

    pass_no: int
    bearing_deg: float
    spacing_m: float
    legs: Stretches
    low_xy: Real
    high_xy: Real
    dropped: NDArray[np.object_]


def lay_pass(
    ground: Ground,
    bearing_deg: float,
    pass_no: int,
    *,
    spacing_m: float,
    run_on_m: float | None,
    stay_inside: bool,
    min_length_m: float = 0.0,
    through: Real | None = None,
) -> PassLegs:
    """Legs of a pass; pass 2 at right angles to a bearing given for pass 1.

    The lanes are centred on the search area, or one goes through a given point (2,).

    Raises
    ------
    InputError
        If the spacing gives far too many lanes, or no leg is left.
    """
    frame = Frame.at(ground.origin, bearing_deg)
    if pass_no == 2:
        frame, bearing_deg = frame.turned(), bearing_deg + 90.0
    outline = Outline.of(ground.area, frame)
    through_m = None if through is None else float(frame.to_frame(through[None])[0][0])
    rows = Rows.over(outline, spacing_m, through_m)
    if rows.count > MOST_LANES:
        raise InputError(
            f"a lane spacing of {spacing_m:g} m gives {rows.count} lanes in a pass: "
            "check its unit, or split the site"
        )
    legs = lay_legs(
        outline,
        Outline.of(ground.no_go, frame),
        rows,
        run_on_m=run_on_m,
        stay_inside=stay_inside,
    )
    keep = legs.high - legs.low >= min_length_m
    if not keep.any():
        raise InputError(
            f"pass {pass_no} has no leg of {min_length_m:g} m or more: give a smaller least length"
        )
    low_xy = frame.to_map(rows.across(legs.line), legs.low)
    high_xy = frame.to_map(rows.across(legs.line), legs.high)
    return PassLegs(
        pass_no=pass_no,
        bearing_deg=float(normalise_bearing(bearing_deg)),
        spacing_m=spacing_m,
        legs=legs.take(keep),
        low_xy=low_xy[keep],
        high_xy=high_xy[keep],
        dropped=lines(low_xy[~keep], high_xy[~keep]),
    )


def lay_legs(
    area: Outline, no_go: Outline, rows: Rows, *, run_on_m: float | None, stay_inside: bool
) -> Stretches:
    """Stretches of the lanes to be walked, sorted by lane and position."""
    blocked = chords(no_go, rows, closed=False)
    if stay_inside:
        return difference(chords(area, rows, closed=True), blocked)
    needed = beside(area, rows)
    reach = needed
    if run_on_m:
        inside = chords(area, rows, closed=True)
        longer = Stretches(line=inside.line, low=inside.low - run_on_m, high=inside.high + run_on_m)
        reach = union(needed, longer)
    pieces = difference(reach, blocked)
    if run_on_m:
        # Run-on that lies beyond no-go ground has nothing to search beside it.
        pieces = pieces.take(holding(pieces, difference(needed, blocked)))
    return pieces


def lines(start: Real, finish: Real) -> NDArray[np.object_]:
    """Straight lines (n,) from points (n, 2) to points (n, 2)."""
    return np.asarray(shapely.linestrings(np.stack([start, finish], axis=1)), dtype=np.object_)
