"""Hits on their runs, and the rows of one response taken together.

Every row as logged is kept. A response is a point, or a start, a peak and an end of which any may
be missing; `responses` gives one row for each.
"""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.field.match import LaneLines, lane_lines
from gridtools.field.rules import Rules
from gridtools.field.walk import Flags, Reals, Wholes
from gridtools.layers import Hits, Lanes, Runs, Sessions
from gridtools.units import bearing_difference, bearing_of, counted, listed, unit_vector

# How far from the end of a run a hit logged by chainage may lie and still be of that run: people
# read a tape to the metre.
_PASSED_M = 1.0


@dataclass(frozen=True, eq=False)
class Track:
    """Path of one session, to look up who walked where at a time.

    Attributes
    ----------
    time_ms
        Times (p,) of the points of the path.
    piece_run
        Run (p - 1,) of each piece of it, -1 across a break.
    run_id, accepted
        Id (r,) of each run and whether it counts as covered.
    home
        For a dwell the run (r,) walked up to it; itself for others.
    """

    time_ms: Wholes
    piece_run: Wholes
    run_id: NDArray[np.object_]
    home: Wholes
    accepted: Flags

    def run_at(self, time_ms: Wholes, slack_ms: int) -> Wholes:
        """Run (m,) walked at each time, -1 if none; a dwell belongs to the run before it.

        Parameters
        ----------
        time_ms
            Times (m,).
        slack_ms
            How far outside the fixes, or into a break in them, a time may lie.
        """
        if not len(self.piece_run):
            return np.full(len(time_ms), -1, np.int64)
        last = len(self.piece_run) - 1
        piece = np.clip(np.searchsorted(self.time_ms, time_ms, side="right") - 1, 0, last)
        before, after = np.maximum(piece - 1, 0), np.minimum(piece + 1, last)
        run = self.piece_run[piece]
        # At the very moment where a run ends, the hit is the run's.
        accepted = np.append(self.accepted, False)
        tie = (self.time_ms[piece] == time_ms) & ~accepted[run] & accepted[self.piece_run[before]]
        run = np.where(tie, self.piece_run[before], run)
        lost = run < 0
        near = lost & (time_ms - self.time_ms[piece] <= slack_ms)
        run = np.where(near, self.piece_run[before], run)
        near = lost & (run < 0) & (self.time_ms[piece + 1] - time_ms <= slack_ms)
        run = np.where(near, self.piece_run[after], run)
        run[(time_ms < self.time_ms[0] - slack_ms) | (time_ms > self.time_ms[-1] + slack_ms)] = -1
        return np.where(run >= 0, self.home[run], -1).astype(np.int64)


def placed_hits(
    hits: Hits,
    sessions: Sessions,
    runs: Runs,
    tracks: dict[str, Track],
    lines: LaneLines,
    rules: Rules,
) -> tuple[Hits, tuple[str, ...]]:
    """Hits with run, lane, chainage and heading, and what could not be told.

    A hit with a time takes the run walked at that time in its own session, or else in another
    one. A hit logged by lane and chainage keeps both, and takes the run that passed there.

    Parameters
    ----------
    hits, sessions, runs
        The layers; runs already judged.
    tracks
        Path of each session that has fixes.
    lines
        The lanes.
    rules
        Thresholds.
    """
    on_lane = np.array([p.startswith("lane") for p in hits.placed], dtype=np.bool_)
    lane = np.full(len(hits), -1, np.int64)
    lane[on_lane] = lines.rows_of(hits.lane_id[on_lane])
    heading = _stated_heading(hits, lane, lines)
    run = _runs_by_time(hits, runs, tracks, rules)
    open_ = np.flatnonzero(on_lane & (run < 0))
    run[open_] = _runs_by_chainage(hits, open_, heading[open_], runs)

    known = run >= 0
    from_run = known & ~on_lane
    run_lane = np.append(runs.lane_id, "")[run]
    lane[from_run] = lines.rows_of(run_lane[from_run])
    walked = np.where(run_lane != "", np.append(runs.heading_deg, np.nan)[run], np.nan)
    heading = np.where(np.isnan(heading), walked, heading)

    chainage = np.where(on_lane, hits.chainage_m, np.nan)
    move = from_run & (lane >= 0)
    coil = shapely.get_coordinates(hits.geometry)[move] + _lever_arm(
        hits.session_id[move], heading[move], sessions
    )
    chainage[move] = lines.along(lane[move], coil)
    names = np.append(lines.lanes.lane_id, "")
    out = hits.with_columns(
        run_id=np.append(runs.run_id, "")[run],
        lane_id=np.where(on_lane, hits.lane_id, names[lane]),
        chainage_m=chainage,
        heading_deg=heading,
    )
    lost = hits.hit_id[~known & ~hits.struck].tolist()
    notices = (
        (f"{len(lost)} of {counted(len(hits), 'hit')} could not be tied to a run: {listed(lost)}",)
        if lost
        else ()
    )
    return out, notices


def _stated_heading(hits: Hits, lane: Wholes, lines: LaneLines) -> Reals:
    """Heading (n,) of hits logged by lane with a direction, NaN for others."""
    heading = np.full(len(hits), np.nan)
    for way, sign in (("lane forward", 1), ("lane backward", -1)):
        rows = np.flatnonzero((hits.placed == way) & (lane >= 0))
        heading[rows] = bearing_of(*lines.way(lane[rows], np.full(len(rows), sign)).T)
    return heading


def _lever_arm(session_id: NDArray[np.object_], heading_deg: Reals, sessions: Sessions) -> Reals:
    """Offsets (n, 2) of the coil midpoint from the antenna."""
    row_of = {name: row for row, name in enumerate(sessions.session_id)}
    row = np.array([row_of.get(name, -1) for name in session_id], dtype=np.int64)
    ahead = np.append(np.nan_to_num(sessions.ahead_m), 0.0)[row]
    right = np.append(np.nan_to_num(sessions.right_m), 0.0)[row]
    way = unit_vector(heading_deg).reshape(-1, 2)
    across = np.column_stack([way[:, 1], -way[:, 0]])
    offset: Reals = ahead[:, np.newaxis] * way + right[:, np.newaxis] * across
    return offset


def _runs_by_time(hits: Hits, runs: Runs, tracks: dict[str, Track], rules: Rules) -> Wholes:
    row_of = {name: row for row, name in enumerate(runs.run_id)}
    run = np.full(len(hits), -1, np.int64)
    timed = ~np.isnat(hits.time_utc)
    time_ms = hits.time_utc.astype(np.int64)
    slack = int(rules.break_s * 1000)
    own = np.array([name in tracks for name in hits.session_id], dtype=np.bool_)
    distance = np.full(len(hits), np.inf)
    for name in sorted(tracks):
        track = tracks[name]
        rows = np.array([row_of[r] for r in track.run_id] + [-1], dtype=np.int64)
        mine = np.flatnonzero(timed & ((hits.session_id == name) | ~own))
        found = rows[track.run_at(time_ms[mine], slack)]
        mine, found = mine[found >= 0], found[found >= 0]
        if not len(mine):
            continue
        # Two walkers at one time: a hit without a track of its own is that of the nearer one.
        apart = shapely.distance(hits.geometry[mine], runs.geometry[found])
        nearer = apart < distance[mine]
        run[mine[nearer]] = found[nearer]
        distance[mine[nearer]] = apart[nearer]
    return run


def _runs_by_chainage(hits: Hits, rows: Wholes, heading_deg: Reals, runs: Runs) -> Wholes:
    """Run (m,) that passed a hit logged by lane and chainage, -1 if none or if unclear.

    Accepted runs of the hit's own session come first, then accepted ones of any, then the rest.
    A stated heading must agree; with none stated, runs of both headings leave it open.
    """
    found = np.full(len(rows), -1, np.int64)
    for i, row in enumerate(rows):
        passed = np.flatnonzero(runs.lane_id == hits.lane_id[row])
        away = shapely.distance(runs.geometry[passed], hits.geometry[row])
        passed = passed[away <= _PASSED_M]
        if not np.isnan(heading_deg[i]):
            turn = bearing_difference(runs.heading_deg[passed], heading_deg[i])
            passed = passed[np.abs(turn) < 90.0]
        own = runs.session_id[passed] == hits.session_id[row]
        good = runs.accepted[passed]
        for group in (passed[own & good], passed[good], passed):
            if len(group):
                turn = bearing_difference(runs.heading_deg[group], runs.heading_deg[group[0]])
                if np.abs(turn).max() < 90.0:
                    found[i] = group[0]
                break
    return found


def response_numbers(hits: Hits, rules: Rules) -> Wholes:
    """Number (n,) of the response that each row belongs to, -1 for a struck row.

    In order of time, or as logged where there is no time, a start opens a response, a peak and an
    end go on with it, and an end closes it. Rows of different sessions, lanes or headings, or
    further apart than `Rules.response_max_m`, are never one response.
    """
    number = np.full(len(hits), -1, np.int64)
    live = np.flatnonzero(~hits.struck)
    if not len(live):
        return number
    time = hits.time_utc[live]
    last = np.iinfo(np.int64).max
    order = live[
        np.lexsort(
            (
                hits.feature_ids()[live],
                np.where(np.isnat(time), last, time.astype(np.int64)),
                hits.session_id[live],
            )
        )
    ]
    xy = shapely.get_coordinates(hits.geometry[order])
    part, lane, session = hits.part[order], hits.lane_id[order], hits.session_id[order]
    heading = hits.heading_deg[order]
    turn = np.abs(bearing_difference(heading[1:], heading[:-1]))
    goes_on = (
        np.isin(part[1:].astype(str), ["peak", "end"])
        & np.isin(part[:-1].astype(str), ["start", "peak"])
        & ~((part[1:] == "peak") & (part[:-1] == "peak"))
        & (session[1:] == session[:-1])
        & (lane[1:] == lane[:-1])
        & ~(turn > 90.0)
        & (np.hypot(*np.diff(xy, axis=0).T) <= rules.response_max_m)
    )
    number[order] = np.concatenate([[0], np.cumsum(~goes_on.astype(np.bool_))])
    return number


def response_lengths_m(hits: Hits, rules: Rules) -> Reals:
    """Length (n,) of each response on the row of its start, NaN elsewhere.

    Along the lane where both chainages are known, else straight from start to end.
    """
    number = response_numbers(hits, rules)
    length = np.full(len(hits), np.nan)
    start = np.flatnonzero((number >= 0) & (hits.part == "start"))
    end = np.flatnonzero((number >= 0) & (hits.part == "end"))
    _, i, j = np.intersect1d(number[start], number[end], return_indices=True)
    start, end = start[i], end[j]
    straight = shapely.distance(hits.geometry[start], hits.geometry[end])
    along = np.abs(hits.chainage_m[end] - hits.chainage_m[start])
    length[start] = np.where(np.isnan(along), straight, along)
    return length


def responses(hits: Hits, runs: Runs, lanes: Lanes, rules: Rules) -> Hits:
    """One row for each response, placed where the coil was; struck rows left out.

    A response is placed at its peak if that was logged, else midway between start and end, else
    at its one row, and takes the id of that row (of the start, for midway). It is then brought to
    its run at its chainage, so that the offset of the antenna from the coil is gone. `strength`
    is the greatest of its rows, `part` is empty, `response_m` its length where start and end were
    logged. Rows come in the order of their ids.

    Parameters
    ----------
    hits
        Hits with their derived columns.
    runs, lanes
        Runs, and lanes with infill and recheck lanes, as given to `derive`.
    rules
        Thresholds.

    Examples
    --------
    >>> logged = Hits.build(
    ...     hit_id=["H0001", "H0002"], session_id="S001", part=["start", "end"],
    ...     geometry=[shapely.Point(0, 4), shapely.Point(0, 7)],
    ... )
    >>> one = responses(logged, Runs.empty(), Lanes.empty(), Rules())
    >>> one.hit_id.tolist(), one.geometry[0].wkt, one.response_m.tolist()
    (['H0001'], 'POINT (0 5.5)', [3.0])
    """
    number = response_numbers(hits, rules)
    live = np.flatnonzero(number >= 0)
    if not len(live):
        return hits.take(live)
    # The row that stands for the response: its peak, else its start, else its only row.
    worth = np.select([hits.part[live] == p for p in ("peak", "start", "")], [0, 1, 2], 3)
    order = live[np.lexsort((hits.feature_ids()[live], worth, number[live]))]
    group = number[order]
    first = np.flatnonzero(np.concatenate([[True], group[1:] != group[:-1]]))
    chosen = order[first]
    strength = np.fmax.reduceat(hits.strength[order], first)
    length = response_lengths_m(hits, rules)[order]
    length = np.fmax.reduceat(length, first)

    xy = shapely.get_coordinates(hits.geometry[chosen])
    chainage = hits.chainage_m[chosen].copy()
    time = hits.time_utc[chosen].copy()
    end_of = np.full(int(number.max()) + 1, -1, np.int64)
    is_end = live[hits.part[live] == "end"]
    end_of[number[is_end]] = is_end
    end = end_of[number[chosen]]
    pair = np.flatnonzero((hits.part[chosen] == "start") & (end >= 0))
    end = end[pair]
    xy[pair] = (xy[pair] + shapely.get_coordinates(hits.geometry[end])) / 2
    chainage[pair] = (chainage[pair] + hits.chainage_m[end]) / 2
    time[pair] += (hits.time_utc[end] - time[pair]) // 2
    found = hits.take(chosen).with_columns(
        geometry=np.asarray(shapely.points(_on_runs(xy, hits.take(chosen), chainage, runs, lanes))),
        part="",
        strength=strength,
        response_m=length,
        chainage_m=chainage,
        time_utc=time,
    )
    return found.take(np.argsort(found.feature_ids(), kind="stable"))


def _on_runs(xy: Reals, hits: Hits, chainage_m: Reals, runs: Runs, lanes: Lanes) -> Reals:
    """Places (n, 2) on the runs at those chainages; as given where run or lane is unknown."""
    lines = lane_lines(lanes)
    row_of = {name: row for row, name in enumerate(runs.run_id)}
    run = np.array([row_of.get(name, -1) for name in hits.run_id], dtype=np.int64)
    lane = lines.rows_of(hits.lane_id)
    at = np.flatnonzero((run >= 0) & (lane >= 0) & ~np.isnan(chainage_m))
    point = shapely.points(lines.at(lane[at], chainage_m[at]))
    line = runs.geometry[run[at]]
    place = shapely.line_interpolate_point(line, shapely.line_locate_point(line, point))
    xy = xy.copy()
    xy[at] = shapely.get_coordinates(place)
    return xy
