"""``gridtools status``: where the job stands."""

import click

from gridtools.cli.options import job_argument, output_options


@click.command()
@job_argument
@output_options
def status(path: str, as_json: bool, quiet: bool) -> None:
    """Say where the job stands: lanes done, short and left, checks, layers out of date."""
    from gridtools.cli._settings import stale_notices, stored
    from gridtools.cli.output import say, table
    from gridtools.coverage.names import spans
    from gridtools.coverage.standing import standing
    from gridtools.field.checks import doubts, failed_checks
    from gridtools.job import Job
    from gridtools.layers import (
        Candidates,
        Checks,
        Coverage,
        Infill,
        Lanes,
        Recheck,
        Runs,
        SearchArea,
        Sessions,
    )
    from gridtools.plan.effort import TURN_SECONDS, WALKING_MPS
    from gridtools.units import counted, format_area, format_duration, format_length

    with Job.open(path) as job:
        runs, sessions, checks = job.read(Runs), job.read(Sessions), job.read(Checks)
        speed = stored(job, "speed_mps") or WALKING_MPS
        name = job.setting("name")
        area = float(job.read(SearchArea).area_m2.sum())
        lanes, infill, recheck = job.read(Lanes), job.read(Infill), job.read(Recheck)
        coverage, found = job.read(Coverage), job.read(Candidates)
        stale, notices = job.stale(), stale_notices(job)
    walking = standing(lanes, infill, recheck, runs, speed_mps=speed)
    failed = failed_checks(sessions, checks)
    made = int((~checks.struck).sum())
    doubtful = doubts(runs, sessions, checks)
    whole = coverage.take(coverage.confidence == "all")
    verdicts = {
        verdict: int((found.verdict == verdict).sum())
        for verdict in ("metal", "ground edge", "unresolved")
    }
    summary = {
        "job": path,
        "search_m2": area,
        "sessions": int((~sessions.struck).sum()),
        "lanes": {
            s.kind: {
                "done": s.done,
                "short": list(s.short),
                "to_walk": list(s.to_walk),
                "left_m": s.left_m,
                "left_s": s.left_s,
            }
            for s in walking
        },
        "covered_percent": dict(zip(whole.part.tolist(), whole.percent.tolist(), strict=True)),
        "candidates": verdicts,
        "failed_checks": failed,
        "doubtful_runs": [run_id for doubt in doubtful for run_id in doubt.run_ids],
        "stale": stale,
    }
    lines = [
        f"{name.text if name else path}: search area {format_area(area)}, "
        f"{counted(len(sessions), 'session')}, {int(sessions.struck.sum())} of them struck.",
        "",
        *table(
            ("lanes", "done", "short", "to walk", "left", "time left"),
            [
                (
                    s.kind,
                    str(s.done),
                    str(len(s.short)),
                    str(len(s.to_walk)),
                    format_length(s.left_m),
                    format_duration(s.left_s) if s.left_s else "none",
                )
                for s in walking
            ],
        ),
        "",
    ]
    for s in walking:
        # All lanes of a pass that nobody has begun need no list.
        if s.to_walk and (s.begun or not s.kind.startswith("pass")):
            lines.append(f"To walk, {s.kind}: {spans(set(s.to_walk))}.")
        if s.short:
            lines.append(f"Short, {s.kind}: {spans(set(s.short))}.")
    outdated = " (out of date: run gridtools coverage)" if "coverage" in stale else ""
    lines += [
        f"Covered by {part}: {percent:.2f} %{outdated}."
        for part, percent in zip(whole.part, whole.percent, strict=True)
    ]
    if len(found):
        lines.append("Candidates: " + ", ".join(f"{n} {v}" for v, n in verdicts.items()) + ".")
    failures = f"{len(failed)} failed: {', '.join(failed)}" if failed else "none failed"
    lines += [
        f"Checks: {counted(made, 'check')} made, {failures}." if made else "Checks: none made.",
        "To walk: no accepted run on the lane. Short: accepted runs span only a part of it; where "
        "that left a gap, coverage lays an infill lane.",
        f"Time left is walking at {speed:g} m/s with {TURN_SECONDS:g} s for each lane begun.",
    ]
    say(
        summary,
        lines,
        [*notices, *(doubt.sentence for doubt in doubtful)],
        as_json=as_json,
        quiet=quiet,
    )
