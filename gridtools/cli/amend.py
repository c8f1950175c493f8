"""``gridtools amend``: strikes out or corrects what was taken in, with a reason."""

import click

from gridtools.cli.options import POSITIVE_LENGTH, SIGNED_LENGTH, job_argument, output_options


@click.command()
@job_argument
@click.argument("row_id", metavar="ID")
@click.option("--reason", required=True, metavar="TEXT", help="Why; it is kept with the row.")
@click.option("--strike", is_flag=True, help="Strike the row out: it stays, but counts no more.")
@click.option("--operator", metavar="TEXT", help="Say who walked a session.")
@click.option("--instrument", metavar="TEXT", help="Say which instrument and set-up a session had.")
@click.option(
    "--tuning",
    type=click.Choice(["motion", "static"]),
    help="Say how the instrument of a session was tuned.",
)
@click.option(
    "--positions",
    type=click.Choice(["gps", "lane"]),
    help="Say whether GPS or the lane gives the positions of a session.",
)
@click.option(
    "--ahead",
    "ahead_m",
    type=SIGNED_LENGTH,
    help="Say how far the coil midpoint of a session was ahead of the antenna.",
)
@click.option(
    "--right",
    "right_m",
    type=SIGNED_LENGTH,
    help="Say how far the coil midpoint of a session was to the right of the antenna.",
)
@click.option(
    "--fix-accuracy",
    "accuracy_m",
    type=POSITIVE_LENGTH,
    help="Set the standard error of the fixes of a session, each axis.",
)
@click.option(
    "--part",
    type=click.Choice(["start", "peak", "end"]),
    help="Say which part of a response a hit is.",
)
@click.option("--strength", type=float, help="Set the strength of a hit.")
@click.option(
    "--passed",
    type=click.Choice(["pass", "fail"]),
    help="Say how a check went.",
)
@output_options
def amend(
    path: str,
    row_id: str,
    reason: str,
    strike: bool,
    as_json: bool,
    quiet: bool,
    **values: str | float | None,
) -> None:
    """Strike out or correct a session (S001), run (S001-0004), hit (H0012) or check (K001).

    Approaches (A001), outcomes (O001) and permits (P001) can be struck out. Nothing is erased: the
    row, its old value and the reason stay. Runs and hits are worked out again at once.
    """
    from gridtools.cli._recording import (
        read_recorded,
        rules_of,
        run_lines,
        runs_made_from,
        write_derived,
    )
    from gridtools.cli.output import say
    from gridtools.field.amend import HIT_FIELDS, SESSION_FIELDS, amended
    from gridtools.field.derive import derive
    from gridtools.job import Job
    from gridtools.layers import Runs

    given = {name: value for name, value in values.items() if value is not None}
    if "passed" in given:
        given["passed"] = given["passed"] == "pass"
    if strike == bool(given):
        raise click.UsageError("give either --strike or what to correct")
    if row_id[:1] in ("A", "O", "P"):
        if not strike:
            raise click.UsageError(
                f"{row_id} can only be struck out: enter it again as it should be"
            )
        _strike_out(path, row_id, reason)
        struck = {"id": row_id, "struck": True}
        say(struck, [f"{row_id} struck out: {reason}"], as_json=as_json, quiet=quiet)
        return
    with Job.open(path) as job:
        before = read_recorded(job)
        walk = amended(before.walked, job.read(Runs), before.lanes, row_id, reason, given)
        derived = derive(
            before.lanes,
            walk.sessions,
            walk.checks,
            walk.fixes,
            walk.tape,
            walk.hits,
            rules_of(job),
        )
        options = {"id": row_id, "reason": reason, "strike": strike, **given}
        with job.change("amend", options, runs_made_from()) as change:
            change.update(walk.sessions, (*SESSION_FIELDS, "struck", "note"))
            change.update(walk.hits, (*HIT_FIELDS, "struck", "note"))
            change.update(walk.checks, ("passed", "struck", "note"))
            change.update(walk.fixes, ("struck",))
            change.update(walk.tape, ("struck",))
            write_derived(change, derived, before)
    runs, lines = run_lines(derived)
    say(
        {"id": row_id, "struck": strike, "corrected": given, "runs": runs},
        [f"{row_id} {'struck out' if strike else 'corrected'}: {reason}", "", *lines],
        derived.notices,
        as_json=as_json,
        quiet=quiet,
    )


def _strike_out(path: str, row_id: str, reason: str) -> None:
    """Strike out an approach, outcome or permit; a dig with no outcome left is open again."""
    import numpy as np

    from gridtools.job import Job
    from gridtools.layers import Approaches, Candidates, Digs, Outcomes, Permits
    from gridtools.targets.outcomes import struck_out

    options = {"id": row_id, "reason": reason, "strike": True}
    with Job.open(path) as job:
        if row_id[:1] in ("A", "P"):
            rows = (
                struck_out(job.read(Approaches), row_id, reason)
                if row_id.startswith("A")
                else struck_out(job.read(Permits), row_id, reason)
            )
            with job.change("amend", options) as change:
                change.update(rows, ("struck", "note"))
            return
        outcomes = struck_out(job.read(Outcomes), row_id, reason)
        dig = outcomes.dig_id[outcomes.outcome_id == row_id][0]
        left = (outcomes.dig_id == dig) & ~outcomes.struck
        digs, candidates = job.read(Digs), job.read(Candidates)
        again = (digs.dig_id == dig) & (digs.status == "dug") & ~left.any()
        freed = np.isin(candidates.candidate_id, digs.candidate_id[again])
        freed &= candidates.status == "dug"
        with job.change("amend", options) as change:
            change.update(outcomes, ("struck", "note"))
            change.update(digs.take(again).with_columns(status="open"), ("status",))
            change.update(candidates.take(freed).with_columns(status="open"), ("status",))
