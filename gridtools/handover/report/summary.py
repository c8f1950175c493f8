"""The head of the report: the job in words, and where it stands."""

import numpy as np

from gridtools.handover import cautions
from gridtools.handover.report.contents import Contents, Section
from gridtools.layers import (
    Candidates,
    Coverage,
    Digs,
    Exclusion,
    Gaps,
    Lanes,
    Outcomes,
    Runs,
    SearchArea,
    Sessions,
    Site,
)
from gridtools.units import format_area, format_chance, format_length


def stage(contents: Contents) -> str:
    """How far the job has come, in a few words."""
    for layer, words in (
        (Outcomes, "dug in part or whole"),
        (Digs, "walked, with a dig list"),
        (Candidates, "walked and weighed"),
        (Runs, "walked in part or whole"),
        (Lanes, "planned, not yet walked"),
    ):
        if len(contents.of(layer)):
            return words
    return "boundary taken in, not yet planned"


def summary(contents: Contents) -> Section:
    """The job in a paragraph and a few figures."""
    sweep = cautions.sweep_statement(contents.number("sweep_width_m"), _sweep_basis(contents))
    facts = [("Stage", stage(contents)), *_ground(contents), *_walking(contents)]
    facts.append(("Sweep width", sweep))
    facts += _results(contents)
    if contents.remains is not None:
        chance = next(iter(contents.remains.missed.values()))
        facts.append(("Missed", f"one such object with a chance of {format_chance(chance)}"))
    return Section(
        key="summary",
        heading="In short",
        paragraphs=[*_story(contents), *(f"Out of date: {note}." for note in contents.stale)],
        facts=facts,
    )


def _sweep_basis(contents: Contents) -> str:
    return contents.setting("sweep_width_m")[1]


def _ground(contents: Contents) -> list[tuple[str, str]]:
    area = contents.of(SearchArea)
    reduced = float(area.area_m2[area.confidence == "reduced"].sum())
    return [
        (
            "Search area",
            format_area(float(area.area_m2.sum()))
            + (f", of it {format_area(reduced)} with reduced confidence" if reduced else ""),
        )
    ]


def _walking(contents: Contents) -> list[tuple[str, str]]:
    lanes, runs = contents.of(Lanes), contents.of(Runs)
    facts = []
    if len(lanes):
        passes = np.unique(lanes.pass_no).size
        spacing = contents.number("lane_spacing_m")
        facts.append(
            (
                "Lanes",
                f"{len(lanes)} in {passes} pass{'es' if passes > 1 else ''}, "
                f"{format_length(float(np.nansum(lanes.length_m)))} in all"
                + (f", {format_length(spacing)} apart" if np.isfinite(spacing) else ""),
            )
        )
    if len(runs):
        walked = float(np.nansum(runs.length_m[runs.accepted]))
        sessions = int((~contents.of(Sessions).struck).sum())
        facts.append(
            (
                "Walked",
                f"{format_length(walked)} accepted, in {sessions} "
                f"session{'s' if sessions != 1 else ''}",
            )
        )
    return facts


def _results(contents: Contents) -> list[tuple[str, str]]:
    facts = []
    coverage = contents.of(Coverage)
    whole = coverage.take(coverage.confidence == "all")
    if len(whole):
        facts.append(
            (
                "Covered",
                "; ".join(
                    f"{part} {percent:.2f} %"
                    for part, percent in zip(whole.part, whole.percent, strict=True)
                ),
            )
        )
        gaps = contents.of(Gaps)
        facts.append(
            ("Gaps", f"{len(gaps)}, {format_area(float(gaps.area_m2.sum()))}" if len(gaps) else "0")
        )
    candidates = contents.of(Candidates)
    if len(candidates):
        counts = [
            f"{(candidates.verdict == verdict).sum()} {verdict}"
            for verdict in ("metal", "ground edge", "unresolved")
        ]
        facts.append(("Candidates", ", ".join(counts)))
    digs, outcomes = contents.of(Digs), contents.of(Outcomes)
    outcomes = outcomes.take(~outcomes.struck)
    if len(digs):
        held = int(((digs.hold != "") & (digs.status == "open")).sum())
        facts.append(("Digs", f"{len(digs)}" + (f", {held} on hold" if held else "")))
    if len(outcomes):
        facts.append(("Outcomes", f"{len(outcomes)}, {int(outcomes.metal.sum())} of them metal"))
    return facts


def _story(contents: Contents) -> list[str]:
    site, exclusion = contents.of(Site), contents.of(Exclusion)
    sessions = contents.of(Sessions)
    sessions = sessions.take(~sessions.struck)
    names = ", ".join(n for n in dict.fromkeys(site.name) if n) or contents.name
    told = [
        f"This page reports a search of {names} on foot for large buried metal with a "
        "deep-seeking locator."
        + (
            f" {len(exclusion)} piece{'s' if len(exclusion) > 1 else ''} of ground "
            f"{'were' if len(exclusion) > 1 else 'was'} not to be walked."
            if len(exclusion)
            else ""
        )
    ]
    days = sessions.start_utc[~np.isnat(sessions.start_utc)].astype("datetime64[D]")
    if days.size:
        first, last = str(days.min()), str(days.max())
        told.append(
            f"It was walked on {first}." if first == last else f"It was walked {first} to {last}."
        )
    told.append(f"{cautions.NO_PROOF} {cautions.DEFERENCE}")
    return told
