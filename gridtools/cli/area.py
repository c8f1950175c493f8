"""``gridtools area``: adds exclusions, interference and control; works out the search area."""

import click

from gridtools.cli._ground import ground_options
from gridtools.cli.options import job_argument, output_options


@click.command()
@job_argument
@ground_options
@output_options
def area(
    path: str,
    exclusions: tuple[str, ...],
    buffer_m: float,
    interferences: tuple[str, ...],
    standoff_m: float | None,
    controls: tuple[str, ...],
    as_json: bool,
    quiet: bool,
) -> None:
    """Add no-go ground, interference or control, and work out the search area again.

    Without files it takes up what was drawn in a GIS since.
    """
    from gridtools.cli._ground import read_ground, site_lines
    from gridtools.cli.output import say
    from gridtools.coverage.infill import to_walk
    from gridtools.job import Job
    from gridtools.layers import Exclusion, Infill, Interference, Lanes, Recheck, Site
    from gridtools.plan.area import area_notices, entering_notices, no_go, search_area

    with Job.open(path) as job:
        ground = read_ground(
            exclusions, buffer_m, interferences, standoff_m, controls, job.metric_crs
        )
        site = job.read(Site)
        exclusion = Exclusion.concat([job.read(Exclusion), ground.exclusion])
        interference = Interference.concat([job.read(Interference), ground.interference])
        found = search_area(site, exclusion, interference)
        lanes = Lanes.joined(job.read(Lanes), to_walk(job.read(Infill)), to_walk(job.read(Recheck)))
        entering = entering_notices(lanes, no_go(site, exclusion))
        options = {"exclusion": exclusions, "interference": interferences, "control": controls}
        with job.change("area", options, [Site, Exclusion, Interference]) as change:
            change.append(ground.exclusion)
            change.append(ground.interference)
            change.append(ground.control)
            change.replace(found)
    summary, lines = site_lines(site, found)
    say(
        summary,
        lines,
        [*entering, *ground.notices, *area_notices(site, exclusion, interference, found)],
        as_json=as_json,
        quiet=quiet,
    )
