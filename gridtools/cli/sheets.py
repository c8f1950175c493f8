"""``gridtools sheets``: what is carried in the field, as pages to print."""

from typing import TYPE_CHECKING

import click

from gridtools.cli.options import job_argument, output_options

if TYPE_CHECKING:
    from gridtools.handover.pages.head import Head
    from gridtools.job import Job


@click.command()
@job_argument
@click.argument("folder", metavar="DIR")
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Paper."
)
@output_options
def sheets(path: str, folder: str, paper: str, as_json: bool, quiet: bool) -> None:
    """Write pages to print and carry, as PDF: what the job has come to so far.

    Lane sheet, hit log, walked-lanes form; once it was walked, the page at the end of a day; once
    there are candidates, the form for closing in on them; once there are digs, the dig list with
    a sheet for each.
    """
    from gridtools.cli._settings import stale_notices, stored
    from gridtools.cli.output import say
    from gridtools.errors import MissingError
    from gridtools.formats.files import write_files
    from gridtools.handover.pages.head import Head
    from gridtools.job import Job
    from gridtools.layers import Lanes

    with Job.open(path) as job:
        if not len(job.read(Lanes)):
            raise MissingError(f"{path} has no lanes: plan them first with gridtools lanes")
        name = job.setting("name")
        sweep = job.setting("sweep_width_m")
        head = Head(
            job_name=name.text if name else job.path.stem,
            crs_name=job.crs.name,
            spacing_m=stored(job, "lane_spacing_m"),
            sweep_width_m=sweep.number if sweep else None,
            sweep_basis=sweep.basis if sweep else "",
            paper=paper,
        )
        pages = {**_walking(job, head), **_digging(job, head)}
        notices = stale_notices(job, "lanes", "pegs", "infill", "recheck", "candidates", "digs")
    written = write_files(folder, pages)
    say(
        {"files": written},
        [f"Wrote {file}" for file in written],
        notices,
        as_json=as_json,
        quiet=quiet,
    )


def _walking(job: "Job", head: "Head") -> dict[str, bytes]:
    """Pages for those who walk, by file name."""
    from datetime import date

    import numpy as np
    import shapely

    from gridtools.cli._settings import stale_notices, stored
    from gridtools.coverage.infill import to_walk
    from gridtools.coverage.standing import standing
    from gridtools.field.checks import doubts, failed_checks
    from gridtools.handover.pages.day import day_page
    from gridtools.handover.pages.hits import hit_form
    from gridtools.handover.pages.lanes import lane_sheet
    from gridtools.handover.pages.walked import walked_form
    from gridtools.layers import (
        Checks,
        Coverage,
        Exclusion,
        Infill,
        Lanes,
        Pegs,
        Recheck,
        Runs,
        SearchArea,
        Sessions,
        Site,
    )
    from gridtools.plan.area import no_go
    from gridtools.plan.effort import WALKING_MPS

    day = job.setting("magnetic_date")
    lanes, infill, recheck = job.read(Lanes), job.read(Infill), job.read(Recheck)
    pages = {
        "lane-sheet.pdf": lane_sheet(
            lanes,
            head,
            bearing_date=date.fromisoformat(day.text) if day else None,
            pegs=job.read(Pegs),
            infill=to_walk(infill),
            recheck=to_walk(recheck),
            outline=shapely.union_all(job.read(SearchArea).geometry),
            no_go=no_go(job.read(Site), job.read(Exclusion)),
        ),
        "hit-log.pdf": hit_form(head),
        "walked-lanes.pdf": walked_form(head),
    }
    runs = job.read(Runs)
    if len(runs):
        sessions, checks = job.read(Sessions), job.read(Checks)
        coverage = job.read(Coverage)
        whole = coverage.take(coverage.confidence == "all")
        speed = stored(job, "speed_mps") or WALKING_MPS
        days = sessions.finish_utc[~np.isnat(sessions.finish_utc)].astype("datetime64[D]")
        pages["end-of-day.pdf"] = day_page(
            standing(lanes, infill, recheck, runs, speed_mps=speed),
            head,
            # The last day walked: the same job gives the same page whenever it is printed.
            on=days.max().item() if days.size else None,
            covered_percent=list(zip(whole.part.tolist(), whole.percent.tolist(), strict=True)),
            failed=failed_checks(sessions, checks),
            warnings=[
                *(doubt.sentence for doubt in doubts(runs, sessions, checks)),
                *stale_notices(job),
            ],
        )
    return pages


def _digging(job: "Job", head: "Head") -> dict[str, bytes]:
    """Pages for those who close in on candidates and dig, by file name."""
    import shapely

    from gridtools.geodesy import WGS84, transform_xy
    from gridtools.handover.pages.approaches import approach_form
    from gridtools.handover.pages.digs import dig_list
    from gridtools.layers import Candidates, DigPegs, Digs, Exclusion, Site
    from gridtools.plan.area import no_go

    pages = {}
    candidates, digs = job.read(Candidates), job.read(Digs)
    if len(candidates):
        pages["approaches.pdf"] = approach_form(
            candidates, head, metres_per_unit=job.metres_per_unit
        )
    if len(digs):
        xy = shapely.get_coordinates(digs.geometry)
        checked = job.setting("digs_checked_on")
        pages["digs.pdf"] = dig_list(
            digs,
            job.read(DigPegs),
            head,
            lonlat=transform_xy(xy, job.metric_crs, WGS84),
            metres_per_unit=job.metres_per_unit,
            no_go=no_go(job.read(Site), job.read(Exclusion)),
            checked_on=checked.text if checked else "",
        )
    return pages
