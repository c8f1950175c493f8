"""Judged places as layers: candidates with lasting names, their evidence, edges."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.layers import Candidates, Edges, Evidence
from gridtools.targets.compass import compass_words, unwalked
from gridtools.targets.crossings import Crossings, points_of
from gridtools.targets.identity import match_places, next_number
from gridtools.targets.judge import Judged
from gridtools.targets.lines import HitLine
from gridtools.targets.reach import ReachLaw
from gridtools.units import bearing_of, normalise_bearing

Whole = NDArray[np.int64]
# Rounding to what a standard error of a few decimetres can bear keeps ties ties.
_CHANCE_DECIMALS = 4
# A rerun may move a place by about its own error; beyond half a reach it is another place.
_SAME_PLACE_IN_REACH = 0.75


def passing(c: Crossings, law: ReachLaw, shapes: Sequence[object]) -> tuple[Whole, Whole]:
    """Rows (shape, run) for every accepted run within reach of each shape, in that order."""
    geometry = np.array(shapes, dtype=np.object_)
    shape, run = c.tree.query(geometry, predicate="dwithin", distance=law.reach_m)
    order = np.lexsort((run, shape))
    return shape[order].astype(np.int64), run[order].astype(np.int64)


def candidates_layer(
    c: Crossings,
    law: ReachLaw,
    judged: list[Judged],
    headings_deg: list[float],
    previous: Candidates,
) -> tuple[Candidates, list[Judged]]:
    """Candidates, the most interesting first, then earlier ones that are gone.

    Parameters
    ----------
    c, law, judged
        Accepted runs and hits, lateral detection curves, places.
    headings_deg
        Headings of the plan.
    previous
        Candidates of an earlier call: a place that is still there keeps its id, status and note;
        one that is not stays with status gone, so that its number is never given again.

    Returns
    -------
    candidates
        The layer.
    judged
        The places in the order of the layer's first rows.
    """
    strength = [_median(c.hits.strength[found.hits]) for found in judged]
    order = sorted(range(len(judged)), key=lambda i: _interest(judged[i], strength[i]))
    judged = [judged[i] for i in order]
    xy = c.frame.to_job(np.array([found.xy for found in judged]).reshape(-1, 2))
    old_xy = shapely.get_coordinates(previous.geometry).reshape(-1, 2)
    same = match_places(xy, old_xy, _SAME_PLACE_IN_REACH * law.half_reach_m[-1])
    number = next_number(previous.candidate_id)
    ids, status, note = [], [], []
    for row in same:
        if row < 0:
            ids.append(f"C{number:03d}")
            number += 1
        else:
            ids.append(previous.candidate_id[row])
        kept = previous.status[row] if row >= 0 else ""
        status.append(kept if kept not in ("", "gone") else "open")
        note.append(previous.note[row] if row >= 0 else "")
    _, run, starts = _grouped(c, law, judged)
    walked = [c.runs.heading_deg[run[a:b]] for a, b in starts]
    live = Candidates.build(
        len(judged),
        geometry=points_of(xy),
        candidate_id=ids,
        p_metal=[round(found.chances[0], _CHANCE_DECIMALS) for found in judged],
        verdict=[found.verdict for found in judged],
        hits=[len(found.hits) for found in judged],
        crossings=[b - a for a, b in starts],
        headings_hit=[compass_words(c.hits.heading_deg[found.hits]) for found in judged],
        headings_unwalked=[compass_words(unwalked(headings_deg, w)) for w in walked],
        sigma_m=[found.sigma_m for found in judged],
        axis_deg=[(found.axis_deg + c.frame.bearing_deg) % 180.0 for found in judged],
        strength=[strength[i] for i in order],
        rank=np.arange(1, len(judged) + 1),
        status=status,
        note=note,
    )
    gone = previous.take(np.setdiff1d(np.arange(len(previous)), same))
    gone = gone.take(np.argsort(gone.candidate_id, kind="stable")).with_columns(
        status="gone", rank=len(live) + 1 + np.arange(len(gone))
    )
    return Candidates.concat([live, gone]), judged


def evidence_layer(
    c: Crossings, law: ReachLaw, judged: list[Judged], candidates: Candidates
) -> Evidence:
    """One row for every accepted run within reach of each candidate, hit or not.

    The distance is that to the place, or to the line of a long object; it is positive where the
    candidate lies to the right of the run.
    """
    of, run, _ = _grouped(c, law, judged)
    if not of.size:
        return Evidence.empty()
    xy = np.array([found.xy for found in judged])[of]
    shapes = np.array([found.shape for found in judged], dtype=np.object_)[of]
    line = c.lines[run]
    foot = shapely.get_coordinates(
        shapely.line_interpolate_point(line, shapely.line_locate_point(line, shapely.points(xy)))
    )
    unit = c.run_unit[run]
    apart = xy - foot
    right = apart[:, 0] * unit[:, 1] - apart[:, 1] * unit[:, 0]
    taken = {
        (i, int(c.hit_run[h])): c.hits.hit_id[h]
        for i, found in enumerate(judged)
        for h in found.hits
    }
    hit_id = [taken.get((int(i), int(r)), "") for i, r in zip(of, run, strict=True)]
    return Evidence.build(
        geometry=_segments(c, np.stack([xy, foot], axis=1)),
        candidate_id=candidates.candidate_id[of],
        run_id=c.runs.run_id[run],
        hit_id=hit_id,
        lateral_m=np.where(right < 0, -1.0, 1.0) * shapely.distance(shapes, line),
        heading_deg=c.runs.heading_deg[run],
        responded=np.array([h != "" for h in hit_id]),
    )


def edges_layer(c: Crossings, lines: list[HitLine]) -> Edges:
    """Ground edges as lines, those with the best evidence first."""
    lines = sorted(lines, key=lambda line: (-round(line.log_evidence, 6), line.hits[0]))
    ends = np.array([(line.start, line.finish) for line in lines]).reshape(-1, 2, 2)
    heading = [float(bearing_of(*line.normal)) + c.frame.bearing_deg for line in lines]
    return Edges.build(
        len(lines),
        geometry=_segments(c, ends),
        edge_id=[f"E{i + 1:03d}" for i in range(len(lines))],
        hits=[len(line.hits) for line in lines],
        heading_deg=normalise_bearing(heading),
    )


def _grouped(
    c: Crossings, law: ReachLaw, judged: list[Judged]
) -> tuple[Whole, Whole, list[tuple[int, int]]]:
    """Rows (candidate, run) within reach, and where the rows of each candidate lie."""
    if not judged:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64), []
    of, run = passing(c, law, [found.shape for found in judged])
    start = np.searchsorted(of, np.arange(len(judged) + 1))
    return of, run, [(int(a), int(b)) for a, b in pairwise(start)]


def _segments(c: Crossings, ends: NDArray[np.float64]) -> NDArray[np.object_]:
    """Lines (n,) in the job CRS between ends (n, 2, 2) in the frame."""
    placed = c.frame.to_job(ends.reshape(-1, 2)).reshape(-1, 2, 2)
    return np.asarray(shapely.linestrings(placed), dtype=np.object_)


def _interest(found: Judged, strength: float) -> tuple[float, float, int, int]:
    strong = strength if np.isfinite(strength) else -np.inf
    first = int(found.hits[0]) if found.hits.size else 0
    return -round(found.chances[0], _CHANCE_DECIMALS), -strong, -len(found.hits), first


def _median(values: NDArray[np.float64]) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else np.nan
