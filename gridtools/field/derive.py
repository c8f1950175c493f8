"""Everything that follows from what was brought back: runs, and the derived columns.

The same layers give the same bytes, whatever the order of their rows, and each session is worked
out by itself, so that a later one never changes an earlier one.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridtools.field.checks import doubts, judged
from gridtools.field.hits import Track, placed_hits, response_lengths_m
from gridtools.field.match import LaneLines, follow, follow_stated, lane_lines
from gridtools.field.rules import Rules
from gridtools.field.runs import REASONS, SessionRuns, session_runs
from gridtools.field.tape import TapeRuns, tape_runs
from gridtools.field.visits import tidied, without_short
from gridtools.field.walk import Walk, Wholes, numbered, sampling_interval_s, walk_of
from gridtools.layers import Checks, Fixes, Hits, Lanes, Runs, Sessions, Tape
from gridtools.units import format_length

_STRUCK = "struck"
# A run may lose up to one sampling interval at each end; said where that is a long way.
_SPARSE_M = 3.0


@dataclass(frozen=True)
class Tally:
    """How much was walked with one reason for not accepting it, empty if accepted."""

    reason: str
    runs: int
    length_m: float


@dataclass(frozen=True, eq=False)
class Derived:
    """What was worked out.

    Attributes
    ----------
    runs
        Runs by session and time.
    fixes, hits
        The layers given, with their derived columns filled; rows keep their order.
    tally
        Runs and length by reason, accepted first, reasons that do not occur left out.
    notices
        What the user should know, one sentence each.
    """

    runs: Runs
    fixes: Fixes
    hits: Hits
    tally: tuple[Tally, ...]
    notices: tuple[str, ...]


def derive(
    lanes: Lanes,
    sessions: Sessions,
    checks: Checks,
    fixes: Fixes,
    tape: Tape,
    hits: Hits,
    rules: Rules,
) -> Derived:
    """Runs, and the derived columns of fixes and hits.

    Parameters
    ----------
    lanes
        Lanes, infill and recheck lanes together, in metres.
    sessions, checks, fixes, tape, hits
        What was brought back, in metres.
    rules
        Thresholds.

    Returns
    -------
    Derived
        The layers and a summary.

    Examples
    --------
    >>> from shapely import LineString
    >>> lane = Lanes.build(geometry=[LineString([(0, 0), (0, 50)])], lane_id=["1-001"], pass_no=1)
    >>> note = Tape.build(
    ...     tape_id=["T001"], session_id="S001", lane_id="1-001", from_m=50.0, to_m=12.0
    ... )
    >>> session = Sessions.build(session_id=["S001"])
    >>> found = derive(
    ...     lane, session, Checks.empty(), Fixes.empty(), note, Hits.empty(), Rules()
    ... )
    >>> found.runs.run_id[0], float(found.runs.heading_deg[0]), float(found.runs.length_m[0])
    ('S001-0001', 180.0, 38.0)
    """
    lines = lane_lines(lanes, rules.lane_spacing_m)
    stated, gives_run = _statements(sessions, fixes, tape)
    fix_run = np.full(len(fixes), "", dtype=np.object_)
    speed = np.full(len(fixes), np.nan)
    tables: list[Runs] = []
    tracks: dict[str, Track] = {}
    notices: list[str] = []
    fix_rows = _rows_by_session(fixes.session_id)
    tape_rows = _rows_by_session(tape.session_id)
    for at in np.argsort(sessions.session_id, kind="stable"):
        session = sessions.take([at])
        name = str(session.session_id[0])
        parts: list[Runs] = []
        walked: SessionRuns | None = None
        if name in fix_rows:
            walk, walked, said = _walked(session, fixes, fix_rows[name], stated, lines, rules)
            notices += said
            parts.append(_walked_table(walked, name, lines))
        if name in tape_rows:
            rows = tape_rows[name][gives_run[tape_rows[name]]]
            taped = tape_runs(tape, rows[np.argsort(tape.tape_id[rows], kind="stable")], lines)
            notices += taped.notices
            parts.append(_taped_table(taped, tape, name, lines))
        table = judged(_numbered(Runs.concat(parts), name), session, checks)
        if walked is not None:
            ids = table.run_id[: len(walked.lane)]
            speed[walk.row] = walk.speed_mps
            found = np.append(ids, "")[walked.fix_run]
            fix_run[walk.row] = found
            tracks[name] = Track(
                time_ms=walked.path_ms,
                piece_run=walked.piece_run,
                run_id=ids,
                home=walked.home,
                accepted=table.accepted[: len(ids)],
            )
        tables.append(table.take(np.argsort(table.feature_ids(), kind="stable")))
    runs = Runs.concat(tables)
    placed, unplaced = placed_hits(hits, sessions, runs, tracks, lines, rules)
    return Derived(
        runs=runs,
        fixes=fixes.with_columns(speed_mps=speed, run_id=fix_run),
        hits=placed.with_columns(response_m=response_lengths_m(placed, rules)),
        tally=_tally(runs),
        notices=(*notices, *unplaced, *(d.sentence for d in doubts(runs, sessions, checks))),
    )


def _rows_by_session(session_id: NDArray[np.object_]) -> dict[str, Wholes]:
    if not len(session_id):
        return {}
    names, row = numbered(session_id)
    order = np.argsort(row, kind="stable")
    parts = np.split(order, np.cumsum(np.bincount(row))[:-1])
    return {name: part.astype(np.int64) for name, part in zip(names, parts, strict=True)}


@dataclass(frozen=True, eq=False)
class _Statements:
    """Lanes stated by timed tape rows, in order of time."""

    time_ms: Wholes
    lane_id: NDArray[np.object_]


def _statements(
    sessions: Sessions, fixes: Fixes, tape: Tape
) -> tuple[_Statements, NDArray[np.bool_]]:
    """Timed tape rows that state the lane of fixes, and a flag (k,) for those that give runs.

    Where the lane gives the position, a tape row made while fixes were logged says which lane
    was walked; the fixes then say how far.
    """
    chosen = np.zeros(len(tape), dtype=np.bool_)
    by_lane = sorted(sessions.session_id[(sessions.positions == "lane") & ~sessions.struck])
    mine = np.isin(tape.session_id.astype(str), by_lane)
    mine &= ~np.isnat(tape.time_utc) & ~tape.struck
    if mine.any():
        for name in by_lane:
            time = fixes.time_utc[fixes.session_id == name]
            if len(time):
                chosen |= mine & (tape.time_utc >= time.min()) & (tape.time_utc <= time.max())
    row = np.flatnonzero(chosen)
    row = row[np.lexsort((tape.tape_id[row], tape.time_utc[row]))]
    return _Statements(tape.time_utc[row].astype(np.int64), tape.lane_id[row]), ~chosen


def _walked(
    session: Sessions,
    fixes: Fixes,
    rows: Wholes,
    stated: _Statements,
    lines: LaneLines,
    rules: Rules,
) -> tuple[Walk, SessionRuns, list[str]]:
    """Movement and runs of one session from its fixes, and what to say about it."""
    name, notices = session.session_id[0], []
    ahead, right = (float(np.nan_to_num(v[0])) for v in (session.ahead_m, session.right_m))
    walk = walk_of(fixes, rows, ahead_m=ahead, right_m=right, rules=rules)
    on_lane = session.positions[0] == "lane" and len(lines) > 0
    if on_lane:
        lane = lines.rows_of(fixes.stated_lane[walk.row])
        if len(stated.time_ms):
            last = np.searchsorted(stated.time_ms, walk.time_ms, side="right") - 1
            noted = lines.rows_of(stated.lane_id)[np.maximum(last, 0)]
            lane = np.where((lane < 0) & (last >= 0), noted, lane)
        if not (lane >= 0).any():
            notices.append(
                f"session {name}: positions come from the lane, but no lane was stated: name "
                "the track after the lane, or mark each lane with a time"
            )
        followed = without_short(walk, follow_stated(walk, lines, lane, rules), lines, rules)
    else:
        accuracy = float(session.accuracy_m[0])
        tolerance = lines.tolerance_m(rules, accuracy)
        followed = follow(walk, lines, tolerance, rules)
        followed = tidied(walk, followed, lines, tolerance, accuracy, rules)
    motion = session.tuning[0] != "static"
    walked = session_runs(walk, followed, lines, rules, motion=motion, on_lane=on_lane)
    apart = sampling_interval_s(walk.time_ms, fixes.segment[walk.row]) * np.median(walk.speed_mps)
    if apart > _SPARSE_M:
        notices.append(
            f"session {name}: fixes lie {format_length(apart, 1)} apart, so each run may end "
            "that much "
            "short: set the GPS unit to log every second"
        )
    return walk, walked, notices


def _lane_columns(lane: Wholes, lines: LaneLines) -> dict[str, NDArray[np.generic]]:
    names = np.append(lines.lanes.lane_id, "")
    numbers = np.append(lines.lanes.pass_no, 0)
    return {"lane_id": names[lane], "pass_no": numbers[lane]}


def _walked_table(walked: SessionRuns, name: str, lines: LaneLines) -> Runs:
    return Runs.build(
        len(walked.lane),
        geometry=walked.geometry,
        session_id=name,
        heading_deg=walked.heading_deg,
        start_utc=walked.start_ms.astype("datetime64[ms]"),
        finish_utc=walked.finish_ms.astype("datetime64[ms]"),
        length_m=walked.length_m,
        speed_mps=walked.speed_mps,
        offline_rms_m=walked.offline_rms_m,
        reason=walked.reason,
        **_lane_columns(walked.lane, lines),
    )


def _taped_table(taped: TapeRuns, tape: Tape, name: str, lines: LaneLines) -> Runs:
    return Runs.build(
        len(taped.row),
        geometry=taped.geometry,
        session_id=name,
        heading_deg=taped.heading_deg,
        start_utc=tape.time_utc[taped.row],
        length_m=np.abs(taped.to_m - taped.from_m),
        reason=np.where(tape.struck[taped.row], _STRUCK, "").astype(np.object_),
        **_lane_columns(taped.lane, lines),
    )


def _numbered(runs: Runs, name: str) -> Runs:
    """Ids in order of time; rows without a time follow, in the order given."""
    start = np.where(
        np.isnat(runs.start_utc), np.iinfo(np.int64).max, runs.start_utc.astype(np.int64)
    )
    number = np.empty(len(runs), np.int64)
    number[np.argsort(start, kind="stable")] = np.arange(1, len(runs) + 1)
    return runs.with_columns(run_id=[f"{name}-{n:04d}" for n in number])


def _tally(runs: Runs) -> tuple[Tally, ...]:
    found = []
    for reason in REASONS:
        mine = runs.reason == reason
        if mine.any():
            found.append(Tally(reason, int(mine.sum()), float(runs.length_m[mine].sum())))
    return tuple(found)
