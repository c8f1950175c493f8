"""``gridtools check``: whether a job is sound."""

import click

from gridtools.cli import EXIT_CHECK_FAILED
from gridtools.cli.options import job_argument, output_options


@click.command()
@job_argument
@click.option(
    "--repair",
    "copy",
    metavar="COPY.gpkg",
    help="Write what can be read into a new job, and say what it lacks.",
)
@output_options
def check(path: str, copy: str | None, as_json: bool, quiet: bool) -> None:
    """Verify a job: the file, its layers, and what they say of each other.

    The job itself is never changed. Exit status 3 if something is wrong with it.
    """
    from dataclasses import asdict
    from pathlib import Path

    from gridtools.cli.output import say
    from gridtools.job.check import check_job
    from gridtools.job.repair import repair_job
    from gridtools.units import counted

    found = check_job(Path(path))
    losses = [] if copy is None else repair_job(Path(path), Path(copy))
    lines = [
        f"{finding.layer or 'file'}: {finding.problem}; {finding.advice}." for finding in found
    ]
    lines.append(f"{path}: {counted(len(found), 'thing')} wrong." if found else f"{path} is sound.")
    if copy is not None:
        lines += [
            f"Wrote {copy}; styles and columns that you added are in {path} only.",
            *(f"Not in it: layer {loss.layer}, {loss.problem}." for loss in losses),
        ]
    say(
        {
            "sound": not found,
            "findings": [asdict(finding) for finding in found],
            "copy": copy,
            "losses": [asdict(loss) for loss in losses],
        },
        lines,
        as_json=as_json,
        quiet=quiet,
    )
    if found:
        raise click.exceptions.Exit(EXIT_CHECK_FAILED)
