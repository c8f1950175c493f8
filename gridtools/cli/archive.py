"""``gridtools archive``: all there is of a job, for the archive."""

from datetime import datetime

import click

from gridtools.cli.options import job_argument, output_options


@click.command()
@job_argument
@click.argument("out", metavar="OUT.zip")
@output_options
def archive(path: str, out: str, as_json: bool, quiet: bool) -> None:
    """Write the job, its logs untouched, every layer as CSV, report and checksums into one ZIP."""
    import numpy as np

    from gridtools.cli._settings import stale_notices
    from gridtools.cli.output import say
    from gridtools.cli.report import page_of
    from gridtools.job import Job
    from gridtools.job.archive import write_archive
    from gridtools.layers import History

    def report(job: Job) -> bytes:
        """Report as of the last change, so that the same job gives the same archive."""
        last: datetime = np.max(job.read(History).start_utc).astype("datetime64[ms]").item()
        return page_of(job, notices, last)

    with Job.open(path) as job:
        notices = stale_notices(job)
    entries = write_archive(path, out, report)
    logs = sum(entry.name.startswith("logs/") for entry in entries)
    summary = {
        "file": out,
        "files": [
            {"name": entry.name, "bytes": entry.size, "sha256": entry.sha256} for entry in entries
        ],
    }
    lines = [
        f"Wrote {out}: {len(entries)} files, {logs} of them logs; README.txt says what is what."
    ]
    say(summary, lines, notices, as_json=as_json, quiet=quiet)
