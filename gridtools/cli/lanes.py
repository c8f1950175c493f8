"""``gridtools lanes``: the two orthogonal passes."""

from datetime import datetime
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from gridtools.cli.options import (
    BEARING,
    LENGTH,
    POSITIVE_LENGTH,
    job_argument,
    output_options,
    speed_option,
)

if TYPE_CHECKING:
    from gridtools.job import Job

#: More lanes than this in one pass are a slip in the spacing, and take minutes to put in order.
MOST_LANES = 5_000
#: Where lanes end, if not at a length past the boundary: what the job keeps of the last plan.
INSIDE, CORNERS = "inside", "as far as corners need"


@click.command()
@job_argument
@click.option("--spacing", type=POSITIVE_LENGTH, help="Distance between neighbouring lanes.")
@click.option(
    "--sweep-width",
    type=POSITIVE_LENGTH,
    help="Width of ground that the instrument effectively covers, for the object and depth that "
    "matter. There is no default.",
)
@click.option(
    "--bearing",
    type=BEARING,
    default="auto",
    show_default=True,
    help="Walking direction of pass 1 from grid north; auto takes the one with least walking.",
)
@click.option("--passes", type=click.IntRange(1, 2), help="Number of passes, 2 if not given.")
@click.option(
    "--run-on",
    type=LENGTH,
    help="Go at least this far past the boundary; as far as corners need if not given.",
)
@click.option("--stay-inside", is_flag=True, help="End lanes at the boundary.")
@click.option("--min-length", type=LENGTH, help="Leave out shorter lanes.")
@speed_option
@click.option(
    "--date",
    "on",
    type=click.DateTime(["%Y-%m-%d"]),
    help="Day for which magnetic bearings hold; today if not given.",
)
@click.option(
    "--replan",
    is_flag=True,
    help="Plan again although walking has begun: options not given are as before, lanes that "
    "nothing has changed stay, and only what was not walked is laid anew.",
)
@output_options
@click.pass_context
def lanes(
    ctx: click.Context,
    path: str,
    spacing: float | None,
    sweep_width: float | None,
    bearing: float | None,
    passes: int | None,
    run_on: float | None,
    stay_inside: bool,
    min_length: float | None,
    speed_mps: float | None,
    on: datetime | None,
    replan: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Plan parallel lanes, pass 2 at right angles to pass 1."""
    from dataclasses import asdict
    from datetime import UTC

    import numpy as np
    import shapely

    from gridtools.cli._settings import stale_notices, stored, sweep_basis, wanted
    from gridtools.cli.output import say, table
    from gridtools.coverage.names import natural
    from gridtools.errors import InputError, RefusedError
    from gridtools.geodesy import compass_notice
    from gridtools.handover.cautions import sweep_statement
    from gridtools.job import Job
    from gridtools.layers import Exclusion, Lanes, Runs, SearchArea, Sessions, Site
    from gridtools.plan.area import no_go
    from gridtools.plan.effort import TURN_SECONDS, WALKING_MPS
    from gridtools.plan.lanes import plan_lanes
    from gridtools.plan.replan import SoFar, keep_walked, last_numbers
    from gridtools.units import format_duration, format_length

    if stay_inside and run_on is not None:
        raise click.UsageError("--run-on and --stay-inside exclude each other")
    day = (on or datetime.now(UTC)).date()
    with Job.open(path) as job:
        spacing = wanted(spacing, job, "lane_spacing_m", "--spacing")
        basis = sweep_basis(sweep_width, job)
        sweep_width = wanted(sweep_width, job, "sweep_width_m", "--sweep-width")
        speed_mps = speed_mps or stored(job, "speed_mps") or WALKING_MPS
        old = job.read(Lanes)
        walked = len(old) > 0 and len(job.read(Sessions)) > 0
        area = job.read(SearchArea)
        west, south, east, north = shapely.total_bounds(area.geometry)
        across = float(np.hypot(east - west, north - south))
        if across > MOST_LANES * spacing:
            raise InputError(
                f"lanes {spacing:g} m apart would be more than {MOST_LANES} on this site: check "
                "the lane spacing and its unit"
            )
        if spacing > across:
            raise InputError(
                f"the lane spacing of {format_length(spacing)} is more than the whole site, "
                f"{format_length(across)} from corner to corner: check its unit"
            )
        doubts = [
            f"the {what} of {value:g} m is more than the site is wide: check its unit"
            for what, value in (("lane spacing", spacing), ("sweep width", sweep_width))
            if value > across / 2
        ]
        if walked and not replan:
            raise RefusedError(
                f"{path} has sessions walked on its lanes: --replan plans new ones beside what "
                "was walked, with new numbers"
            )
        # A number that was once given may stand on somebody's sheet, even if never walked.
        last = {1: 0, 2: 0}
        so_far, as_before = SoFar(), False
        if walked:
            kept = {n: int(stored(job, f"lane_last_{n}") or 0) for n in (1, 2)}
            last = last_numbers(old.lane_id, kept)
            so_far = SoFar(
                lanes=old,
                runs=job.read(Runs),
                spacing_m=stored(job, "lane_spacing_m") or float("nan"),
            )
            if ctx.get_parameter_source("bearing") is ParameterSource.DEFAULT:
                bearing = stored(job, "lane_bearing_deg")
                as_before = bearing is not None
            passes = passes or int(stored(job, "passes") or 2)
            if run_on is None and not stay_inside:
                run_on, stay_inside = _ends_before(job)
            if min_length is None:
                min_length = stored(job, "min_length_m")
        passes, min_length = passes or 2, min_length or 0.0
        plan = plan_lanes(
            area,
            no_go(job.read(Site), job.read(Exclusion)),
            spacing_m=spacing,
            sweep_width_m=sweep_width,
            bearing_deg=bearing,
            passes=passes,
            run_on_m=run_on,
            stay_inside=stay_inside,
            min_length_m=min_length,
            speed_mps=speed_mps,
            crs=job.metric_crs,
            on=day,
            first_numbers=(last[1] + 1, last[2] + 1),
            so_far=so_far,
        )
        planned = keep_walked(so_far.lanes, so_far.runs.lane_id, plan.lanes)
        notices = stale_notices(job, "search_area")
        middle = shapely.centroid(shapely.union_all(area.geometry))
        compass = compass_notice(job.metric_crs, middle.x, middle.y, day)
        options = {
            "bearing": "auto" if bearing is None else bearing,
            "run_on_m": run_on,
            "stay_inside": stay_inside,
            "min_length_m": min_length,
            "date": day,
            "replan": replan,
        }
        with job.change("lanes", options, [SearchArea, Exclusion, "lane_spacing_m"]) as change:
            change.replace(planned)
            change.set("lane_spacing_m", spacing, "m")
            change.set("sweep_width_m", sweep_width, "m", basis)
            change.set("lane_bearing_deg", plan.passes[0].bearing_deg, "deg")
            change.set("passes", str(passes))
            if run_on is None:
                change.set("lane_ends", INSIDE if stay_inside else CORNERS)
            else:
                change.set("lane_ends", run_on, "m")
            change.set("min_length_m", min_length, "m")
            change.set("speed_mps", speed_mps, "m/s")
            change.set("magnetic_date", day.isoformat())
            for pass_no, number in last_numbers(plan.lanes.lane_id, last).items():
                change.set(f"lane_last_{pass_no}", float(number))
    seconds = sum(p.seconds for p in plan.passes)
    reason = plan.bearing_reason
    if as_before:
        reason = f"The bearing of {plan.passes[0].bearing_deg:g}° is that of the lanes before."
    before, now = set(so_far.lanes.lane_id), set(planned.lane_id)
    replanned = {
        "walked": len(planned) - len(plan.lanes),
        "kept": len(before & set(plan.lanes.lane_id)),
        "new": len(now - before),
        "dropped": sorted(before - now, key=natural),
    }
    say(
        {
            "lane_spacing_m": spacing,
            "sweep_width_m": sweep_width,
            "bearing_reason": reason,
            "magnetic": compass,
            "passes": [asdict(p) for p in plan.passes],
            **({"replan": replanned} if walked else {}),
        },
        [
            reason,
            f"Lane spacing {format_length(spacing)}; {sweep_statement(sweep_width, basis)}.",
            "",
            *table(
                ("pass", "bearing", "lanes", "legs", "length", "dead walking", "time", "covers"),
                [
                    (
                        str(p.pass_no),
                        f"{p.bearing_deg:.1f}°",
                        str(p.lanes),
                        str(p.legs),
                        format_length(p.length_m),
                        format_length(p.dead_m),
                        format_duration(p.seconds),
                        f"{p.planned_percent:.2f} %",
                    )
                    for p in plan.passes
                ],
            ),
            "",
            f"{format_duration(seconds)} of walking at {speed_mps:g} m/s, with {TURN_SECONDS:g} s "
            "for each turn. Covers: share of the search area if walked as planned.",
            f"{compass[0].upper()}{compass[1:]}.",
            *(_replanned(replanned) if walked else ()),
        ],
        [*doubts, *notices, *plan.notices],
        as_json=as_json,
        quiet=quiet,
    )


def _ends_before(job: "Job") -> tuple[float | None, bool]:
    """Run-on in metres, if one was given, and whether lanes end inside, as last planned."""
    ends = job.setting("lane_ends")
    if ends is None:
        return None, False
    return (ends.number, False) if ends.unit else (None, ends.text == INSIDE)


def _replanned(became: dict[str, Any]) -> list[str]:
    """Sentences on what became of the lanes before."""
    from gridtools.coverage.names import spans
    from gridtools.units import counted

    lines = [
        f"Planned again: {counted(became['walked'], 'lane')} walked, {became['kept']} still to "
        f"walk as before, {became['new']} new. The figures are for what is to walk."
    ]
    if became["dropped"]:
        names = spans(set(became["dropped"]))
        lines.append(f"No longer lanes: {names}. Their ids are never used again.")
    return lines
