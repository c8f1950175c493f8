"""``gridtools send``: layers for GPS units, total stations, CAD and web maps."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

import click

from gridtools.cli.options import POSITIVE_LENGTH, job_argument, output_options

if TYPE_CHECKING:
    from gridtools.columns import Layer
    from gridtools.job import Job
    from gridtools.layers import Lanes

LINES = ("lanes", "infill", "recheck")
POINTS = ("control", "pegs", "hits", "candidates", "pinpoints", "digs", "dig_pegs", "outcomes")
#: Layers that only drawings and maps can hold.
OTHERS = (
    "site", "exclusion", "interference", "search_area", "runs", "covered", "gaps", "evidence",
    "edges",
)  # fmt: skip
#: Formats by the end of a file's name.
FORMATS = {".gpx": "GPX", ".kml": "KML", ".geojson": "GeoJSON", ".dxf": "DXF", ".csv": "CSV"}


@click.command()
@job_argument
@click.argument("out", metavar="OUT")
@click.option(
    "--layer",
    "names",
    type=click.Choice(LINES + POINTS + OTHERS),
    multiple=True,
    default=("lanes",),
    show_default="lanes",
    help="KML, GeoJSON and DXF take several.",
)
@click.option(
    "--all",
    "all_digs",
    is_flag=True,
    help="digs: also those on hold, not picked, dug, dropped or gone, named so.",
)
@click.option("--pass", "pass_no", type=click.IntRange(1, 2), help="Send one pass only.")
@click.option(
    "--as",
    "as_",
    type=click.Choice(["routes", "tracks", "waypoints"]),
    help="GPX: how lanes are written, as routes if not given; points are always waypoints.",
)
@click.option("--join", is_flag=True, help="GPX: one route or track through all lanes.")
@click.option("--max-points", type=click.IntRange(2), help="GPX: points that a route may have.")
@click.option("--max-name", type=click.IntRange(1), help="GPX: characters that a name may have.")
@click.option(
    "--fix-accuracy",
    type=POSITIVE_LENGTH,
    help="Standard error of a fix, each axis, to check that the unit can hold the lane spacing.",
)
@click.option(
    "--order",
    metavar="LETTERS",
    help="CSV: P point, N northing, E easting, Z height, D description; PNEZD if not given.",
)
@click.option("--no-titles", is_flag=True, help="CSV: no row of titles, which states the CRS.")
@click.option("--number-from", type=click.IntRange(0), help="CSV: number the points from this on.")
@output_options
def send(
    path: str,
    out: str,
    names: tuple[str, ...],
    all_digs: bool,
    pass_no: int | None,
    as_: str | None,
    join: bool,
    max_points: int | None,
    max_name: int | None,
    fix_accuracy: float | None,
    order: str | None,
    no_titles: bool,
    number_from: int | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Write layers for another instrument or program; the end of OUT tells the format.

    .gpx for a GPS unit, in walking order; .csv as a point list for a total station or rover;
    .dxf for CAD; .kml and .geojson for maps. GPX, KML and GeoJSON are in longitude and latitude
    on WGS 84, CSV and DXF in the CRS of the job.
    """
    from pathlib import Path

    from gridtools.cli._settings import stale_notices
    from gridtools.cli.output import say
    from gridtools.errors import InputError, RefusedError
    from gridtools.formats.files import read_file, write_files
    from gridtools.formats.send import digs_to_send
    from gridtools.job import Job
    from gridtools.layers import ALL_LAYERS, Digs
    from gridtools.units import counted

    suffix = Path(out).suffix.lower()
    if suffix not in FORMATS:
        raise InputError(f"{out}: the name of what is sent ends in {', '.join(FORMATS)}")
    gpx = {"--as": as_, "--join": join, "--max-points": max_points, "--max-name": max_name}
    csv = {"--order": order, "--no-titles": no_titles, "--number-from": number_from}
    _check_options(names, suffix, gpx, csv, pass_no)
    if all_digs and "digs" not in names:
        raise click.UsageError("--all goes with --layer digs")
    kinds = {layer.table: layer for layer in ALL_LAYERS}
    with Job.open(path) as job:
        name = job.setting("name")
        title = f"{name.text if name else job.path.stem}: {', '.join(names)}"
        notices = stale_notices(job, *names)
        layers = [_of_pass(job.read(kinds[layer]), pass_no) for layer in names]
        for i, layer in enumerate(layers):
            if isinstance(layer, Digs) and len(layer):
                checked = job.setting("digs_checked_on")
                layers[i] = ready = digs_to_send(
                    layer, everything=all_digs, checked_on=checked.text if checked else ""
                )
                if left := len(layer) - len(ready):
                    notices.append(
                        f"{counted(left, 'dig')} that are not ready are left out: "
                        "--all sends them too, named so"
                    )
                if not len(ready) and len(layers) == 1:
                    raise InputError("no dig is ready: --all sends those on hold too, named so")
        empty = [layer.table for layer in layers if not len(layer)]
        if len(empty) == len(layers):
            raise InputError(f"there are no {' and no '.join(empty)} to send")
        notices += [f"there are no {table} to send" for table in empty]
        for i, layer in enumerate(layers):
            if layer.table in LINES:
                layers[i], more = _lanes_to_send(job, layer, fix_accuracy)
                notices += more
        if suffix == ".gpx":
            sent = _gpx(job, layers[0], title, as_, join, max_points, max_name)
        elif suffix == ".csv":
            sent = _csv(job, layers[0], order or "PNEZD", not no_titles, number_from)
        else:
            sent = _drawing(job, layers, suffix, title)
    target = Path(out)
    if target.exists() and sent.mark not in read_file(target)[:1000]:
        raise RefusedError(
            f"{out} was not written by gridtools and may be a log of a walk: choose another name"
            if suffix in (".gpx", ".csv")
            else f"{out} was not written by gridtools: choose another name"
        )
    write_files(target.parent, {target.name: sent.data})
    say(
        {"file": out, **sent.summary, "crs": sent.crs},
        [f"Wrote {out}: {sent.what}, in {sent.crs}."],
        [*notices, *sent.notices],
        as_json=as_json,
        quiet=quiet,
    )


def _check_options(
    names: tuple[str, ...],
    suffix: str,
    gpx: Mapping[str, object],
    csv: Mapping[str, object],
    pass_no: int | None,
) -> None:
    """Refuse options that do not fit the format or the layers, each named."""
    for options, end in ((gpx, ".gpx"), (csv, ".csv")):
        given = [option for option, value in options.items() if value not in (None, False)]
        if given and suffix != end:
            raise click.UsageError(f"{' and '.join(given)} cannot go with {suffix}: for {end} only")
    if suffix in (".gpx", ".csv"):
        if len(names) > 1:
            raise click.UsageError(f"{suffix} takes one --layer")
        if names[0] in OTHERS:
            raise click.UsageError(
                f"--layer {names[0]} cannot go with {suffix}: send it as .kml, .geojson or .dxf"
            )
    unfit: dict[str, object] = {}
    for name in names:
        if name == "recheck":
            unfit = {"--pass": pass_no}
        elif name in POINTS:
            unfit = {"--as": gpx["--as"], "--pass": pass_no, "--join": gpx["--join"]}
            unfit |= {"--max-points": gpx["--max-points"]}
        if given := [option for option, value in unfit.items() if value]:
            why = "its lanes belong to no pass" if name == "recheck" else "points go as waypoints"
            raise click.UsageError(f"{' and '.join(given)} cannot go with --layer {name}: {why}")


def _of_pass(layer: "Layer", pass_no: int | None) -> "Layer":
    passes = getattr(layer, "pass_no", None)
    return layer if pass_no is None or passes is None else layer.take(passes == pass_no)


def _lanes_to_send(
    job: "Job", layer: "Layer", fix_accuracy: float | None
) -> tuple["Lanes", list[str]]:
    """Lanes still to walk, with what the walker should know of them."""
    from typing import cast

    from gridtools.cli._settings import fix_accuracy_m, stored
    from gridtools.coverage.infill import to_walk
    from gridtools.field.accuracy import spacing_notices
    from gridtools.layers import Exclusion, Infill, Recheck, Site
    from gridtools.plan.area import entering_notices, no_go

    lanes = cast("Lanes", layer)
    if isinstance(lanes, Infill):
        lanes = to_walk(lanes)
    if isinstance(lanes, Recheck):
        lanes = to_walk(lanes)
    notices = entering_notices(lanes, no_go(job.read(Site), job.read(Exclusion)))
    spacing = stored(job, "lane_spacing_m")
    return lanes, [*notices, *spacing_notices(spacing, fix_accuracy_m(fix_accuracy, job))]


class _Sent(NamedTuple):
    """A file's bytes, what files of ours of its format hold, and what to say of it."""

    data: bytes
    mark: bytes
    what: str
    crs: str
    summary: dict[str, object]
    notices: tuple[str, ...] = ()


def _gpx(
    job: "Job",
    layer: "Layer",
    title: str,
    as_: str | None,
    join: bool,
    max_points: int | None,
    max_name: int | None,
) -> _Sent:
    """Lanes as routes, tracks or waypoints; points as waypoints."""
    from typing import cast

    import shapely

    from gridtools.errors import InputError
    from gridtools.formats.features import dig_words, geometry_of, names_of
    from gridtools.formats.send import GPX_MARK, As, send_lanes, send_points
    from gridtools.layers import Digs, Lanes
    from gridtools.units import counted

    if isinstance(layer, Lanes):
        sent = send_lanes(
            layer,
            crs=job.metric_crs,
            as_=cast("As", as_ or "routes"),
            join=join,
            max_points=max_points,
            max_name=max_name,
            title=title,
        )
    else:
        names = names_of(layer)
        if isinstance(layer, Digs) and max_name is not None:
            longest = max((len(name) for name in names if " " in name), default=0)
            if longest > max_name:
                raise InputError(
                    f"names say which digs are not ready: allow at least {longest} characters"
                )
        sent = send_points(
            names,
            shapely.get_coordinates(geometry_of(layer)),
            crs=job.metric_crs,
            kind=layer.table,
            descs=dig_words(layer) if isinstance(layer, Digs) else None,
            max_name=max_name,
            title=title,
        )
    made = {"route": sent.routes, "track": sent.tracks, "waypoint": sent.waypoints}
    what = ", ".join(counted(number, kind) for kind, number in made.items() if number)
    summary: dict[str, object] = {f"{kind}s": number for kind, number in made.items()}
    return _Sent(sent.data, GPX_MARK, what, "WGS 84", summary, sent.notices)


def _csv(job: "Job", layer: "Layer", order: str, titles: bool, number_from: int | None) -> _Sent:
    """Points, or both ends of each lane, as a point list."""
    from gridtools.formats.point_list import OWN_MARK, write_points
    from gridtools.units import counted

    sent = write_points(
        layer,
        job.crs,
        job.metres_per_unit,
        order=order,
        titles=titles,
        number_from=number_from,
    )
    what = counted(sent.points, "point")
    return _Sent(sent.data, OWN_MARK, what, _job_crs(job), {"points": sent.points})


def _drawing(job: "Job", layers: Sequence["Layer"], suffix: str, title: str) -> _Sent:
    """Layers for CAD or a map."""
    from gridtools.formats import dxf, geojson, kml

    counts = {layer.table: len(layer) for layer in layers}
    what = ", ".join(
        f"{count:,} in {table.replace('_', ' ')}" for table, count in counts.items() if count
    )
    summary: dict[str, object] = {"layers": counts}
    if suffix == ".dxf":
        data = dxf.write_dxf(layers, job.crs, job.metres_per_unit)
        return _Sent(data, dxf.OWN_MARK, what, _job_crs(job), summary)
    if suffix == ".kml":
        data = kml.write_kml(layers, job.metric_crs, title=title)
        return _Sent(data, kml.OWN_MARK, what, "WGS 84", summary)
    data = geojson.write_geojson(layers, job.metric_crs, title=title)
    return _Sent(data, geojson.OWN_MARK, what, "WGS 84", summary)


def _job_crs(job: "Job") -> str:
    code = job.crs.to_authority()
    stated = f" ({':'.join(code)})" if code else ""
    return f"{job.crs.name}{stated} in {job.crs.axis_info[0].unit_name}"
