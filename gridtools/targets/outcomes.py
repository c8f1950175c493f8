"""What came out, and what that makes of the digs and of the candidates near by."""

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.errors import InputError, MissingError, RefusedError
from gridtools.layers import Approaches, Candidates, Digs, Evidence, Outcomes, Permits
from gridtools.targets.identity import next_number, not_known

L = TypeVar("L", Approaches, Outcomes, Permits)

NOTHING, RECHECK_ONLY = "nothing", "re-check"
#: A hole that was stopped this much short of the depth planned says nothing about what is below.
SHORT_M = 0.1
_SAME = (
    "dig_id", "found", "metal", "depth_m", "length_m", "width_m", "height_m", "material",
    "dug_to_m", "recheck", "time_utc",
)  # fmt: skip


def new_outcomes(given: Outcomes, known: Outcomes) -> Outcomes:
    """Those outcomes that the job does not have yet, with their ids.

    The same outcome entered twice, from whatever file, counts once: same dig, find, sizes,
    re-check and time. Rows that were struck out may be entered again.
    """
    fresh = not_known(_keys(given), _keys(known.take(~known.struck)))
    number = next_number(known.outcome_id)
    return given.take(fresh).with_columns(
        outcome_id=[f"O{number + i:03d}" for i in range(len(fresh))]
    )


def _keys(outcomes: Outcomes) -> list[tuple[str, ...]]:
    """What makes an outcome itself, as text: unknown equals unknown."""
    columns = [getattr(outcomes, name) for name in _SAME]
    texts = [np.char.lower(c.astype(str)).tolist() for c in columns]
    return list(zip(*texts, strict=True))


@dataclass(frozen=True, kw_only=True, eq=False)
class DigResults:
    """What each dig of which there are outcomes came to.

    Attributes
    ----------
    dig_id
        Digs (n,), in the order of their ids.
    metal
        Whether any lift was metal.
    nothing
        Whether it found no metal, and was dug to the depth planned as far as is known.
    short
        Whether it found no metal, but stopped short of the depth planned.
    recheck
        What was said after the last lift: quiet, responds or not made.
    first
        Row (n,) among the outcomes of the first metal lifted, -1 if none.
    """

    dig_id: NDArray[np.object_]
    metal: NDArray[np.bool_]
    nothing: NDArray[np.bool_]
    short: NDArray[np.bool_]
    recheck: NDArray[np.object_]
    first: NDArray[np.int64]


def dig_results(outcomes: Outcomes, digs: Digs) -> DigResults:
    """Results by dig; outcomes struck out do not count.

    Examples
    --------
    >>> len(dig_results(Outcomes.empty(), Digs.empty()).dig_id)
    0
    """
    valid = np.flatnonzero(~outcomes.struck)
    ids = sorted(set(outcomes.dig_id[valid]))
    planned = dict(zip(digs.dig_id, digs.hole_depth_m, strict=True))
    metal, short, recheck, first = [], [], [], []
    for dig in ids:
        rows = valid[outcomes.dig_id[valid] == dig]
        hits = rows[outcomes.metal[rows]]
        reached = np.nanmax(np.append(outcomes.dug_to_m[rows], -np.inf))
        below = np.isfinite(reached) and reached < planned.get(dig, np.nan) - SHORT_M
        metal.append(hits.size > 0)
        short.append(not hits.size and bool(below))
        recheck.append(outcomes.recheck[rows[-1]] or "not made")
        first.append(int(hits[0]) if hits.size else -1)
    found, stopped = np.array(metal, dtype=np.bool_), np.array(short, dtype=np.bool_)
    return DigResults(
        dig_id=np.array(ids, dtype=np.object_),
        metal=found,
        nothing=~found & ~stopped,
        short=stopped,
        recheck=np.array(recheck, dtype=np.object_),
        first=np.array(first, dtype=np.int64),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Finds:
    """Metal that came up, one piece (n,) for each dig: the first.

    Attributes
    ----------
    dig_id, candidate_id
        Its dig, and the candidate behind that.
    xy
        Where it was (n, 2).
    measured
        Whether that was surveyed or taped; otherwise it is the dig's centre or a GPS fix.
    depth_m, length_m
        Depth to its top and length; NaN where unknown.
    """

    dig_id: NDArray[np.object_]
    candidate_id: NDArray[np.object_]
    xy: NDArray[np.float64]
    measured: NDArray[np.bool_]
    depth_m: NDArray[np.float64]
    length_m: NDArray[np.float64]


def metal_finds(results: DigResults, outcomes: Outcomes, digs: Digs) -> Finds:
    """Metal that came up, in the order of the digs.

    Examples
    --------
    >>> nothing = dig_results(Outcomes.empty(), Digs.empty())
    >>> metal_finds(nothing, Outcomes.empty(), Digs.empty()).xy.shape
    (0, 2)
    """
    candidate_of = dict(zip(digs.dig_id, digs.candidate_id, strict=True))
    rows = results.first[results.first >= 0]
    found = outcomes.take(rows)
    return Finds(
        dig_id=found.dig_id,
        candidate_id=np.array([candidate_of.get(d, "") for d in found.dig_id], dtype=np.object_),
        xy=shapely.get_coordinates(found.geometry).reshape(-1, 2),
        measured=np.isin(found.placed, ("survey", "tape")),
        depth_m=found.depth_m,
        length_m=found.length_m,
    )


def dig_status(digs: Digs, results: DigResults) -> NDArray[np.object_]:
    """Status (n,) of the digs once the outcomes are known.

    A dig is dug, unless its hole or spoil still responded or it stopped short. Digs without
    outcomes keep the status that they have.
    """
    row_of = {dig: i for i, dig in enumerate(results.dig_id)}
    status = digs.status.copy()
    for i, dig in enumerate(digs.dig_id):
        row = row_of.get(dig)
        if row is None:
            continue
        still = results.recheck[row] == "responds" or results.short[row]
        status[i] = "open" if still else "dug"
    return status


def struck_out(layer: L, row_id: str, reason: str) -> L:
    """Approaches, outcomes or permits with one row struck out: it stays, but counts no more.

    Raises
    ------
    MissingError
        If there is no such row.
    RefusedError
        If it is struck out already.
    """
    ids = getattr(layer, str(layer.id_column))
    rows = np.flatnonzero(ids == row_id)
    if not rows.size:
        raise MissingError(f"there is no {row_id} in layer {layer.table}")
    row = int(rows[0])
    if layer.struck[row]:
        raise RefusedError(f"{row_id} is struck out already: {layer.note[row]}")
    if not reason.strip():
        raise InputError(f"say why {row_id} is struck out")
    struck, note = layer.struck.copy(), layer.note.copy()
    struck[row] = True
    note[row] = "; ".join(filter(None, (note[row], f"struck: {reason.strip()}")))
    return layer.with_columns(struck=struck, note=note)


def neighbours_of_nothing(
    dig_id: str,
    digs: Digs,
    candidates: Candidates,
    evidence: Evidence,
    *,
    within_m: float,
) -> list[tuple[str, float, int]]:
    """Open candidates whose chance was worked out with the hits of a dig that found nothing taken.

    A hit is used once: what the dig's candidate took, its neighbours were denied. Those near by
    that the same runs crossed may deserve more, and are worth another look.

    Returns
    -------
    list of (candidate_id, distance_m, runs)
        Nearest first, with the number of runs in common.
    """
    row = np.flatnonzero(digs.dig_id == dig_id)
    if not row.size:
        return []
    own = digs.candidate_id[row[0]]
    runs = set(evidence.run_id[(evidence.candidate_id == own) & evidence.responded])
    shared = [r in runs for r in evidence.run_id]
    open_ = ~np.isin(candidates.status, ("dug", "dropped", "gone"))
    found = []
    for i in np.flatnonzero(open_ & (candidates.candidate_id != own)):
        distance = float(shapely.distance(candidates.geometry[i], digs.geometry[row[0]]))
        common = int(
            np.sum(np.array(shared) & (evidence.candidate_id == candidates.candidate_id[i]))
        )
        if distance <= within_m and common:
            found.append((str(candidates.candidate_id[i]), distance, common))
    return sorted(found, key=lambda f: (f[1], f[0]))
