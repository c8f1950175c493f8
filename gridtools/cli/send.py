"""``gridtools send``: lanes and points for a GPS unit."""

import click

from gridtools.cli.options import POSITIVE_LENGTH, job_argument, output_options

LINES = ("lanes", "infill", "recheck")
POINTS = ("pegs", "candidates", "digs")
#: What every GPX file of ours begins with, and no log of a GPS unit does.
OWN_MARK = b'creator="gridtools"'


@click.command()
@job_argument
@click.argument("out", metavar="OUT.gpx")
@click.option("--layer", type=click.Choice(LINES + POINTS), default="lanes", show_default=True)
@click.option("--pass", "pass_no", type=click.IntRange(1, 2), help="Send one pass only.")
@click.option(
    "--as",
    "as_",
    type=click.Choice(["routes", "tracks", "waypoints"]),
    help="How lanes are written, as routes if not given; points are always waypoints.",
)
@click.option("--join", is_flag=True, help="One route or track through all lanes.")
@click.option("--max-points", type=click.IntRange(2), help="Points that a route may have.")
@click.option("--max-name", type=click.IntRange(1), help="Characters that a name may have.")
@click.option(
    "--fix-accuracy",
    type=POSITIVE_LENGTH,
    help="Standard error of a fix, each axis, to check that the unit can hold the lane spacing.",
)
@output_options
def send(
    path: str,
    out: str,
    layer: str,
    pass_no: int | None,
    as_: str | None,
    join: bool,
    max_points: int | None,
    max_name: int | None,
    fix_accuracy: float | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Write lanes, pegs, candidates or digs as GPX 1.1, in walking order."""
    from pathlib import Path
    from typing import cast

    import shapely

    from gridtools.cli._settings import fix_accuracy_m, stale_notices, stored
    from gridtools.cli.output import say
    from gridtools.coverage.infill import to_walk
    from gridtools.errors import InputError, RefusedError
    from gridtools.field.accuracy import spacing_notices
    from gridtools.formats.files import read_file, write_files
    from gridtools.formats.send import As, send_lanes, send_points
    from gridtools.job import Job
    from gridtools.layers import Candidates, Digs, Exclusion, Infill, Lanes, Pegs, Recheck, Site
    from gridtools.plan.area import entering_notices, no_go
    from gridtools.units import counted

    if Path(out).suffix.lower() != ".gpx":
        raise InputError(f"{out}: the name of what is sent ends in .gpx")
    unfit = {"--as": as_, "--pass": pass_no, "--join": join, "--max-points": max_points}
    if layer in LINES:
        unfit = {"--pass": pass_no} if layer == "recheck" else {}
    if named := [option for option, value in unfit.items() if value]:
        why = "its lanes belong to no pass" if layer == "recheck" else "points go as waypoints"
        raise click.UsageError(f"{' and '.join(named)} cannot go with --layer {layer}: {why}")
    lines: dict[str, type[Lanes]] = {kind.table: kind for kind in (Lanes, Infill, Recheck)}
    points = {kind.table: kind for kind in (Pegs, Candidates, Digs)}
    with Job.open(path) as job:
        name = job.setting("name")
        title = f"{name.text if name else job.path.stem}: {layer}"
        notices = stale_notices(job, layer)
        if layer in lines:
            lanes = job.read(lines[layer])
            if isinstance(lanes, Infill):
                lanes = to_walk(lanes)
            if pass_no is not None:
                lanes = lanes.take(lanes.pass_no == pass_no)
            notices += entering_notices(lanes, no_go(job.read(Site), job.read(Exclusion)))
            notices += spacing_notices(
                stored(job, "lane_spacing_m"), fix_accuracy_m(fix_accuracy, job)
            )
            sent = send_lanes(
                lanes,
                crs=job.metric_crs,
                as_=cast(As, as_ or "routes"),
                join=join,
                max_points=max_points,
                max_name=max_name,
                title=title,
            )
        else:
            rows = job.read(points[layer])
            sent = send_points(
                getattr(rows, str(rows.id_column)).tolist(),
                shapely.get_coordinates(getattr(rows, "geometry")),  # noqa: B009 - mixed layers
                crs=job.metric_crs,
                kind=layer,
                max_name=max_name,
                title=title,
            )
    target = Path(out)
    if target.exists() and OWN_MARK not in read_file(target)[:1000]:
        raise RefusedError(
            f"{out} was not written by gridtools and may be a log of a walk: choose another name"
        )
    write_files(target.parent, {target.name: sent.data})
    kinds = (("route", sent.routes), ("track", sent.tracks), ("waypoint", sent.waypoints))
    what = ", ".join(counted(number, kind) for kind, number in kinds if number)
    say(
        {
            "file": out,
            "routes": sent.routes,
            "tracks": sent.tracks,
            "waypoints": sent.waypoints,
        },
        [f"Wrote {out}: {what}."],
        [*notices, *sent.notices],
        as_json=as_json,
        quiet=quiet,
    )
