"""Sections on what was found: candidates with their evidence, pinpoints, digs, outcomes."""

import numpy as np

from gridtools.handover.cautions import NO_PROOF
from gridtools.handover.dig_cautions import checked_text
from gridtools.handover.dig_words import depth_text, effort_text, hole_text
from gridtools.handover.report.contents import Contents, Section, Table
from gridtools.handover.report.evidence import MOST_DRAWN, evidence_cards
from gridtools.handover.report.walk import time_text
from gridtools.layers import Candidates, Digs, Edges, Evidence, Outcomes, Pinpoints
from gridtools.units import format_length

_READING = (
    "Metal is expected to respond on every crossing, whatever the heading; a boundary between "
    "soils often responds on one heading and not on the opposite one (common practice, no "
    "source). The chance of metal weighs the crossings that responded and those that stayed "
    "silent; it is a chance, not a finding."
)


def candidates(contents: Contents) -> Section | None:
    """Every candidate, and the evidence for the first of them drawn."""
    rows = contents.of(Candidates)
    if not len(rows):
        return None
    pinned, edges = contents.of(Pinpoints), contents.of(Edges)
    depth = {
        candidate: _depth(pinned.depth_m[i], pinned.depth_sd_m[i])
        for i, candidate in enumerate(pinned.candidate_id)
    }
    order = np.argsort(rows.rank, kind="stable").tolist()
    listed = Table(
        caption="Candidates, by rank",
        header=(
            "candidate", "metal", "verdict", "hits", "crossings", "responded on",
            "not walked", "position", "depth", "status", "remark",
        ),
        rows=[
            (
                rows.candidate_id[i],
                f"{rows.p_metal[i]:.0%}",
                rows.verdict[i],
                str(rows.hits[i]),
                str(rows.crossings[i]),
                rows.headings_hit[i] or "–",
                rows.headings_unwalked[i] or "–",
                f"± {format_length(rows.sigma_m[i])}" if np.isfinite(rows.sigma_m[i]) else "–",
                depth.get(rows.candidate_id[i], "–"),
                rows.status[i] or "open",
                rows.note[i],
            )
            for i in order
        ],
        anchors=[f"candidate-{rows.candidate_id[i]}" for i in order],
        numbers=frozenset({1, 3, 4, 7, 8}),
    )  # fmt: skip
    cards = evidence_cards(rows, contents.of(Evidence))
    paragraphs = [_READING]
    if len(edges):
        paragraphs.append(
            f"{len(edges)} edge{'s' if len(edges) > 1 else ''} of ground: lines along which hits "
            "come on one heading only."
        )
    if len(rows) > len(cards):
        paragraphs.append(
            f"Drawn below: the first {len(cards)} by rank (at most {MOST_DRAWN}); the table has "
            "them all."
        )
    return Section(
        key="candidates",
        heading="Candidates",
        paragraphs=paragraphs,
        tables=[listed],
        drawing=("evidence", cards) if cards else None,
    )


def digs(contents: Contents) -> Section | None:
    """The dig list with its cautions."""
    rows = contents.of(Digs)
    if not len(rows):
        return None
    order = np.argsort(rows.rank, kind="stable").tolist()
    checked = checked_text(contents.setting("digs_checked_on")[0])
    return Section(
        key="digs",
        heading="Digs",
        paragraphs=[checked] if checked else [],
        tables=[
            Table(
                caption="Places to dig, by rank",
                header=(
                    "dig", "candidate", "metal", "expected", "depth to top", "hole", "effort",
                    "status", "on hold because", "cautions", "remark",
                ),
                rows=[
                    (
                        rows.dig_id[i],
                        rows.candidate_id[i],
                        f"{rows.p_metal[i]:.0%}",
                        rows.consequence[i],
                        depth_text(rows, i),
                        hole_text(rows, i),
                        effort_text(rows, i),
                        rows.status[i] or "open",
                        rows.hold[i],
                        rows.cautions[i],
                        rows.note[i],
                    )
                    for i in order
                ],
                anchors=[f"dig-{rows.dig_id[i]}" for i in order],
                numbers=frozenset({2}),
                unbroken=frozenset({4}),
            )
        ],
    )  # fmt: skip


def outcomes(contents: Contents) -> Section | None:
    """What came out."""
    rows = contents.of(Outcomes)
    if not len(rows):
        return None
    return Section(
        key="outcomes",
        heading="Outcomes",
        tables=[
            Table(
                caption="What came out",
                header=(
                    "outcome", "dig", "found", "metal", "depth to top", "size", "material",
                    "time (UTC)", "remark",
                ),
                rows=[
                    (
                        rows.outcome_id[i] + (" (struck out)" if rows.struck[i] else ""),
                        rows.dig_id[i],
                        rows.found[i],
                        "yes" if rows.metal[i] else "no",
                        _depth(rows.depth_m[i], np.nan),
                        _size(rows.length_m[i], rows.width_m[i], rows.height_m[i]),
                        rows.material[i],
                        time_text(rows.time_utc[i]),
                        rows.note[i],
                    )
                    for i in range(len(rows))
                ],
                numbers=frozenset({4, 5}),
                unbroken=frozenset({7}),
            )
        ],
    )  # fmt: skip


def remaining(contents: Contents) -> Section | None:
    """What of the stated object may remain."""
    remains = contents.remains
    if remains is None:
        return None
    return Section(
        key="remaining",
        heading="What may remain",
        paragraphs=[
            f"For {remains.what}; {remains.sweep}.",
            "Chance that one such object, placed anywhere in the search area, was missed: "
            + "; ".join(remains.missed_lines)
            + ".",
            *remains.untested,
            *remains.not_searched,
            *(f"{words[0].upper()}{words[1:].rstrip('.')}." for words in remains.assumptions),
            NO_PROOF,
        ],
        tables=[
            Table(
                caption="Probability of detection (POD)",
                header=remains.header,
                rows=remains.rows,
                numbers=frozenset(range(1, len(remains.header))),
            )
        ],
    )


def _depth(depth_m: float, sd_m: float) -> str:
    if not np.isfinite(depth_m):
        return "–"
    return format_length(depth_m) + (f" ± {format_length(sd_m)}" if np.isfinite(sd_m) else "")


def _size(*lengths_m: float) -> str:
    known = [format_length(length) for length in lengths_m if np.isfinite(length)]
    return " × ".join(known) or "–"
