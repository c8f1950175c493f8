"""``gridtools candidates``: hits weighed by heading."""

import click

from gridtools.cli.options import (
    POSITIVE_LENGTH,
    SIGNED_LENGTH,
    job_argument,
    output_options,
)


@click.command()
@job_argument
@click.option("--sweep-width", type=POSITIVE_LENGTH, help="Sweep width, if not the job's own.")
@click.option(
    "--heading-offset",
    type=SIGNED_LENGTH,
    help="How far along the heading hits are logged late; estimated if not given.",
)
@click.option("--fix-accuracy", type=POSITIVE_LENGTH, help="Standard error of a fix, each axis.")
@output_options
def candidates(
    path: str,
    sweep_width: float | None,
    heading_offset: float | None,
    fix_accuracy: float | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Weigh hits by heading: metal, a change of ground, or unresolved."""
    from gridtools.cli._recording import read_recorded, rules_of
    from gridtools.cli._settings import (
        fix_accuracy_m,
        magnetic_date,
        stale_notices,
        stored,
        sweep_basis,
        wanted,
    )
    from gridtools.cli.output import records, say, table
    from gridtools.coverage.infill import to_walk
    from gridtools.field.hits import responses
    from gridtools.handover.cautions import NO_PROOF, sweep_statement
    from gridtools.job import Job
    from gridtools.layers import (
        Candidates,
        Exclusion,
        Hits,
        Lanes,
        Recheck,
        Runs,
        Sessions,
        Site,
    )
    from gridtools.plan.area import no_go
    from gridtools.targets.candidates import find_candidates
    from gridtools.units import counted, format_length

    with Job.open(path) as job:
        basis = sweep_basis(sweep_width, job)
        sweep_width = wanted(sweep_width, job, "sweep_width_m", "--sweep-width")
        offset = stored(job, "heading_offset_m") if heading_offset is None else heading_offset
        runs, recorded = job.read(Runs), read_recorded(job)
        found = find_candidates(
            runs,
            responses(recorded.walked.hits, runs, recorded.lanes, rules_of(job)),
            lanes=job.read(Lanes),
            sweep_width_m=sweep_width,
            crs=job.metric_crs,
            on=magnetic_date(job),
            previous=job.read(Candidates),
            previous_recheck=job.read(Recheck),
            heading_offset_m=offset,
            position_sigma_m=fix_accuracy_m(fix_accuracy, job),
            no_go=no_go(job.read(Site), job.read(Exclusion)),
        )
        notices = stale_notices(job, "lanes", "runs")
        options = {"sweep_width_m": sweep_width, "fix_accuracy_m": fix_accuracy}
        with job.change(
            "candidates",
            options,
            [Runs, Hits, Lanes, Sessions, "sweep_width_m", "heading_offset_m", "fix_accuracy_m"],
        ) as change:
            change.replace(found.candidates)
            change.replace(found.evidence)
            change.replace(found.edges)
            change.replace(found.recheck)
            change.set("sweep_width_m", sweep_width, "m", basis)
            if heading_offset is not None:
                change.set("heading_offset_m", heading_offset, "m")
            if fix_accuracy is not None:
                change.set("fix_accuracy_m", fix_accuracy, "m")
    layer = found.candidates
    say(
        {
            "candidates": records(layer.take(layer.rank.argsort(kind="stable"))),
            "edges": len(found.edges),
            "recheck": len(to_walk(found.recheck)),
            "heading_offset_m": found.offset.offset_m,
        },
        [
            *table(
                ("candidate", "metal", "verdict", "hits", "crossings", "headings hit", "unwalked"),
                [
                    (
                        layer.candidate_id[i],
                        f"{layer.p_metal[i]:.0%}",
                        layer.verdict[i],
                        str(layer.hits[i]),
                        str(layer.crossings[i]),
                        layer.headings_hit[i],
                        layer.headings_unwalked[i] or "none",
                    )
                    for i in layer.rank.argsort(kind="stable")
                ],
            ),
            "",
            f"{counted(len(found.edges), 'edge')} (hits on one heading only), "
            f"{counted(len(to_walk(found.recheck)), 'recheck lane')}. Heading offset "
            f"{format_length(found.offset.offset_m, sign='+')} ({found.offset.basis}); "
            f"{sweep_statement(sweep_width, basis)}.",
            NO_PROOF,
        ],
        [*notices, *found.notices],
        as_json=as_json,
        quiet=quiet,
    )
