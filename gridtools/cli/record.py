"""``gridtools record``: takes in logs of the walk, and works out runs and hits."""

from typing import Any

import click

from gridtools.cli.options import (
    POSITIVE_LENGTH,
    SIGNED_LENGTH,
    FiniteRange,
    job_argument,
    output_options,
)

CHECKS = {"pass": True, "fail": False, None: None}


class _Check(click.ParamType[tuple[str, str, bool]]):
    """Kind, time as text, and whether it passed."""

    name = "kind,time,pass|fail"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, str, bool]:
        kind, _, rest = str(value).partition(",")
        time, _, result = rest.rpartition(",")
        if kind not in ("function", "ground") or result not in ("pass", "fail") or not time:
            self.fail(
                f"{value!r} is not a check as in function,2026-06-01T11:30,pass or "
                "ground,2026-06-01T11:30,fail",
                param,
                ctx,
            )
        return kind, time, result == "pass"


@click.command()
@job_argument
@click.argument("files", metavar="[FILE]...", nargs=-1)
@click.option(
    "--session",
    metavar="TEXT",
    default="",
    help="A remark on the outing, kept in the note of its session. Without a FILE, the session "
    "that --check is about: S001.",
)
@click.option("--operator", metavar="TEXT", default="", help="Who walked.")
@click.option("--instrument", metavar="TEXT", default="", help="Instrument and its set-up.")
@click.option(
    "--tuning",
    type=click.Choice(["motion", "static"]),
    default="motion",
    show_default=True,
    help="Motion: the instrument retunes by itself, so a response fades when the walker stands.",
)
@click.option(
    "--check-start",
    type=click.Choice(["pass", "fail"]),
    help="How the function check before the walk went.",
)
@click.option(
    "--check-finish",
    type=click.Choice(["pass", "fail"]),
    help="How the function check after the walk went.",
)
@click.option(
    "--check",
    "stated",
    type=_Check(),
    metavar="KIND,TIME,pass|fail",
    multiple=True,
    help="A function or ground check at any time, as function,2026-06-01T11:30,pass; may be given "
    "several times. Without a FILE it is added to a --session taken in before.",
)
@click.option(
    "--positions",
    type=click.Choice(["gps", "lane"]),
    default="gps",
    show_default=True,
    help="Lane: the walker states the lane, which fixes the position; GPS tells time and progress.",
)
@click.option(
    "--hits",
    "hits_from",
    metavar="auto|all|none|KEY=TEXT",
    default="auto",
    show_default=True,
    help="Waypoints of a GPX file that are hits: those with a time, inside the site and during "
    "the walk; all with a time; none; or those of one name, type or sym.",
)
@click.option(
    "--again",
    is_flag=True,
    help="Take in once more what was struck out with its session, as after a wrong --tz.",
)
@click.option("--ahead", type=SIGNED_LENGTH, default=0.0, help="Coil midpoint ahead of antenna.")
@click.option("--right", type=SIGNED_LENGTH, default=0.0, help="Coil midpoint right of antenna.")
@click.option("--fix-accuracy", type=POSITIVE_LENGTH, help="Standard error of a fix, each axis.")
@click.option("--tz", metavar="ZONE", help="Time zone of times that state none: Europe/Lisbon.")
@click.option(
    "--min-speed",
    type=FiniteRange(0.0, min_open=True),
    help="Slower is standing, in metres a second (0.3 unless set before).",
)
@click.option(
    "--max-speed",
    type=FiniteRange(0.0, min_open=True),
    help="Faster does not count, in metres a second (2 unless set before).",
)
@output_options
def record(
    path: str,
    files: tuple[str, ...],
    session: str,
    operator: str,
    instrument: str,
    tuning: str,
    check_start: str | None,
    check_finish: str | None,
    stated: tuple[tuple[str, str, bool], ...],
    positions: str,
    hits_from: str,
    again: bool,
    ahead: float,
    right: float,
    fix_accuracy: float | None,
    tz: str | None,
    min_speed: float | None,
    max_speed: float | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Take in GPX or CSV logs, or tape notes, one outing each; work out runs and hits.

    Without a file it works out runs and hits again from what was taken in.
    """
    from dataclasses import asdict

    from gridtools.cli._recording import (
        add_checks,
        read_checks,
        read_recorded,
        rules_of,
        run_lines,
        runs_made_from,
        take_in_files,
        write_derived,
        write_taken,
    )
    from gridtools.cli._settings import stale_notices
    from gridtools.cli.output import say
    from gridtools.field.derive import derive
    from gridtools.field.outing import Outing
    from gridtools.job import Job
    from gridtools.units import counted

    if not files and (check_start or check_finish):
        raise click.UsageError(
            "--check-start and --check-finish go with a FILE; for a session taken in before give "
            "--session and --check"
        )
    if not files and bool(session) != bool(stated):
        raise click.UsageError("without a FILE, give --session and --check together, or neither")
    checks = read_checks(stated, tz)

    def outing(log_id: str) -> Outing:
        return Outing(
            log_id=log_id,
            operator=operator,
            instrument=instrument,
            tuning=tuning,
            positions=positions,
            ahead_m=ahead,
            right_m=right,
            accuracy_m=float("nan") if fix_accuracy is None else fix_accuracy,
            check_start=CHECKS[check_start],
            check_finish=CHECKS[check_finish],
            checks=checks,
            note=session,
        )

    speeds = {"min_speed_mps": min_speed, "max_speed_mps": max_speed}
    with Job.open(path) as job:
        rules = rules_of(job, **speeds)
        before = read_recorded(job)
        if files:
            taken = take_in_files(
                job, files, outing, before, rules, checks, tz=tz, hits=hits_from, again=again
            )
        else:
            taken = add_checks(before, session, checks)
        walk = before.walked.plus(taken.new)
        derived = derive(
            before.lanes, walk.sessions, walk.checks, walk.fixes, walk.tape, walk.hits, rules
        )
        notices = stale_notices(job, "lanes")
        if not len(before.lanes):
            notices.append(
                "the job has no lanes yet, so nothing counts as walked: plan them, "
                "then run record again without a file"
            )
        options = {
            "files": files,
            "checks": stated,
            "positions": positions,
            "hits": hits_from,
            "tz": tz,
            "again": again,
        }
        with job.change("record", options, runs_made_from()) as change:
            write_derived(change, derived, before)
            write_taken(change, taken, derived, before)
            for key, value in speeds.items():
                if value is not None:
                    change.set(key, value, "m/s")
    counts = taken.counts
    repeated = counts.repeated_fixes + counts.repeated_hits + counts.repeated_tape
    runs, lines = run_lines(derived)
    say(
        {
            "sessions": taken.new.sessions.session_id.tolist(),
            "checks": taken.new.checks.check_id.tolist(),
            "new": asdict(counts),
            "runs": runs,
        },
        [
            f"Taken in: {counted(counts.fixes, 'fix')}, {counted(counts.hits, 'hit')}, "
            f"{counted(counts.tape, 'tape row')}, {counted(len(taken.new.checks), 'check')}"
            + (f"; {repeated} left out, which the job had before." if repeated else "."),
            "",
            *lines,
        ],
        [*notices, *taken.notices, *derived.notices],
        as_json=as_json,
        quiet=quiet,
    )
