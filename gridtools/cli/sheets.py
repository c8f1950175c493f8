"""``gridtools sheets``: what a walker carries, as pages to print."""

import click

from gridtools.cli.options import job_argument, output_options


@click.command()
@job_argument
@click.argument("folder", metavar="DIR")
@output_options
def sheets(path: str, folder: str, as_json: bool, quiet: bool) -> None:
    """Write the lane sheet, the hit log form, the walked-lanes form and the dig list, to print."""
    from datetime import date
    from typing import Any

    import shapely

    from gridtools.cli._settings import stale_notices, stored
    from gridtools.cli.output import say
    from gridtools.coverage.infill import to_walk
    from gridtools.errors import MissingError
    from gridtools.formats.files import write_files
    from gridtools.geodesy import WGS84, transform_xy
    from gridtools.handover.dig_sheet import dig_sheet
    from gridtools.handover.sheets import hit_form, lane_sheet, walked_form
    from gridtools.job import Job
    from gridtools.layers import (
        DigPegs,
        Digs,
        Exclusion,
        Infill,
        Lanes,
        Pegs,
        Recheck,
        SearchArea,
        Site,
    )
    from gridtools.plan.area import no_go

    with Job.open(path) as job:
        lanes = job.read(Lanes)
        if not len(lanes):
            raise MissingError(f"{path} has no lanes: plan them first with gridtools lanes")
        name = job.setting("name")
        sweep = job.setting("sweep_width_m")
        day = job.setting("magnetic_date")
        title = name.text if name else job.path.stem
        figures: dict[str, Any] = {
            "job_name": title,
            "crs_name": job.crs.name,
            "spacing_m": stored(job, "lane_spacing_m"),
            "sweep_width_m": sweep.number if sweep else None,
            "sweep_basis": sweep.basis if sweep else "",
        }
        pages = {
            "lane-sheet.html": lane_sheet(
                lanes,
                **figures,
                bearing_date=date.fromisoformat(day.text) if day else None,
                pegs=job.read(Pegs),
                infill=to_walk(job.read(Infill)),
                recheck=job.read(Recheck),
                outline=shapely.union_all(job.read(SearchArea).geometry),
                no_go=no_go(job.read(Site), job.read(Exclusion)),
            ),
            "hit-log.html": hit_form(**figures),
            "walked-lanes.html": walked_form(job_name=title),
        }
        digs = job.read(Digs)
        if len(digs):
            xy = shapely.get_coordinates(digs.geometry)
            pages["dig-list.html"] = dig_sheet(
                digs,
                job.read(DigPegs),
                job_name=title,
                crs_name=job.crs.name,
                lonlat=transform_xy(xy, job.metric_crs, WGS84),
                metres_per_unit=job.metres_per_unit,
            )
        notices = stale_notices(job, "lanes", "pegs", "infill", "recheck", "digs")
    written = write_files(folder, {page: text.encode() for page, text in pages.items()})
    say(
        {"files": written},
        [f"Wrote {file}" for file in written] + ["Print them from any browser, on A4 or Letter."],
        notices,
        as_json=as_json,
        quiet=quiet,
    )
