"""``gridtools residual``: what of the stated object may remain, with bounds."""

from typing import TYPE_CHECKING, Any

import click

from gridtools.cli.options import POSITIVE_LENGTH, FiniteRange, job_argument, output_options

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from gridtools.coverage.pod import PodMap, PodWindow
    from gridtools.coverage.residual import Remaining
    from gridtools.handover.remains import Remains
    from gridtools.job import Job

WANTED_POD = 90.0


@click.command()
@job_argument
@click.option(
    "--pod",
    "pod_percent",
    type=FiniteRange(0.0, 100.0),
    default=WANTED_POD,
    show_default=True,
    metavar="PERCENT",
    help="POD wanted: says how much ground is below it.",
)
@click.option(
    "--expected",
    type=FiniteRange(0.0),
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

    from gridtools.cli._settings import stale_notices
    from gridtools.cli.output import say, table
    from gridtools.handover.cautions import NO_PROOF
    from gridtools.job import Job

    with Job.open(path) as job:
        notices = stale_notices(job, "search_area", "runs")
        remains = remains_of(job, pod_percent / 100, cell_m=cell_m)
        finds = _finds(job)
    tally = remains.tally
    whole = tally.ground("all")
    summary: dict[str, Any] = {
        "object": remains.what,
        "sweep_width": remains.sweep,
        "wanted_pod": remains.wanted_pod,
        "search_area": asdict(whole) | {"missed": whole.missed},
        "excluded_m2": dict(remains.excluded_m2),
    }
    summary["missed"] = remains.missed
    if remains.low is not None:
        summary["low_end"] = asdict(remains.low.ground("all"))
    if tally.has("reduced"):
        summary["reduced"] = asdict(tally.ground("reduced"))
    lines = [
        f"For {remains.what}; {remains.sweep}.",
        "",
        *table(remains.header, remains.rows),
        "",
        "Chance that one such object, placed anywhere in the search area, was missed:",
        *(f"  {line}" for line in remains.missed_lines),
    ]
    if expected is not None:
        told, more = _remaining(expected, remains.missed, finds)
        summary["expected"], lines = told, [*lines, "", *more]
    lines += ["", *remains.untested, *remains.not_searched, NO_PROOF]
    notices += [
        *remains.assumptions,
        "an object counts as detected once a run responds to it, dug or not",
    ]
    say(summary, lines, notices, as_json=as_json, quiet=quiet)


def remains_of(
    job: "Job",
    wanted_pod: float = WANTED_POD / 100,
    *,
    cell_m: float | None = None,
    watch: "Callable[[PodMap], Iterator[PodWindow]] | None" = None,
) -> "Remains":
    """What may remain in a job; its POD map is gone over once.

    ``watch`` may pass on the windows of the map, to draw them on the way.
    """
    import shapely

    from gridtools.cli._pod import job_pod
    from gridtools.cli._settings import sensor_curve
    from gridtools.coverage.residual import Tally
    from gridtools.handover.remains import Remains, excluded_m2, object_words
    from gridtools.layers import Exclusion, SearchArea, Site, SweepWidths

    area = job.read(SearchArea)
    found = job_pod(job, cell_m=cell_m)
    reduced = shapely.union_all(area.geometry[area.confidence == "reduced"])
    tally = Tally(reduced, wanted_pod, found.dependence)
    for _ in tally.watch(watch(found.pod) if watch else found.pod.windows()):
        pass
    low = None
    lowest = sensor_curve(job).low_curve
    if lowest is not None:
        low = Tally(reduced, wanted_pod)
        for _ in low.watch(job_pod(job, cell_m=cell_m, curve=lowest).pod.windows()):
            pass
    chosen = job.setting("sweep_curve")
    return Remains(
        what=object_words(job.read(SweepWidths), chosen.text if chosen else ""),
        sweep=found.sweep,
        wanted_pod=wanted_pod,
        tally=tally,
        low=low,
        excluded_m2=excluded_m2(job.read(Site), job.read(Exclusion)),
        assumptions=tuple(found.notices),
    )


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


def _remaining(
    expected: float, missed: dict[str, float], finds: int
) -> tuple[dict[str, Any], list[str]]:
    """What may remain of the objects expected."""
    from dataclasses import asdict

    from gridtools.coverage.residual import remaining, remaining_after_finds
    from gridtools.handover.remains import NAMED_WAYS
    from gridtools.units import counted, format_chance

    told: dict[str, Any] = {"before": expected, "finds": finds}
    lines = [f"If {expected:g} such objects were expected before the search (Poisson):"]
    for way, chance in missed.items():
        left = remaining(expected, chance)
        told[way] = asdict(left)
        lines.append(
            f"  {format_chance(left.chance)} that at least one remains{_bound(left)}; "
            f"{NAMED_WAYS[way]}"
        )
    if finds:
        left = remaining_after_finds(expected, next(iter(missed.values())), finds)
        told["after_finds"] = asdict(left)
        lines.append(
            f"  {format_chance(left.chance)}{_bound(left)}, by the first of these, if "
            f"{expected:g} was only a guess, which {counted(finds, 'dig')} with metal corrects "
            "(all counted as such objects)"
        )
    return told, lines


def _bound(left: "Remaining") -> str:
    """Upper bound in words; none is said where it is zero, which would read as a promise."""
    return f", with 95 % at most {left.at_most}" if left.at_most else ""
