"""Tape notes to runs: stretches of lane walked, with no GPS at all."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.field.match import LaneLines
from gridtools.field.walk import Flags, Reals, Wholes
from gridtools.layers import Tape
from gridtools.units import bearing_of

# Tapes and planned lengths differ by this much without anyone having walked past the peg.
_END_SLACK_M = 0.5


@dataclass(frozen=True, eq=False)
class TapeRuns:
    """Tape rows that give runs.

    Attributes
    ----------
    row
        Rows (r,) of the tape layer.
    lane
        Row of the lane (r,).
    from_m, to_m
        Chainages (r,) kept within the lane.
    geometry
        Lines (r,) along the lane in walking direction.
    heading_deg
        Direction walked (r,).
    notices
        What could not be used or was cut, one sentence each.
    """

    row: Wholes
    lane: Wholes
    from_m: Reals
    to_m: Reals
    geometry: NDArray[np.object_]
    heading_deg: Reals
    notices: tuple[str, ...]


def tape_runs(tape: Tape, rows: Wholes, lines: LaneLines) -> TapeRuns:
    """Runs along lanes from tape rows.

    A chainage that is not given is the near end of the lane: 0 for `from_m`, the length for
    `to_m`. Chainages outside the lane are cut to it. Rows naming no lane of the job, or of no
    length, give no run.

    Parameters
    ----------
    tape
        The layer.
    rows
        Rows (k,) to take.
    lines
        The lanes.
    """
    lane = lines.rows_of(tape.lane_id[rows])
    known = lane >= 0
    notices = [
        f"tape row {tape.tape_id[row]}: the job has no lane {tape.lane_id[row]!r}, so it gives "
        "no run"
        for row in rows[~known]
    ]
    rows, lane = rows[known], lane[known]
    length = lines.length_m[lane]
    begin = np.where(np.isnan(tape.from_m[rows]), 0.0, tape.from_m[rows])
    end = np.where(np.isnan(tape.to_m[rows]), length, tape.to_m[rows])
    low, high = np.minimum(begin, end), np.maximum(begin, end)
    notices += [
        f"tape row {tape.tape_id[row]}: goes past the end of lane {tape.lane_id[row]} and counts "
        "only as far as the lane reaches"
        for row in rows[(low < -_END_SLACK_M) | (high > length + _END_SLACK_M)]
    ]
    begin, end = np.clip(begin, 0.0, length), np.clip(end, 0.0, length)
    some: Flags = begin != end
    rows, lane, begin, end = rows[some], lane[some], begin[some], end[some]
    sign = np.where(end > begin, 1, -1).astype(np.int64)
    points = np.stack([lines.at(lane, begin), lines.at(lane, end)], axis=1)
    return TapeRuns(
        row=rows,
        lane=lane,
        from_m=begin,
        to_m=end,
        geometry=np.asarray(shapely.linestrings(points), dtype=np.object_),
        heading_deg=bearing_of(*lines.way(lane, sign).T),
        notices=tuple(notices),
    )


def rows_of_run(
    tape: Tape, lines: LaneLines, session_id: str, geometry: shapely.LineString
) -> Wholes:
    """Rows of the tape layer from which a run of that session and line came."""
    rows = np.flatnonzero(tape.session_id == session_id)
    found = tape_runs(tape, rows, lines)
    same = shapely.equals_exact(found.geometry, geometry, tolerance=1e-6)
    return found.row[np.asarray(same, dtype=np.bool_).reshape(-1)]
