"""``gridtools report``: the job as one page for people who were not there."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from gridtools.cli.options import job_argument, output_options

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from gridtools.coverage.pod import PodMap, PodWindow
    from gridtools.handover.remains import Remains
    from gridtools.handover.report.pod_image import PodImage
    from gridtools.job import Job


@click.command()
@job_argument
@click.argument("out", metavar="OUT.html")
@output_options
def report(path: str, out: str, as_json: bool, quiet: bool) -> None:
    """Write the job as one self-contained HTML page, at any stage: planned, walked or dug."""
    from pathlib import Path

    from gridtools.cli._settings import stale_notices
    from gridtools.cli.output import say
    from gridtools.errors import InputError, RefusedError
    from gridtools.formats.files import read_file, write_files
    from gridtools.handover.report import GENERATOR
    from gridtools.job import Job

    with Job.open(path) as job:
        notices = stale_notices(job)
        html = page_of(job, notices)
    target = Path(out)
    if target.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"{out}: the name of a report ends in .html")
    if target.exists() and GENERATOR.encode() not in read_file(target)[:1000]:
        raise RefusedError(f"{out} was not written by gridtools: choose another name")
    write_files(target.parent, {target.name: html})
    say(
        {"file": out, "bytes": len(html)},
        [f"Wrote {out}: open it in any browser, or print it on A4 or Letter."],
        notices,
        as_json=as_json,
        quiet=quiet,
    )


def page_of(job: "Job", stale: Sequence[str], made_utc: "datetime | None" = None) -> bytes:
    """Report of a job as the bytes of its page, with sentences on what is out of date.

    Made now if no time is given.
    """
    from datetime import UTC, datetime

    from gridtools import __version__
    from gridtools.handover.report import Contents
    from gridtools.handover.report import report as page
    from gridtools.layers import ALL_LAYERS, Fixes

    remains, image = _remains(job)
    name = job.setting("name")
    day = job.setting("magnetic_date")
    code = job.crs.to_authority()
    return page(
        Contents(
            # Fixes come by the million, and the runs say all that a page can show of them.
            layers={layer: job.read(layer) for layer in ALL_LAYERS if layer is not Fixes},
            name=name.text if name else job.path.stem,
            file_name=job.path.name,
            crs_name=job.crs.name,
            crs_code=":".join(code) if code else "",
            metres_per_unit=job.metres_per_unit,
            declination_date=day.text if day else "",
            version=__version__,
            stale=stale,
            remains=remains,
            pod_image=image.uri() if image else "",
            pod_bounds=image.bounds_m if image else (0.0, 0.0, 0.0, 0.0),
            made_utc=made_utc or datetime.now(UTC),
        )
    ).encode()


def _remains(job: "Job") -> "tuple[Remains | None, PodImage | None]":
    """What may remain, and the POD map, once there are accepted runs to reckon with."""
    import shapely

    from gridtools.cli._pod import suitable_cell_m
    from gridtools.cli.residual import remains_of
    from gridtools.handover.report.pod_image import MOST_CELLS, PodImage
    from gridtools.layers import Runs, SearchArea

    if not job.read(Runs).accepted.any() or job.setting("sweep_width_m") is None:
        return None, None
    west, south, east, north = shapely.total_bounds(job.read(SearchArea).geometry)
    cell_m = max(suitable_cell_m(job), max(east - west, north - south) / MOST_CELLS)
    images = []

    def watch(pod: "PodMap") -> "Iterator[PodWindow]":
        images.append(PodImage(pod.grid))
        return images[0].watch(pod.windows())

    return remains_of(job, cell_m=cell_m, watch=watch), images[0]
