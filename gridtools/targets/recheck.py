"""Short lanes whose walk would settle an unresolved candidate."""

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from gridtools.coverage.infill import CLOSED
from gridtools.geodesy import bearings
from gridtools.layers import Lanes, Recheck, Runs
from gridtools.targets.compass import compass_word, unwalked
from gridtools.targets.identity import next_number
from gridtools.targets.lines import P_AGAINST, chance_by_sense
from gridtools.units import bearing_difference, normalise_bearing, unit_vector

# Stated: a recheck lane is four sweep widths long, so that a walker comes to the place at pace.
LENGTH_IN_SWEEPS = 4.0
_SAME_LANE_M = 0.5
_SAME_LANE_DEG = 10.0


@dataclass(frozen=True, eq=False)
class Question:
    """What an unresolved candidate leaves open.

    Attributes
    ----------
    candidate_id
        The candidate.
    xy
        Its place (2,) in the job CRS.
    chances
        Chance of metal, of a ground edge, and of drift.
    p_response
        Chance that metal there would respond to a run through the place.
    p_drift
        Chance of a drift hit at the place on such a run.
    edge_heading_deg, edge_weight
        Grid bearings (k,) of the heading that an edge there would respond to, and their weights.
    walked_deg
        Headings (n,) of the accepted runs within reach.
    """

    candidate_id: str
    xy: NDArray[np.float64]
    chances: tuple[float, float, float]
    p_response: float
    p_drift: float
    edge_heading_deg: NDArray[np.float64]
    edge_weight: NDArray[np.float64]
    walked_deg: NDArray[np.float64]


def information(question: Question, heading_deg: float) -> float:
    """Information in nats that a run through the place is expected to give on metal or not.

    Mutual information between "metal" and "the run responds" (Cover and Thomas, *Elements of
    Information Theory*, section 2.3, from memory).
    """
    metal, edge, drift = question.chances
    other = (edge * _edge_response(question, heading_deg) + drift * question.p_drift) / max(
        edge + drift, 1e-12
    )
    response = metal * question.p_response + (1 - metal) * other
    return (
        _entropy(response) - metal * _entropy(question.p_response) - (1 - metal) * _entropy(other)
    )


def _edge_response(question: Question, heading_deg: float) -> float:
    turn = np.radians(bearing_difference(question.edge_heading_deg, heading_deg))
    chance = np.nan_to_num(chance_by_sense(np.cos(turn), long_object=False), nan=P_AGAINST)
    return float(chance @ question.edge_weight)


def _entropy(p: float) -> float:
    p = min(max(p, 1e-12), 1 - 1e-12)
    return float(-p * np.log(p) - (1 - p) * np.log(1 - p))


def lay_recheck(
    questions: list[Question],
    *,
    headings_deg: list[float],
    sweep_width_m: float,
    runs: Runs,
    lanes: Lanes,
    previous: Recheck,
    no_go: Any,
    crs: CRS,
    on: date,
) -> Recheck:
    """Lay one lane for each question, on the heading that would tell most.

    Headings of the plan that were not walked come first; where all were walked, headings
    between them are tried too. Lanes of an earlier call stay, so that the walk of one that is out
    on a GPS unit or on paper still finds it; those that serve no longer are closed. The number of
    a lane is never given to another.

    Parameters
    ----------
    questions
        Unresolved candidates.
    headings_deg
        Headings of the plan.
    sweep_width_m
        Sweep width; a lane is four times as long.
    runs
        All runs: a lane that any of them names was walked.
    lanes
        The plan, whose walking order these lanes continue.
    previous
        Recheck lanes of an earlier call.
    no_go
        Ground not to be walked, or None.
    crs, on
        Metric job CRS and date, for true and magnetic bearings.
    """
    walked = np.isin(previous.lane_id, runs.lane_id)
    reason = np.where(walked, previous.reason, CLOSED).astype(np.object_)
    fresh: list[tuple[Question, Any, float]] = []
    for question in questions:
        heading, line = _best_lane(question, headings_deg, sweep_width_m, no_go)
        if line is None:
            continue
        serving = _serving(previous, ~walked, question, heading)
        if serving is None:
            fresh.append((question, line, heading))
        else:
            reason[serving] = _reason(question, heading)
    used = [previous.lane_id, runs.lane_id[[str(i).startswith("r") for i in runs.lane_id]]]
    number = next_number(np.concatenate(used))
    seq = int(max([0, *lanes.seq, *previous.seq])) + 1
    new = Recheck.build(
        len(fresh),
        geometry=[line for _, line, _ in fresh],
        lane_id=[f"r{number + i:03d}" for i in range(len(fresh))],
        pass_no=0,
        seq=seq + np.arange(len(fresh)),
        length_m=[line.length for _, line, _ in fresh],
        bearing_deg=[heading for _, _, heading in fresh],
        start_peg=[f"r{number + i:03d}s" for i in range(len(fresh))],
        finish_peg=[f"r{number + i:03d}f" for i in range(len(fresh))],
        candidate_id=[q.candidate_id for q, _, _ in fresh],
        reason=[_reason(q, heading) for q, _, heading in fresh],
    )
    if len(new):
        middle = shapely.line_interpolate_point(new.geometry, 0.5, normalized=True)
        true, magnetic = bearings(
            crs, shapely.get_x(middle), shapely.get_y(middle), new.bearing_deg, on
        )
        new = new.with_columns(true_bearing_deg=true, magnetic_bearing_deg=magnetic)
    return Recheck.concat([previous.with_columns(reason=reason), new])


def _best_lane(
    question: Question, headings_deg: list[float], sweep_width_m: float, no_go: Any
) -> tuple[float, Any]:
    """Heading and line that tell most: whole lanes first, then one cut short by no-go ground."""
    base = headings_deg or [0.0, 90.0, 180.0, 270.0]
    eight = sorted({round(float(normalise_bearing(h + t)), 6) for h in base for t in (0, 45)})
    choices = unwalked(base, question.walked_deg) or unwalked(eight, question.walked_deg) or eight
    # Rounded, so that headings that tell as much come in compass order on every machine.
    choices = sorted(choices, key=lambda h: (-round(information(question, h), 9), h))
    half = LENGTH_IN_SWEEPS / 2 * sweep_width_m
    cut: list[tuple[float, Any]] = []
    for heading in choices:
        ends = question.xy + np.array([-half, half])[:, None] * unit_vector(heading)
        line = shapely.LineString(ends)
        if no_go is None or not shapely.intersects(line, no_go):
            return heading, line
        parts = shapely.get_parts(shapely.difference(line, no_go))
        near = shapely.distance(parts, shapely.Point(question.xy))
        if parts.size and near.min() < 1e-6 and parts[near.argmin()].length >= sweep_width_m:
            cut.append((heading, parts[near.argmin()]))
    return cut[0] if cut else (np.nan, None)


def _serving(
    previous: Recheck, open_: NDArray[np.bool_], question: Question, heading_deg: float
) -> int | None:
    """Row of an earlier lane, not yet walked, that does what a new one would."""
    same = open_ & (previous.candidate_id == question.candidate_id)
    same &= np.abs(bearing_difference(previous.bearing_deg, heading_deg)) <= _SAME_LANE_DEG
    same &= shapely.distance(previous.geometry, shapely.Point(question.xy)) <= _SAME_LANE_M
    rows = np.flatnonzero(same)
    return int(rows[0]) if rows.size else None


def _reason(question: Question, heading_deg: float) -> str:
    word = compass_word(heading_deg)
    new = not np.any(np.abs(bearing_difference(question.walked_deg, heading_deg)) <= 30.0)
    _, edge, drift = question.chances
    other = "a change of ground" if edge >= drift else "drift"
    chance = _edge_response(question, heading_deg) if edge >= drift else question.p_drift
    return (
        f"{'no run' if new else 'one more run'} heading {word} {'yet' if new else 'needed'}: "
        f"metal would respond there in {100 * question.p_response:.0f} of 100 runs, "
        f"{other} in {100 * chance:.0f}"
    )
