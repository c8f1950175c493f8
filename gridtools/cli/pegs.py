"""``gridtools pegs``: what to set out with tape."""

import click

from gridtools.cli.options import POSITIVE_LENGTH, FiniteRange, job_argument, output_options


@click.command()
@job_argument
@click.option(
    "--tape",
    type=POSITIVE_LENGTH,
    default="50m",
    show_default=True,
    help="Length of the tape: longer lines get intermediate pegs.",
)
@click.option(
    "--slope",
    type=FiniteRange(0.0, 45.0),
    default=0.0,
    help="Slope of the ground in degrees: readings are then along the slope.",
)
@click.option(
    "--fall",
    type=FiniteRange(0.0, 360.0),
    help="Bearing of the steepest fall; without it every line is taken to lie along the slope.",
)
@output_options
def pegs(
    path: str, tape: float, slope: float, fall: float | None, as_json: bool, quiet: bool
) -> None:
    """Work out pegs, baselines and checks for a team without GPS."""
    from dataclasses import asdict

    import shapely

    from gridtools.cli._settings import stale_notices
    from gridtools.cli.output import say, table
    from gridtools.geodesy import scale_factor
    from gridtools.job import Job
    from gridtools.layers import Control, Lanes, Site
    from gridtools.plan.pegs import TapeLine, set_out
    from gridtools.units import counted, format_length

    with Job.open(path) as job:
        site = shapely.union_all(job.read(Site).geometry)
        scale = scale_factor(job.metric_crs, site.centroid.x, site.centroid.y)
        pegging = set_out(
            job.read(Lanes),
            job.read(Control),
            tape_m=tape,
            slope_deg=slope,
            fall_bearing_deg=fall,
            grid_scale=float(scale[0]),
            site=site,
        )
        notices = stale_notices(job, "lanes")
        options = {"tape_m": tape, "slope_deg": slope, "fall_bearing_deg": fall}
        with job.change("pegs", options, [Lanes, Control]) as change:
            change.replace(pegging.pegs)

    def rows(kind: str, lines: tuple[TapeLine, ...]) -> list[tuple[str, ...]]:
        return [
            (f"{kind} {line.from_peg} to {line.to_peg}", format_length(line.length_m),
             format_length(line.tape_m))
            for line in lines
        ]  # fmt: skip

    fit = pegging.conformal
    say(
        {
            "pegs": len(pegging.pegs),
            "baselines": [asdict(line) for line in pegging.baselines],
            "diagonals": [asdict(line) for line in pegging.diagonals],
            "ties": [asdict(line) for line in pegging.ties],
            "local_grid": {"scale": fit.scale, "rotation_deg": fit.rotation_deg},
            "residuals": [asdict(residual) for residual in pegging.residuals],
        },
        [
            f"{counted(len(pegging.pegs), 'peg')} in layer pegs.",
            "",
            *table(
                ("line", "length", "tape reads"),
                [
                    *rows("baseline", pegging.baselines),
                    *rows("diagonal", pegging.diagonals),
                    *rows("tie", pegging.ties),
                ],
            ),
            "",
            "Measure both diagonals before anything else: the frame is square where they agree.",
            *(
                f"Mark {r.mark} is {format_length(r.east_m, 3, '+')} east, "
                f"{format_length(r.north_m, 3, '+')} north of where its "
                "local coordinates put it."
                for r in pegging.residuals
            ),
        ],
        [*notices, *pegging.notices],
        as_json=as_json,
        quiet=quiet,
    )
