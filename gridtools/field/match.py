"""Which lane the walker follows at each fix.

Parallel lanes share a frame turned to their bearing, in which distance across and along is one
subtraction each, and the lanes near a fix are found by a binary search. A stretch of one heading
goes to the lane that it follows over its whole length, since single fixes cannot tell lanes apart
when GPS error nears the lane spacing.
"""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.field.rules import Rules
from gridtools.field.walk import Flags, Reals, Walk, Wholes, stretches
from gridtools.layers import Lanes

_BIN_M = 50.0
_SAME_BEARING_DEG = 0.05
_ROUNDS = 6


@dataclass(frozen=True, eq=False)
class LaneLines:
    """Lanes as straight lines.

    Attributes
    ----------
    lanes
        The layer (k rows).
    start, unit
        First point (k, 2) and unit vector (k, 2) in walking direction.
    length_m
        Length (k,).
    group
        Number (k,) of the set of parallel lanes.
    planned
        Whether it is a lane of the plan, not an infill or recheck lane (k,).
    spacing_m
        Distance between planned neighbours in its group, NaN if a single lane gives none (k,).
    """

    lanes: Lanes
    start: Reals
    unit: Reals
    length_m: Reals
    group: Wholes
    planned: Flags
    spacing_m: Reals

    def __len__(self) -> int:
        return len(self.group)

    def along(self, lane: Wholes, xy: Reals) -> Reals:
        """Chainage (n,) of points (n, 2) on the lanes numbered `lane` (n,)."""
        offset = xy - self.start[lane]
        along: Reals = offset[:, 0] * self.unit[lane, 0] + offset[:, 1] * self.unit[lane, 1]
        return along

    def across(self, lane: Wholes, xy: Reals) -> Reals:
        """Distance (n,) to the right of the lanes numbered `lane` (n,)."""
        offset = xy - self.start[lane]
        across: Reals = offset[:, 0] * self.unit[lane, 1] - offset[:, 1] * self.unit[lane, 0]
        return across

    def at(self, lane: Wholes, chainage_m: Reals) -> Reals:
        """Points (n, 2) at chainages (n,) of the lanes numbered `lane` (n,)."""
        point: Reals = self.start[lane] + self.unit[lane] * chainage_m[:, np.newaxis]
        return point

    def way(self, lane: Wholes, sign: Wholes) -> Reals:
        """Unit vectors (n, 2) of a walk with (1) or against (-1) each lane."""
        direction: Reals = self.unit[lane] * sign[:, np.newaxis]
        return direction

    def rows_of(self, lane_id: NDArray[np.object_]) -> Wholes:
        """Row (n,) of each lane id, -1 where there is no such lane."""
        known = {name: row for row, name in enumerate(self.lanes.lane_id)}
        return np.array([known.get(name, -1) for name in lane_id], dtype=np.int64)

    def tolerance_m(self, rules: Rules, accuracy_m: float) -> Reals:
        """Greatest distance (k,) from each lane at which it is still followed.

        Twice the standard error of a fix where that is more, but never so far that a fix beyond
        the next lane would count: it tells nothing by then.
        """
        off_lane: Reals = np.where(
            np.isfinite(self.spacing_m), rules.off_lane_spacings * self.spacing_m, rules.off_lane_m
        )
        if np.isnan(accuracy_m):
            return off_lane
        widened: Reals = np.clip(2.0 * accuracy_m, off_lane, 2.0 * off_lane)
        return widened


def lane_lines(lanes: Lanes, lane_spacing_m: float = 0.0) -> LaneLines:
    """Lanes as straight lines, in groups of one bearing.

    Parameters
    ----------
    lanes
        Lanes, infill and recheck lanes together, in metres.
    lane_spacing_m
        Lane spacing of the plan; 0 to take the median distance between planned neighbours.
    """
    count = len(lanes)
    ends = [shapely.get_point(lanes.geometry, 0), shapely.get_point(lanes.geometry, -1)]
    start, finish = (shapely.get_coordinates(end).reshape(count, 2) for end in ends)
    length = np.hypot(*(finish - start).T)
    unit = (finish - start) / np.where(length > 0, length, 1.0)[:, np.newaxis]
    group = _parallel(np.mod(np.degrees(np.arctan2(unit[:, 0], unit[:, 1])), 180.0))

    infill = np.array(["-i" in name for name in lanes.lane_id], dtype=np.bool_)
    planned = (lanes.pass_no > 0) & ~infill
    spacing = np.full(count, np.nan)
    for number in range(int(group.max(initial=-1)) + 1):
        member = group == number
        chosen = np.flatnonzero(member & planned)
        if chosen.size:
            right = np.array([unit[chosen[0], 1], -unit[chosen[0], 0]])
            step = np.diff(np.sort(start[chosen] @ right))
            step = step[step > 0.1]
            if step.size:
                spacing[member] = np.median(step)
    if lane_spacing_m > 0:
        spacing[:] = lane_spacing_m
    elif np.isfinite(spacing).any():
        spacing[np.isnan(spacing)] = np.nanmedian(spacing)
    return LaneLines(
        lanes=lanes,
        start=start,
        unit=unit,
        length_m=length,
        group=group,
        planned=planned,
        spacing_m=spacing,
    )


def _parallel(bearing_deg: Reals) -> Wholes:
    """Group numbers (k,) of bearings modulo 180; the circle is cut at its widest gap."""
    if not bearing_deg.size:
        return np.empty(0, np.int64)
    order = np.argsort(bearing_deg, kind="stable")
    ordered = bearing_deg[order]
    gap = np.diff(ordered, append=ordered[0] + 180.0)
    group = np.concatenate([[0], np.cumsum(gap[:-1] > _SAME_BEARING_DEG)])
    if gap[-1] <= _SAME_BEARING_DEG:
        group[group == group[-1]] = 0
    out = np.empty(len(group), np.int64)
    out[order] = group
    return out


@dataclass(frozen=True, eq=False)
class Followed:
    """Lane and direction at each fix.

    Attributes
    ----------
    lane
        Row (n,) of the lane, -1 for none.
    sign
        1 with the lane, -1 against it (n,); 0 where there is no lane.
    """

    lane: Wholes
    sign: Wholes


def follow(walk: Walk, lines: LaneLines, tolerance_m: Reals, rules: Rules) -> Followed:
    """Lane followed at each fix, by heading and distance over whole stretches.

    Where lanes of several bearings could be meant (a recheck lane at a slant), the one that the
    stretch fits better in distance and heading together is taken.
    """
    lane = np.full(len(walk), -1, np.int64)
    sign = np.zeros(len(walk), np.int64)
    best = np.zeros(len(walk))
    for number in range(int(lines.group.max(initial=-1)) + 1):
        member = np.flatnonzero(lines.group == number)
        claim = _claim(walk, lines, member, tolerance_m, rules)
        better = claim.fit > best
        lane[better] = claim.lane[better]
        sign[better] = claim.sign[better]
        best[better] = claim.fit[better]
    return Followed(lane=lane, sign=sign)


@dataclass(frozen=True, eq=False)
class _Claim:
    lane: Wholes
    sign: Wholes
    fit: Reals


def _claim(
    walk: Walk, lines: LaneLines, member: Wholes, tolerance_m: Reals, rules: Rules
) -> _Claim:
    """Claim of one group of parallel lanes on the fixes, with the fit of each stretch (0 to 1)."""
    count = len(walk)
    unit = lines.unit[member[0]]
    size = np.hypot(*walk.velocity.T)
    cosine = np.divide(walk.velocity @ unit, size, out=np.zeros(count), where=size > 0)
    angle = np.degrees(np.arccos(np.clip(np.abs(cosine), 0.0, 1.0)))
    straight = angle <= rules.heading_tolerance_deg
    claim = _Claim(np.full(count, -1, np.int64), np.zeros(count, np.int64), np.zeros(count))
    index = np.flatnonzero(straight)
    fix, lane = _near(walk.coil_xy[index], lines, member, tolerance_m, rules.lane_end_m)
    if not fix.size:
        return claim
    fix = index[fix]
    slant = 1.0 - (angle[fix] / rules.heading_tolerance_deg) ** 2
    score = (1.0 - (lines.across(lane, walk.coil_xy[fix]) / tolerance_m[lane]) ** 2) * slant
    way = np.where(lines.unit[lane] @ unit > 0, 1, -1) * np.sign(cosine[fix]).astype(np.int64)

    free = np.zeros(count, dtype=np.bool_)
    free[fix] = True
    heading = np.sign(cosine).astype(np.int64)
    for _ in range(_ROUNDS):
        pair = free[fix]
        fix, lane, score, way = fix[pair], lane[pair], score[pair], way[pair]
        if not fix.size:
            break
        start, stop = stretches(free, heading, walk.block)
        stretch = np.repeat(np.arange(len(start)), stop - start)[fix]
        chosen, fit = _best_lane(stretch, lane, score)
        fix_taken = fix[chosen]
        claim.lane[fix_taken] = lane[chosen]
        claim.sign[fix_taken] = way[chosen]
        claim.fit[fix_taken] = np.maximum(fit, 1e-6)
        free[fix_taken] = False
    return claim


def _best_lane(stretch: Wholes, lane: Wholes, score: Reals) -> tuple[Wholes, Reals]:
    """Rows of the pairs of each stretch with its best lane, and the mean score of that pair."""
    span = int(lane.max()) + 1
    key, row = np.unique(stretch * span + lane, return_inverse=True)
    total = np.bincount(row, weights=score)
    mean = total / np.bincount(row)
    owner = key // span
    order = np.lexsort((key, -total, owner))
    first = np.concatenate([[True], np.diff(owner[order]) != 0])
    best = np.zeros(len(key), dtype=np.bool_)
    best[order[first]] = True
    chosen = np.flatnonzero(best[row])
    return chosen, mean[row[chosen]]


def _near(
    xy: Reals, lines: LaneLines, member: Wholes, tolerance_m: Reals, lane_end_m: float
) -> tuple[Wholes, Wholes]:
    """Pairs of fix and lane that lie within reach: across within tolerance, along within ends.

    Past the end of a lane a fix belongs to it only if it does not lie beside another one.
    """
    unit = lines.unit[member[0]]
    right = np.array([unit[1], -unit[0]])
    origin = lines.start[member[0]]
    begin = (lines.start[member] - origin) @ unit
    finish = (lines.at(member, lines.length_m[member]) - origin) @ unit
    low = np.floor((np.minimum(begin, finish) - lane_end_m) / _BIN_M).astype(np.int64)
    high = np.floor((np.maximum(begin, finish) + lane_end_m) / _BIN_M).astype(np.int64)
    repeat = high - low + 1
    entry = np.repeat(np.arange(len(member)), repeat)
    within = np.arange(len(entry)) - np.repeat(np.cumsum(repeat) - repeat, repeat)
    bin_ = low[entry] + within
    middle = lines.at(member, lines.length_m[member] / 2)
    offset = ((middle - origin) @ right)[entry]

    reach = float(tolerance_m[member].max())
    place = (xy - origin) @ np.column_stack([unit, right])
    fix_bin = np.floor(place[:, 0] / _BIN_M).astype(np.int64)
    inside = (np.abs(place[:, 1] - offset.mean()) <= np.ptp(offset) + reach) & (
        (fix_bin >= low.min()) & (fix_bin <= high.max())
    )
    candidate = np.flatnonzero(inside)
    # One axis holding the offsets of every bin, bins far enough apart not to mix.
    width = 4.0 * (float(np.ptp(offset)) + reach + 1.0)
    centre = float(offset.min() + offset.max()) / 2
    axis = bin_ * width + (offset - centre)
    order = np.argsort(axis, kind="stable")
    axis = axis[order]
    at = fix_bin[candidate] * width + (place[candidate, 1] - centre)
    first = np.searchsorted(axis, at - reach, side="left")
    count = np.searchsorted(axis, at + reach, side="right") - first
    fix = np.repeat(candidate, count)
    step = np.arange(len(fix)) - np.repeat(np.cumsum(count) - count, count)
    lane = member[entry[order[np.repeat(first, count) + step]]]

    across = np.abs(lines.across(lane, xy[fix]))
    along = lines.along(lane, xy[fix])
    past = np.maximum(-along, along - lines.length_m[lane])
    keep = (across <= tolerance_m[lane]) & (past <= lane_end_m)
    beside = np.zeros(len(xy), dtype=np.bool_)
    beside[fix[keep & (past <= 0)]] = True
    keep &= (past <= 0) | ~beside[fix]
    return fix[keep], lane[keep]


def follow_stated(walk: Walk, lines: LaneLines, stated: Wholes, rules: Rules) -> Followed:
    """Lane followed at each fix where the walker stated it: only heading is taken from the GPS.

    Parameters
    ----------
    stated
        Row (n,) of the stated lane, -1 for none.
    """
    lane = np.maximum(stated, 0)
    size = np.hypot(*walk.velocity.T)
    toward = np.einsum("ij,ij->i", walk.velocity, lines.unit[lane])
    along = lines.along(lane, walk.coil_xy)
    on: Flags = (
        (stated >= 0)
        & (np.abs(toward) >= np.cos(np.radians(rules.follow_tolerance_deg)) * size)
        & (toward != 0)
        & (np.abs(lines.across(lane, walk.coil_xy)) <= rules.stated_lane_m)
        & (along >= -rules.lane_end_m)
        & (along <= lines.length_m[lane] + rules.lane_end_m)
    )
    return Followed(
        lane=np.where(on, lane, -1), sign=np.where(on, np.sign(toward), 0).astype(np.int64)
    )
