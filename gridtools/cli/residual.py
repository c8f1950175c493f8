"""``gridtools residual``: what of the stated object may remain, with bounds."""

from typing import TYPE_CHECKING, Any

import click

from gridtools.cli.options import POSITIVE_LENGTH, job_argument, output_options

if TYPE_CHECKING:
    from gridtools.coverage.residual import Ground, Tally
    from gridtools.job import Job

WANTED_POD = 90.0
NAMED_WAYS = {
    "cautious": "cautious: no credit for repeats of one pass",
    "independent": "if every run is a fresh chance",
    "measured": "as repeats of the test passes say",
}


@click.command()
@job_argument
@click.option(
    "--pod",
    "pod_percent",
    type=click.FloatRange(0.0, 100.0),
    default=WANTED_POD,
    show_default=True,
    metavar="PERCENT",
    help="POD wanted: says how much ground is below it.",
)
@click.option(
    "--expected",
    type=click.FloatRange(0.0),
    metavar="N",
    help="Objects expected in the search area before the search: says how many may remain.",
)
@click.option(
    "--cell", "cell_m", type=POSITIVE_LENGTH, help="Cell to reckon with (an eighth of the sweep)."
)
@output_options
def residual(
    path: str,
    pod_percent: float,
    expected: float | None,
    cell_m: float | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """State how likely it is that something of the stated kind was missed.

    It holds for the object that the sweep width stands for; see docs/residual.md.
    """
    from dataclasses import asdict

    import shapely

    from gridtools.cli._pod import job_pod
    from gridtools.cli._settings import stale_notices
    from gridtools.cli.output import say, share
    from gridtools.coverage.residual import Tally
    from gridtools.handover.cautions import NO_PROOF
    from gridtools.job import Job
    from gridtools.layers import SearchArea

    with Job.open(path) as job:
        notices = stale_notices(job, "search_area", "runs")
        area = job.read(SearchArea)
        found = job_pod(job, cell_m=cell_m)
        reduced = shapely.union_all(area.geometry[area.confidence == "reduced"])
        tally = Tally(reduced, pod_percent / 100, found.dependence)
        for _ in tally.watch(found.pod.windows()):
            pass
        what = _object(job)
        excluded = _excluded(job)
        finds = _finds(job)
    whole = tally.ground("all")
    summary: dict[str, Any] = {
        "object": what,
        "sweep_width": found.sweep,
        "wanted_pod": pod_percent / 100,
        "search_area": asdict(whole) | {"missed": whole.missed},
        "excluded_m2": excluded,
    }
    lines = [f"For {what}; {found.sweep}.", "", *_figures(tally, pod_percent), ""]
    lines += ["Chance that one such object, placed anywhere in the search area, was missed:"]
    lines += [f"  {share(chance)}, {NAMED_WAYS[way]}" for way, chance in _in_order(whole.missed)]
    if tally.has("reduced"):
        unless = {way: tally.missed_unless_full(way) for way in whole.missed}
        summary["reduced"] = asdict(tally.ground("reduced"))
        summary["missed_if_standoffs_hide_all"] = unless
        lines.append(f"  {share(unless['cautious'])}, cautious, if a standoff hides all inside it")
    if expected is not None:
        told, more = _remaining(expected, whole.missed, finds)
        summary["expected"], lines = told, [*lines, "", *more]
    lines += ["", *_not_searched(whole, excluded), NO_PROOF]
    notices += [
        *found.notices,
        "an object counts as detected once a run responds to it, dug or not",
    ]
    say(summary, lines, notices, as_json=as_json, quiet=quiet)


def _object(job: "Job") -> str:
    """What the sweep width in use holds for."""
    from gridtools.layers import SweepWidths
    from gridtools.units import format_length

    chosen = job.setting("sweep_curve")
    rows = job.read(SweepWidths)
    row = rows.take(rows.curve_id == (chosen.text if chosen else ""))
    if not len(row) or not row.object[0]:
        return "the object that the sweep width stands for"
    depth = row.depth_m[0]
    return f"{row.object[0]}" + (f", top {format_length(depth)} down" if depth == depth else "")


def _finds(job: "Job") -> int:
    """Digs that metal came out of."""
    from gridtools.layers import Outcomes

    outcomes = job.read(Outcomes)
    return len(set(outcomes.dig_id[outcomes.metal & ~outcomes.struck]))


def _excluded(job: "Job") -> dict[str, float]:
    """Area inside the site of exclusions, by reason."""
    import shapely

    from gridtools.layers import Exclusion, Site

    site = shapely.union_all(job.read(Site).geometry)
    exclusion = job.read(Exclusion)
    areas = {
        reason or "no reason given": float(
            shapely.union_all(exclusion.geometry[exclusion.reason == reason])
            .intersection(site)
            .area
        )
        for reason in sorted(set(exclusion.reason))
    }
    return {reason: area for reason, area in areas.items() if area > 0}


def _in_order(values: dict[str, float]) -> list[tuple[str, float]]:
    return [(way, values[way]) for way in NAMED_WAYS if way in values]


def _figures(tally: "Tally", pod_percent: float) -> list[str]:
    """Table of POD by confidence."""
    from gridtools.cli.output import share, table
    from gridtools.units import format_area

    parts = [("full", "full confidence"), ("reduced", "inside a standoff"), ("all", "search area")]
    grounds = []
    for confidence, title in parts:
        if tally.has(confidence):
            grounds.append((title, tally.ground(confidence)))
    ways = [way for way, _ in _in_order(grounds[-1][1].pod)]
    header = ("ground", "area", *(f"POD {way}" for way in ways), f"below {pod_percent:g} %")
    return table(
        header,
        [
            (
                title,
                format_area(ground.area_m2),
                *(f"{share(ground.pod[way])}" for way in ways),
                format_area(ground.below_m2["cautious"]),
            )
            for title, ground in grounds
        ],
    )


def _remaining(
    expected: float, missed: dict[str, float], finds: int
) -> tuple[dict[str, Any], list[str]]:
    """What may remain of the objects expected."""
    from dataclasses import asdict

    from gridtools.cli.output import share
    from gridtools.coverage.residual import remaining, remaining_after_finds
    from gridtools.units import counted

    told: dict[str, Any] = {"before": expected, "finds": finds}
    lines = [f"If {expected:g} such objects were expected before the search (Poisson):"]
    for way, chance in _in_order(missed):
        left = remaining(expected, chance)
        told[way] = asdict(left)
        lines.append(
            f"  {share(left.chance)} that at least one remains, with 95 % at most {left.at_most}; "
            f"{NAMED_WAYS[way]}"
        )
    if finds:
        left = remaining_after_finds(expected, missed["cautious"], finds)
        told["after_finds"] = asdict(left)
        lines.append(
            f"  {share(left.chance)}, at most {left.at_most}, if {expected:g} was only a guess, "
            f"which {counted(finds, 'dig')} with metal corrects (all counted as such objects)"
        )
    return told, lines


def _not_searched(whole: "Ground", excluded: dict[str, float]) -> list[str]:
    from gridtools.units import format_area

    lines = []
    if excluded:
        named = ", ".join(f"{reason} {format_area(area)}" for reason, area in excluded.items())
        lines.append(f"Not searched, and in none of these figures: exclusions ({named}).")
    if whole.not_passed_m2 > 0:
        lines.append(
            f"Not passed within half a sweep width: {format_area(whole.not_passed_m2)} of the "
            "search area; it counts above with the little that farther runs detect."
        )
    return lines
