"""``gridtools spacing``: sweep width from test passes, and the lane spacing that follows."""

from typing import TYPE_CHECKING, Any

import click

from gridtools.cli.options import LENGTH, POSITIVE_LENGTH, FiniteRange, output_options, speed_option

if TYPE_CHECKING:
    from collections.abc import Mapping

    from gridtools.cli._sweep import Sweep
    from gridtools.plan.spacing import Spacing, WideFirst

#: Responses to be checked on a hectare, for the cheaper plan (assumed, no source).
RESPONSES_PER_HA = 10.0
WANTED_POD, WANTED_CROSSINGS = 90.0, 4
#: Spacings of the table in sweep widths, besides the one chosen.
TABLE_SPACINGS = (1 / 4, 1 / 3, 1 / 2, 3 / 4, 1, 2)


@click.command()
@click.argument("trials", metavar="[TRIALS.csv]", required=False)
@click.option("--job", "path", metavar="JOB", help="Store the curve and the spacing in this job.")
@click.option("--sweep-width", type=POSITIVE_LENGTH, help="Sweep width, where there are no trials.")
@click.option(
    "--curve", "curve_id", metavar="ID", help="A curve stored in the job (W001 and on) instead."
)
@click.option("--assumed", is_flag=True, help="The sweep width is assumed rather than given.")
@click.option(
    "--pod",
    "pod_percent",
    type=FiniteRange(0.0, 100.0, min_open=True, max_open=True),
    default=WANTED_POD,
    show_default=True,
    metavar="PERCENT",
    help="POD wanted of both passes, with no credit for repeats of the same pass.",
)
@click.option(
    "--crossings",
    type=click.IntRange(0, 20),
    default=WANTED_CROSSINGS,
    show_default=True,
    help="Crossings wanted at every spot: four are both headings of both passes.",
)
@click.option("--spacing", "given_m", type=POSITIVE_LENGTH, help="Look at this lane spacing.")
@click.option(
    "--cross-track",
    "sigma_m",
    type=LENGTH,
    default=0.0,
    help="Standard error with which lanes are held; 0 if not given.",
)
@speed_option
@click.option(
    "--responses",
    type=FiniteRange(0.0),
    default=RESPONSES_PER_HA,
    show_default=True,
    help="Responses to check on a hectare, for the cheaper plan (assumed).",
)
@click.option("--name", help="What the curve is for, in short.")
@click.option("--object", "what", help="Object that it holds for; picks its rows in the trials.")
@click.option("--depth", "depth_m", type=LENGTH, help="Depth to its top; picks its rows as well.")
@click.option("--instrument", default="", help="Instrument and set-up.")
@click.option("--tuning", type=click.Choice(["motion", "static"]), help="How it is tuned.")
@click.option("--ground", default="", help="Ground that it holds for.")
@click.option("--plot", metavar="FILE", help="Draw trials and curve, as .png or .svg.")
@click.option("--form", metavar="FILE.pdf", help="Write a form for test passes, and stop.")
@output_options
def spacing(
    trials: str | None,
    path: str | None,
    sweep_width: float | None,
    curve_id: str | None,
    assumed: bool,
    pod_percent: float,
    crossings: int,
    given_m: float | None,
    sigma_m: float,
    speed_mps: float | None,
    responses: float,
    name: str | None,
    what: str | None,
    depth_m: float | None,
    instrument: str,
    tuning: str | None,
    ground: str,
    plot: str | None,
    form: str | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Work out the lane spacing from test passes, or from a sweep width.

    TRIALS.csv has one test pass a row, with the columns lateral_m and responded. Without trials,
    sweep width, curve or job, a rough planning table is printed. See docs/sweep-width.md.
    """
    from contextlib import nullcontext
    from dataclasses import asdict
    from math import floor

    from gridtools.cli._settings import stored
    from gridtools.cli._sweep import given_sweep, kept_sweep, store_sweep, tested_sweep
    from gridtools.cli.output import say
    from gridtools.handover.cautions import NO_PROOF
    from gridtools.job import Job
    from gridtools.plan.effort import WALKING_MPS
    from gridtools.plan.spacing import at_spacing, wide_first, widest_spacing
    from gridtools.sensor.curves import smeared
    from gridtools.units import format_length

    if form is not None:
        _write_form(form, quiet=quiet)
        return
    if sum(source is not None for source in (trials, sweep_width, curve_id)) > 1:
        raise click.UsageError("give one of TRIALS.csv, --sweep-width and --curve")
    if curve_id is not None and path is None:
        raise click.UsageError("--curve needs --job, which keeps the curves")
    if plot is not None and trials is None:
        raise click.UsageError("--plot draws test passes: give TRIALS.csv")
    if assumed and sweep_width is None:
        raise click.UsageError("--assumed goes with --sweep-width")
    if trials is None and sweep_width is None and path is None:
        _rough(as_json=as_json, quiet=quiet)
        return
    of = {
        "name": name,
        "object": what,
        "depth_m": depth_m,
        "instrument": instrument,
        "tuning": tuning or "",
        "ground": ground,
    }
    with Job.open(path) if path is not None else nullcontext() as job:
        if trials is not None:
            sweep = tested_sweep(trials, of, plot)
        elif sweep_width is not None:
            sweep = given_sweep(sweep_width, of, "assumed" if assumed else "given")
        else:
            assert job is not None
            sweep = kept_sweep(job, curve_id)
        speed_mps = speed_mps or (stored(job, "speed_mps") if job else None) or WALKING_MPS
        curve, pod = smeared(sweep.curve, sigma_m), pod_percent / 100
        chosen_m = given_m or widest_spacing(curve, pod=pod, crossings=crossings)
        chosen = at_spacing(curve, chosen_m, speed_mps)
        width = curve.sweep_width_m
        steps = {chosen_m, *(floor(100 * width * part) / 100 for part in TABLE_SPACINGS)}
        rows = [at_spacing(curve, s, speed_mps) for s in sorted(steps)]
        wide = wide_first(curve, chosen, pod=pod, responses_per_ha=responses, speed_mps=speed_mps)
        lows = {row.spacing_m: sweep.low_pod(row.spacing_m, sigma_m) for row in rows}
        stored_as = store_sweep(job, sweep, chosen_m) if job else None
    short = []
    if chosen.pod_cautious < pod - 1e-9:
        short.append(
            f"The POD at {format_length(chosen_m)} is less than the {pod_percent:g} % wanted."
        )
    if chosen.crossings < crossings:
        short.append(
            f"At {format_length(chosen_m)} some spots get {chosen.crossings} crossings, not "
            f"{crossings}."
        )
    say(
        {
            **sweep.summary,
            "pod_wanted": pod,
            "crossings_wanted": crossings,
            "cross_track_m": sigma_m,
            "lane_spacing_m": chosen_m,
            "plan": {**asdict(chosen), "pod_low_end": lows[chosen_m]},
            "wide_first": asdict(wide),
            "table": [{**asdict(row), "pod_low_end": lows[row.spacing_m]} for row in rows],
            "stored_as": stored_as,
        },
        [
            *sweep.lines,
            "",
            *_table(rows, chosen_m, lows),
            "",
            *_advice(chosen, wide, sweep, pod_percent, crossings, given=given_m is not None),
            *([f"Stored as {stored_as}, with the lane spacing."] if stored_as else []),
            NO_PROOF,
        ],
        [*sweep.notices, *short],
        as_json=as_json,
        quiet=quiet,
    )


def percent(pod: float) -> str:
    """POD as a person reads it: never rounded up to certainty.

    Examples
    --------
    >>> percent(0.9012), percent(0.99996)
    ('90.1 %', 'over 99.9 %')
    """
    return "over 99.9 %" if pod > 0.999 else f"{100 * pod:.1f} %"


def _table(
    rows: "list[Spacing]", chosen_m: float, lows: "Mapping[float, float | None]"
) -> list[str]:
    """Lines of the table of spacings, the chosen one marked."""
    from gridtools.cli.output import table
    from gridtools.units import format_length

    known = any(low is not None for low in lows.values())
    title = ("low end",) if known else ()
    return table(
        ("spacing", "POD one pass", "both", "cautious", *title, "crossings", "lanes m/ha", "h/ha"),
        [
            (
                f"{format_length(row.spacing_m)}" + (" <" if row.spacing_m == chosen_m else ""),
                percent(row.pod_pass),
                percent(row.pod_both),
                percent(row.pod_cautious),
                *(percent(low) for low in (lows[row.spacing_m],) if low is not None),
                str(row.crossings),
                f"{row.length_m_per_ha:,.0f}",
                f"{row.hours_per_ha:.1f}",
            )
            for row in rows
        ],
    )


def _advice(
    plan: "Spacing",
    wide: "WideFirst",
    sweep: "Sweep",
    pod_percent: float,
    crossings: int,
    *,
    given: bool,
) -> list[str]:
    """What to walk, and the cheaper plan beside it."""
    from gridtools.units import format_length

    why = (
        "as given"
        if given
        else f"the widest for a cautious POD of {pod_percent:g} % and {crossings} crossings"
    )
    return [
        "Both: every run a fresh chance. Cautious: no credit for repeats of the same pass"
        + (f" ({sweep.dependence})" if sweep.dependence else "")
        + (". Low end: the same by the worst curve in the 90 % interval." if sweep.low_m else "."),
        f"Lane spacing {format_length(plan.spacing_m)}, {why}: two passes take "
        f"{plan.hours_per_ha:.1f} h "
        "a hectare.",
        f"Cheaper: one pass {format_length(wide.spacing_m)} apart, then four check crossings "
        "at each "
        f"response only: POD {percent(wide.pod)}, {wide.hours_per_ha:.1f} h a hectare with "
        f"{wide.responses_per_ha:g} responses on it (assumed); it saves time below "
        f"{wide.even_at_per_ha:.0f} responses. One heading cannot tell metal from a change of "
        "ground before the checks.",
    ]


def _write_form(file: str, *, quiet: bool) -> None:
    from pathlib import Path

    from gridtools.cli.output import say
    from gridtools.formats.files import write_files
    from gridtools.handover.pages.trials import trial_form

    place = Path(file)
    written = write_files(place.parent, {place.name: trial_form()})
    say({}, [f"Wrote {f}: print it on A4 or Letter." for f in written], quiet=quiet)


def _rough(*, as_json: bool, quiet: bool) -> None:
    """Print the rough planning table."""
    import math

    from gridtools.cli.output import say, table
    from gridtools.plan.rough import BASIS, DEPTHS_M, rough_table
    from gridtools.units import format_length

    cells: dict[str, list[str]] = {}
    entries: list[dict[str, Any]] = []
    for entry in rough_table():
        known = not math.isnan(entry.spacing_m)
        cells.setdefault(entry.object, []).append(
            f"{format_length(entry.spacing_m, 1)}?" if known else "test first"
        )
        entries.append({**entry._asdict(), "spacing_m": entry.spacing_m if known else None})
    say(
        {"rough_spacing": entries, "basis": "assumed"},
        [
            "Rough lane spacing by object and depth to its top. Every figure is assumed (?):",
            "",
            *table(
                ("object", *(f"{format_length(d, 1)} deep" for d in DEPTHS_M)),
                [(name, *row) for name, row in cells.items()],
            ),
            "",
            BASIS,
            "Nothing uses it by itself. Test passes measure: gridtools spacing --form FILE.pdf.",
        ],
        as_json=as_json,
        quiet=quiet,
    )
