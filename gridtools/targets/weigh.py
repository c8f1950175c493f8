"""The explanations of all hits together: compact metal, long metal, ground edges, drift."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.targets.crossings import Crossings
from gridtools.targets.lines import HitLine, find_lines, line_density
from gridtools.targets.places import EvidenceMap, Place, find_places
from gridtools.targets.reach import ReachLaw

Floats = NDArray[np.float64]
# Stated prior for drift: one hit in 400 m, worth as much as one hit seen.
_DRIFT_EVERY_M = 400.0
_ROUNDS = 3
# A line is first looked for along five times the shortest half-reach either way.
_WINDOW_IN_REACH = 5.0


@dataclass(frozen=True, eq=False)
class Explained:
    """What explains the hits.

    Attributes
    ----------
    places, lines
        Compact metal; ground edges and long objects.
    density
        Background density (n,) of each hit: drift on its run plus known edges, per metre.
    free
        Mask (n,) of the hits that neither a place nor a line took.
    drift_per_m
        Drift over all runs.
    """

    places: list[Place]
    lines: list[HitLine]
    density: Floats
    free: NDArray[np.bool_]
    drift_per_m: float


# Stated: a long object is reported from odds of 50 to 1 on over what else explains its hits.
_LONG_ODDS = float(np.log(50.0))


def explain(c: Crossings, law: ReachLaw) -> Explained:
    """Share the hits out among metal, edges and drift.

    Places are found with known edges as background, then edges among the hits that are left;
    drift is estimated from what then remains, and the round is repeated with the better
    background. A long object replaces what explained its hits if the whole is then likelier.
    """
    drift = _drift(c, np.ones(len(c.hits), dtype=bool))
    # What could not count against even the whole of its run's hits as drift never will: a run
    # on which the instrument ran wild cannot make metal.
    usable = 1.0 / (c.sigma_m * np.sqrt(2 * np.pi)) / drift[c.hit_run] > 2.0
    evidence = EvidenceMap(c, law, usable)
    lines: list[HitLine] = []
    left = usable
    for _ in range(_ROUNDS):
        before = left
        places, lines = _round(evidence, law, usable, lines, drift)
        left = _without(usable, places, lines)
        if np.array_equal(left, before):
            break
        drift = _drift(c, left | ~usable)
    places, lines = _with_long_objects(evidence, law, usable, places, lines, drift)
    left = _without(usable, places, lines)
    density = drift[c.hit_run] + line_density([n for n in lines if not n.long_object], c)
    evidence.set_background(density, left)
    unsure = find_places(evidence)
    total = float(shapely.length(c.lines).sum())
    return Explained(
        places=places + unsure,
        lines=lines,
        density=density,
        free=_without(left, unsure, []),
        drift_per_m=float(np.sum(left | ~usable) / max(total, 1.0)),
    )


def _round(
    evidence: EvidenceMap,
    law: ReachLaw,
    usable: NDArray[np.bool_],
    edges: list[HitLine],
    drift: Floats,
) -> tuple[list[Place], list[HitLine]]:
    """Places likelier than background with these edges in it, then edges among what is left.

    Hits no further apart than one object could give them are left to be weighed as a place.
    """
    c = evidence.crossings
    evidence.set_background(drift[c.hit_run] + line_density(edges, c), usable)
    places = [place for place in find_places(evidence) if place.log_evidence > 0]
    left = _without(usable, places, [])
    window = _WINDOW_IN_REACH * law.half_reach_m[0]
    return places, find_lines(
        c,
        left,
        drift[c.hit_run],
        window_m=window,
        long_object=False,
        least_length_m=2 * law.half_reach_m[-1],
    )


def _with_long_objects(
    evidence: EvidenceMap,
    law: ReachLaw,
    usable: NDArray[np.bool_],
    places: list[Place],
    edges: list[HitLine],
    drift: Floats,
) -> tuple[list[Place], list[HitLine]]:
    """Let long objects replace places and edges wherever that makes the whole likelier."""
    c = evidence.crossings
    long_objects: list[HitLine] = []
    for line in find_lines(
        c,
        usable,
        drift[c.hit_run],
        window_m=_WINDOW_IN_REACH * law.half_reach_m[0],
        long_object=True,
        least_length_m=2 * law.half_reach_m[-1],
    ):
        old_places = [p for p in places if np.isin(p.hits, line.hits).any()]
        old_edges = [e for e in edges if np.isin(e.hits, line.hits).any()]
        now = _share(old_places, line) + _share(old_edges, line)
        if line.log_evidence <= max(now, line.log_evidence_edge + _LONG_ODDS):
            continue
        # What the line leaves of their hits is explained again, without touching the rest.
        pool = ~_without(np.ones_like(usable), old_places, old_edges)
        pool[line.hits] = False
        kept = [e for e in edges if all(e is not o for o in old_edges)]
        local = EvidenceMap(c, law, pool)
        new_places, new_edges = _round(local, law, pool, kept, drift)
        new = line.log_evidence + _total(new_places) + _total(new_edges)
        if new > _total(old_places) + _total(old_edges) + _LONG_ODDS:
            places = [p for p in places if all(p is not o for o in old_places)] + new_places
            edges = kept + new_edges
            long_objects.append(line)
    return places, long_objects + edges


def _share(explained: Sequence[Place | HitLine], line: HitLine) -> float:
    """Part of the evidence of explanations that would fall to the line with their hits."""
    return float(sum(e.log_evidence * np.isin(e.hits, line.hits).mean() for e in explained))


def _total(explained: Sequence[Place | HitLine]) -> float:
    return sum(e.log_evidence for e in explained)


def _without(
    usable: NDArray[np.bool_], places: list[Place], lines: list[HitLine]
) -> NDArray[np.bool_]:
    """Usable hits that neither a place nor a line has taken."""
    free = usable.copy()
    for hits in [p.hits for p in places] + [n.hits for n in lines]:
        free[hits] = False
    return free


def _drift(c: Crossings, unexplained: NDArray[np.bool_]) -> Floats:
    """Drift hits per metre (m,) of each run: gamma prior about the rate of all runs together."""
    length = shapely.length(c.lines)
    count = np.bincount(c.hit_run[unexplained], minlength=len(c.runs))
    rate = (count.sum() + 1.0) / (length.sum() + _DRIFT_EVERY_M)
    out: Floats = (count + 1.0) / (length + 1.0 / rate)
    return out
