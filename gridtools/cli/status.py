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
    from gridtools.coverage.infill import WALKED, to_walk
    from gridtools.coverage.names import spans
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
    from gridtools.units import counted, format_area, format_duration, format_length

    with Job.open(path) as job:
        runs, sessions, checks = job.read(Runs), job.read(Sessions), job.read(Checks)
        speed = stored(job, "speed_mps") or WALKING_MPS
        name = job.setting("name")
        area = float(job.read(SearchArea).area_m2.sum())
        lanes, infill = job.read(Lanes), job.read(Infill)
        kinds = {
            **{f"pass {n}": lanes.take(lanes.pass_no == n) for n in (1, 2)},
            "infill": Lanes.joined(to_walk(infill)),
            "recheck": Lanes.joined(job.read(Recheck)),
        }
        coverage, found = job.read(Coverage), job.read(Candidates)
        stale, notices = job.stale(), stale_notices(job)
    # What coverage found walked is done, though a run may span a part of the lane only.
    done = {"infill": int((infill.reason == WALKED).sum())}
    progress = {
        kind: lane_progress(layer, runs)
        for kind, layer in kinds.items()
        if len(layer) or done.get(kind)
    }
    for kind, p in progress.items():
        done[kind] = done.get(kind, 0) + int(p.done.sum())
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
                "done": done[kind],
                "short": [str(i) for i in p.lane_id[p.short]],
                "to_walk": [str(i) for i in p.lane_id[p.untouched]],
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
                    str(done[kind]),
                    str(int(p.short.sum())),
                    str(int(p.untouched.sum())),
                    format_length(p.left_m),
                    format_duration(left[kind]) if p.left_m else "none",
                )
                for kind, p in progress.items()
            ],
        ),
        "",
    ]
    for kind, p in progress.items():
        # All lanes of a pass that nobody has begun need no list.
        if p.untouched.any() and not (kind.startswith("pass") and p.untouched.all()):
            lines.append(f"To walk, {kind}: {spans(set(p.lane_id[p.untouched]))}.")
        if p.short.any():
            lines.append(f"Short, {kind}: {spans(set(p.lane_id[p.short]))}.")
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
