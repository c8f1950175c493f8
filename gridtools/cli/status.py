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
    from gridtools.coverage.progress import lane_progress
    from gridtools.field.checks import doubts
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
    from gridtools.plan.effort import TURN_SECONDS, WALKING_MPS, walking_seconds
    from gridtools.units import counted, format_area, format_duration, format_length, listed

    with Job.open(path) as job:
        runs, sessions, checks = job.read(Runs), job.read(Sessions), job.read(Checks)
        speed = stored(job, "speed_mps") or WALKING_MPS
        name = job.setting("name")
        area = float(job.read(SearchArea).area_m2.sum())
        lanes = job.read(Lanes)
        kinds = {
            **{f"pass {n}": lanes.take(lanes.pass_no == n) for n in (1, 2)},
            "infill": Lanes.joined(job.read(Infill)),
            "recheck": Lanes.joined(job.read(Recheck)),
        }
        coverage, found = job.read(Coverage), job.read(Candidates)
        stale, notices = job.stale(), stale_notices(job)
    progress = {kind: lane_progress(layer, runs) for kind, layer in kinds.items() if len(layer)}
    left = {
        kind: walking_seconds(p.left_m, 0.0, int((~p.done).sum()), speed)
        for kind, p in progress.items()
    }
    struck = set(sessions.session_id[sessions.struck])
    failed = [
        f"{checks.session_id[i]} {checks.kind[i]} check {checks.check_id[i]}"
        for i in range(len(checks))
        if not (checks.passed[i] or checks.struck[i] or checks.session_id[i] in struck)
    ]
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
            kind: {
                "done": int(p.done.sum()),
                "short": [str(i) for i in p.lane_id[p.short]],
                "to_walk": [str(i) for i in p.lane_id[p.walked_m == 0]],
                "left_m": p.left_m,
                "left_s": left[kind],
            }
            for kind, p in progress.items()
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
                    kind,
                    str(int(p.done.sum())),
                    str(int(p.short.sum())),
                    str(int((p.walked_m == 0).sum())),
                    format_length(p.left_m),
                    format_duration(left[kind]) if p.left_m else "none",
                )
                for kind, p in progress.items()
            ],
        ),
        "",
    ]
    for kind, p in progress.items():
        if p.done.any() and not p.done.all():
            lines.append(f"To walk, {kind}: {listed(p.lane_id[~p.done].tolist(), 12)}.")
    outdated = " (out of date: run gridtools coverage)" if "coverage" in stale else ""
    lines += [
        f"Covered by {part}: {percent:.2f} %{outdated}."
        for part, percent in zip(whole.part, whole.percent, strict=True)
    ]
    if len(found):
        lines.append("Candidates: " + ", ".join(f"{n} {v}" for v, n in verdicts.items()) + ".")
    lines.append(f"Failed checks: {', '.join(failed) or 'none'}, of {counted(made, 'check')} made.")
    lines.append(
        f"Time left is walking at {speed:g} m/s with {TURN_SECONDS:g} s for each lane begun."
    )
    say(
        summary,
        lines,
        [*notices, *(doubt.sentence for doubt in doubtful)],
        as_json=as_json,
        quiet=quiet,
    )
