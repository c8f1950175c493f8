"""The evidence for one candidate, drawn: which headings looked, and which of them responded."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gridtools.layers import Candidates, Evidence
from gridtools.units import unit_vector

#: Half the width of a drawing, in its own units, and how far out the furthest crossing is drawn.
HALF = 60.0
_FURTHEST = 40.0
_LENGTH = 50.0
#: A drawing for each of the first so many candidates by rank; the tables have them all.
MOST_DRAWN = 60
#: Headings of one lane direction wander by some degrees: closer ones are said as one.
_SAME_DEG = 20


@dataclass(frozen=True)
class Crossing:
    """One run past the candidate: from (x1, y1) to (x2, y2), nearest to it at (x, y)."""

    x1: float
    y1: float
    x2: float
    y2: float
    x: float
    y: float
    responded: bool
    words: str


@dataclass(frozen=True)
class EvidenceCard:
    """The drawing of one candidate, grid north up, with a sentence that says the same."""

    candidate_id: str
    heading: str
    sentence: str
    crossings: Sequence[Crossing]
    sigma: float


def evidence_cards(candidates: Candidates, evidence: Evidence) -> list[EvidenceCard]:
    """Drawings of the first candidates by rank, those that are gone left out."""
    order = np.argsort(candidates.rank, kind="stable")
    order = order[candidates.status[order] != "gone"][:MOST_DRAWN]
    return [_card(candidates, i, evidence) for i in order.tolist()]


def _card(candidates: Candidates, i: int, evidence: Evidence) -> EvidenceCard:
    drawable = np.isfinite(evidence.heading_deg) & np.isfinite(evidence.lateral_m)
    rows = evidence.take(drawable & (evidence.candidate_id == candidates.candidate_id[i]))
    rows = rows.take(np.lexsort((rows.run_id, rows.responded)))
    scale = _FURTHEST / max(float(np.abs(rows.lateral_m).max(initial=0.0)), 1.0)
    ahead = unit_vector(rows.heading_deg) * (1.0, -1.0)
    right = unit_vector(rows.heading_deg + 90.0) * (1.0, -1.0)
    # lateral_m says how far right of the run the candidate lies: the run lies as far left of it.
    near = -right * (rows.lateral_m * scale)[:, None]
    ends = np.round(np.hstack([near - ahead * _LENGTH, near + ahead * _LENGTH, near]), 1)
    hit, silent = rows.take(rows.responded), rows.take(~rows.responded)
    return EvidenceCard(
        candidate_id=candidates.candidate_id[i],
        heading=f"{candidates.candidate_id[i]} · {candidates.verdict[i]} · "
        f"{candidates.p_metal[i]:.0%}",
        sentence=f"Responded on {_headings(hit)}; silent on {_headings(silent)}.",
        crossings=[_crossing(rows, k, ends[k].tolist()) for k in range(len(rows))],
        sigma=round(min(float(np.nan_to_num(candidates.sigma_m[i])) * scale, HALF), 1),
    )


def _crossing(rows: Evidence, k: int, at: list[float]) -> Crossing:
    x1, y1, x2, y2, x, y = at
    answer = f"hit {rows.hit_id[k]}" if rows.responded[k] else "no response"
    return Crossing(
        x1=x1,
        y1=y1,
        x2=x2,
        y2=y2,
        x=x,
        y=y,
        responded=bool(rows.responded[k]),
        words=f"run {rows.run_id[k]}, heading {rows.heading_deg[k]:.0f}°, "
        f"{abs(rows.lateral_m[k]):.2f} m off: {answer}",
    )


def _headings(rows: Evidence) -> str:
    """Headings in words, equal ones counted: 087° twice, 357°."""
    if not len(rows):
        return "none"
    degrees, times = np.unique(np.round(rows.heading_deg).astype(int) % 360, return_counts=True)
    groups: list[list[int]] = []
    for degree, count in zip(degrees.tolist(), times.tolist(), strict=True):
        if groups and degree - groups[-1][0] <= _SAME_DEG:
            groups[-1][1] += count
        else:
            groups.append([degree, count])
    return ", ".join(f"{d:03d}°" + (f" ({n} runs)" if n > 1 else "") for d, n in groups)
