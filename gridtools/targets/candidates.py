"""Candidates: hits weighed by heading, with the crossings that gave none.

The method and its equations are in docs/candidates.md.
"""

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from pyproj import CRS

from gridtools.layers import Candidates, Edges, Evidence, Hits, Lanes, Recheck, Runs
from gridtools.targets.compass import plan_headings
from gridtools.targets.crossings import Crossings, build_crossings
from gridtools.targets.judge import judge, question
from gridtools.targets.offset import HeadingOffset, estimate_heading_offset
from gridtools.targets.reach import ReachLaw, reach_law
from gridtools.targets.recheck import lay_recheck
from gridtools.targets.tables import candidates_layer, edges_layer, evidence_layer
from gridtools.targets.weigh import explain
from gridtools.units import counted

# Stated: standard error of a fix where no session says, and of the moment at which a hit is
# logged, along the heading.
DEFAULT_POSITION_SIGMA_M = 1.0
LOGGING_SIGMA_M = 0.5


@dataclass(frozen=True, kw_only=True, eq=False)
class Targets:
    """What `find_candidates` found.

    Attributes
    ----------
    candidates, evidence, edges, recheck
        The layers.
    offset
        Heading offset used and where it came from.
    drift_per_m
        Hits to the metre of run that neither metal nor an edge explains.
    reach_m
        Distance within which an accepted run counted as a crossing.
    notices
        What was assumed, left out or could not be settled.
    """

    candidates: Candidates
    evidence: Evidence
    edges: Edges
    recheck: Recheck
    offset: HeadingOffset
    drift_per_m: float
    reach_m: float
    notices: tuple[str, ...]


def find_candidates(
    runs: Runs,
    hits: Hits,
    *,
    lanes: Lanes,
    sweep_width_m: float,
    crs: CRS,
    on: date,
    previous: Candidates | None = None,
    previous_recheck: Recheck | None = None,
    heading_offset_m: float | None = None,
    position_sigma_m: float | None = None,
    no_go: Any = None,
) -> Targets:
    """Weigh the hits, and the silence, by heading.

    Parameters
    ----------
    runs
        Runs; those not accepted are no evidence.
    hits
        One row for each response, as `gridtools.field.hits.responses` gives; those struck out or
        on no accepted run are no evidence.
    lanes
        Planned lanes, for the headings of the plan; infill and recheck lanes may be among them.
    sweep_width_m
        Sweep width for the smallest object that matters.
    crs, on
        Metric job CRS, and date for magnetic bearings.
    previous, previous_recheck
        Layers of an earlier call: ids, status and notes are kept.
    heading_offset_m
        Signed heading offset, positive when hits are logged late; None to estimate it.
    position_sigma_m
        Standard error of a fix, each axis; None for 1 m.
    no_go
        Ground not to be walked, which recheck lanes keep out of.

    Raises
    ------
    InputError
        If the sweep width or the standard error cannot be used.
    """
    previous = Candidates.empty() if previous is None else previous
    previous_recheck = Recheck.empty() if previous_recheck is None else previous_recheck
    notices: list[str] = []
    if position_sigma_m is None:
        position_sigma_m = DEFAULT_POSITION_SIGMA_M
        notices.append(f"fix accuracy not stated: {position_sigma_m:g} m assumed")
    law = reach_law(sweep_width_m=sweep_width_m, position_sigma_m=position_sigma_m)
    sigma_m = float(np.hypot(position_sigma_m, LOGGING_SIGMA_M))
    c = build_crossings(runs, hits, lanes, sigma_m=sigma_m)
    notices += _left_out(hits, runs, c)
    offset = _offset(c, law, heading_offset_m, notices)
    c = c.with_offset(offset.offset_m)
    explained = explain(c, law)
    judged = judge(c, law, explained, position_sigma_m)
    headings = plan_headings(lanes)
    candidates, judged = candidates_layer(c, law, judged, headings, previous)
    questions = [
        question(c, law, found, str(candidates.candidate_id[i]), explained.drift_per_m)
        for i, found in enumerate(judged)
        if found.verdict == "unresolved" and candidates.status[i] not in ("dug", "dropped")
    ]
    recheck = lay_recheck(
        questions,
        headings_deg=headings,
        sweep_width_m=sweep_width_m,
        runs=runs,
        lanes=lanes,
        previous=previous_recheck,
        no_go=no_go,
        crs=crs,
        on=on,
    )
    edges = [line for line in explained.lines if not line.long_object]
    drift = len(c.hits) - sum(len(found.hits) for found in judged)
    drift -= sum(line.hits.size for line in edges)
    if drift:
        notices.append(
            f"{drift} of {counted(len(c.hits), 'hit')} {'is' if drift == 1 else 'are'} best "
            "explained as drift"
        )
    return Targets(
        candidates=candidates,
        evidence=evidence_layer(c, law, judged, candidates),
        edges=edges_layer(c, edges),
        recheck=recheck,
        offset=offset,
        drift_per_m=explained.drift_per_m,
        reach_m=law.reach_m,
        notices=tuple(notices),
    )


def _left_out(hits: Hits, runs: Runs, c: Crossings) -> list[str]:
    if not len(hits):
        return ["no hits to weigh"]
    struck = int(np.sum(hits.struck))
    accepted = set(runs.run_id[runs.accepted])
    lost = int(np.sum(~hits.struck & [r not in accepted for r in hits.run_id]))
    out = []
    if struck:
        out.append(f"{counted(struck, 'hit')} struck out and left out")
    if lost:
        out.append(f"{counted(lost, 'hit')} on no accepted run left out, which proves nothing")
    repeated = len(hits) - struck - lost - len(c.hits)
    if repeated:
        out.append(
            f"{counted(repeated, 'hit')} left out, logged within half a metre of another on the "
            "same run"
        )
    if not len(c.hits):
        out.append("no hits left to weigh: record the runs they belong to, or amend them")
    return out


def _offset(
    c: Crossings, law: ReachLaw, given_m: float | None, notices: list[str]
) -> HeadingOffset:
    if given_m is not None:
        return HeadingOffset(given_m, np.nan, 0, "given")
    found = estimate_heading_offset(
        c.hit_xy,
        c.hits.heading_deg - c.frame.bearing_deg,
        c.hit_run,
        lateral_m=2 * law.reach_m,
        sigma_m=c.sigma_m,
    )
    if found.basis == "assumed" and len(c.hits):
        notices.append(
            f"heading offset not settled by {counted(found.pairs, 'pair')} of opposed hits: "
            f"{found.offset_m:g} m assumed"
        )
    return found
