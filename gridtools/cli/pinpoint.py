"""``gridtools pinpoint``: approaches in, centre and depth out."""

from typing import TYPE_CHECKING

import click

from gridtools.cli.options import (
    LENGTH,
    POSITIVE_LENGTH,
    SIGNED_LENGTH,
    job_argument,
    output_options,
)

if TYPE_CHECKING:
    from gridtools.job import Job
    from gridtools.layers import Approaches, Candidates, Pinpoints, Sessions
    from gridtools.targets.approaches import Taken


@click.command()
@job_argument
@click.argument("file", metavar="[FILE]", required=False)
@click.option(
    "--session",
    metavar="ID",
    default="",
    help="Session whose instrument and set-up it was; the last one if not given.",
)
@click.option(
    "--carry-height",
    type=LENGTH,
    help="Height of the coils above the ground, taken off the depth (0 unless set before).",
)
@click.option("--fix-accuracy", type=POSITIVE_LENGTH, help="Standard error of a mark, each axis.")
@click.option(
    "--heading-offset",
    type=SIGNED_LENGTH,
    help="How far along the heading onsets are marked late, if not the job's own.",
)
@click.option("--tz", metavar="ZONE", help="Time zone of times that state none: Europe/Lisbon.")
@output_options
def pinpoint(
    path: str,
    file: str | None,
    session: str,
    carry_height: float | None,
    fix_accuracy: float | None,
    heading_offset: float | None,
    tz: str | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Fix the centre and the depth of candidates from where the response starts on each side.

    FILE has approach points: GPX waypoints named as in "C001 onset 270" or "C001 centre", or CSV.
    Without a file, pinpoints are worked out again.
    """
    from gridtools.cli._settings import fix_accuracy_m, stale_notices, stored
    from gridtools.cli.output import records, say
    from gridtools.handover.cautions import NO_PROOF
    from gridtools.job import Job
    from gridtools.layers import Approaches, Candidates, DepthFactors, Sessions
    from gridtools.targets.pinpoints import find_pinpoints
    from gridtools.units import counted

    with Job.open(path) as job:
        before, candidates = job.read(Approaches), job.read(Candidates)
        sessions = job.read(Sessions)
        notices = stale_notices(job, "candidates")
        new, repeated = Approaches.empty(), 0
        if file is not None:
            taken = _take_in(job, file, tz, _session(sessions, session), candidates, before)
            new, repeated = taken.new, taken.repeated
            notices += taken.notices
        height = stored(job, "carry_height_m") if carry_height is None else carry_height
        offset = stored(job, "heading_offset_m") if heading_offset is None else heading_offset
        if height is None:
            notices.append("carry height not given: none is taken off the depths")
        approaches = Approaches.concat([before, new])
        found = find_pinpoints(
            approaches,
            candidates,
            sessions,
            job.read(DepthFactors),
            carry_height_m=height or 0.0,
            fix_accuracy_m=fix_accuracy_m(fix_accuracy, job),
            heading_offset_m=offset or 0.0,
        )
        options = {"file": file, "session": session, "fix_accuracy_m": fix_accuracy, "tz": tz}
        inputs = [Approaches, Candidates, Sessions, DepthFactors]
        keys = ["carry_height_m", "heading_offset_m", "fix_accuracy_m"]
        with job.change("pinpoint", options, [*inputs, *keys]) as change:
            change.append(new)
            change.replace(found.pinpoints)
            for key, value in zip(keys, (carry_height, heading_offset, fix_accuracy), strict=True):
                if value is not None:
                    change.set(key, value, "m")
    lines = pinpoint_lines(found.pinpoints)
    if file is not None:
        known = f"; {repeated} left out, which the job had before" if repeated else ""
        lines = [f"Taken in: {counted(len(new), 'approach')}{known}.", "", *lines]
    say(
        {"new": new.approach_id.tolist(), "repeated": repeated,
         "pinpoints": records(found.pinpoints)},
        [*lines, "", NO_PROOF],
        [*notices, *found.notices],
        as_json=as_json,
        quiet=quiet,
    )  # fmt: skip


def pinpoint_lines(pinpoints: "Pinpoints") -> list[str]:
    """Pinpoints as a table, with the rule that gave each depth."""
    from gridtools.cli.output import table

    rows = []
    for i in range(len(pinpoints)):
        depth = pinpoints.depth_m[i]
        least = "at least " if pinpoints.basis[i].startswith("at least") else ""
        rows.append(
            (
                pinpoints.candidate_id[i],
                str(pinpoints.approaches[i]),
                f"{pinpoints.semi_major_m[i]:.2f} by {pinpoints.semi_minor_m[i]:.2f} m",
                f"{pinpoints.axis_deg[i]:.0f}",
                "unknown"
                if depth != depth
                else f"{least}{depth:.1f} ± {pinpoints.depth_sd_m[i]:.1f} m",
            )
        )
    lines = table(("candidate", "marks", "90 % ellipse", "along", "depth to top"), rows)
    return [*lines, *dict.fromkeys(f"Depth: {basis}." for basis in pinpoints.basis)]


def _session(sessions: "Sessions", wanted: str) -> str:
    """Session named, else the last one that is not struck out; empty if there is none."""
    from gridtools.errors import MissingError, quote

    if wanted:
        if wanted not in sessions.session_id:
            raise MissingError(f"the job has no session {quote(wanted)}")
        return wanted
    live = sessions.session_id[~sessions.struck]
    return str(live[-1]) if len(live) else ""


def _take_in(
    job: "Job",
    file: str,
    tz: str | None,
    session: str,
    candidates: "Candidates",
    before: "Approaches",
) -> "Taken":
    import numpy as np
    import shapely

    from gridtools.formats.approaches import read_approaches
    from gridtools.formats.files import read_file
    from gridtools.formats.times import time_zone
    from gridtools.layers import Approaches
    from gridtools.targets.approaches import take_in_approaches

    raw = read_approaches(read_file(file), file, job.crs, None if tz is None else time_zone(tz))
    points = np.full(len(raw.kind), shapely.Point(), dtype=np.object_)
    placed = np.isfinite(raw.xy[:, 0])
    points[placed] = shapely.points(raw.xy[placed])
    read = Approaches.build(
        len(raw.kind),
        geometry=points,
        session_id=session,
        candidate_id=raw.candidate_id,
        kind=raw.kind,
        heading_deg=raw.heading_deg,
        distance_m=raw.distance_m,
        start_distance_m=raw.start_distance_m,
        leading_coil=raw.leading_coil,
        placed=raw.placed,
        accuracy_m=raw.accuracy_m,
        time_utc=raw.time,
        note=raw.note,
    )
    taken = take_in_approaches(read, raw.place, candidates, before)
    return taken._replace(notices=[*raw.notices, *taken.notices])
