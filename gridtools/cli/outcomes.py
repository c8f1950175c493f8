"""``gridtools outcomes``: what came out, and what it teaches."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from gridtools.cli.options import job_argument, output_options

if TYPE_CHECKING:
    from gridtools.formats.outcomes import RawOutcome
    from gridtools.job import Job
    from gridtools.layers import Digs, Outcomes


@click.command()
@job_argument
@click.argument("files", metavar="[FILE]...", nargs=-1)
@click.option("--tz", metavar="ZONE", help="Zone of times that state none, as in Europe/Berlin.")
@output_options
def outcomes(path: str, files: tuple[str, ...], tz: str | None, as_json: bool, quiet: bool) -> None:
    """Take in what came out, as CSV or GPX, and learn from it.

    One row for each lift: dig, found (or nothing), metal, depth to the top, length, width, height,
    dug_to, material, recheck (quiet or responds), time, note; the place as x,y, lon,lat or
    offset,offset_deg from the centre. Lengths take units. Without a file it says what the outcomes
    so far teach.
    """
    import numpy as np

    from gridtools.cli._learning import learn
    from gridtools.cli._settings import stale_notices
    from gridtools.cli.output import say
    from gridtools.formats.files import read_file
    from gridtools.formats.outcomes import read_outcomes
    from gridtools.formats.times import time_zone
    from gridtools.handover.cautions import NO_PROOF
    from gridtools.job import Job
    from gridtools.layers import Candidates, Digs, Outcomes
    from gridtools.targets.outcomes import dig_results, dig_status, new_outcomes
    from gridtools.units import counted

    with Job.open(path) as job:
        digs, known = job.read(Digs), job.read(Outcomes)
        zone = time_zone(tz) if tz else None
        raw: list[RawOutcome] = []
        notices = stale_notices(job, "candidates", "pinpoints")
        for file in files:
            rows, unread = read_outcomes(read_file(file), file, tz=zone)
            raw += rows
            notices += unread
        given = placed_outcomes(raw, digs, job)
        fresh = new_outcomes(given, known)
        held = digs.take((digs.hold != "") & np.isin(digs.dig_id, fresh.dig_id))
        notices += [
            f"{dig} has an outcome, but was on hold: {hold}"
            for dig, hold in zip(held.dig_id, held.hold, strict=True)
        ]
        everything = Outcomes.concat([known, fresh])
        results = dig_results(everything, digs)
        status = dig_status(digs, results)
        candidates = job.read(Candidates)
        dug = set(digs.candidate_id[status == "dug"])
        is_dug = [c in dug for c in candidates.candidate_id]
        closed = candidates.with_columns(status=np.where(is_dug, "dug", candidates.status))
        lessons = learn(job, everything, digs, results, closed)
        with job.change("outcomes", {"files": files, "tz": tz}) as change:
            change.append(fresh)
            change.update(digs.with_columns(status=status), ("status",))
            change.update(closed, ("status",))
            if lessons.depth_factors is not None:
                change.replace(lessons.depth_factors)
            for key, value, unit in lessons.settings:
                change.set(key, value, unit, "measured")
    repeated = len(given) - len(fresh)
    taken = f"Taken in: {counted(len(fresh), 'outcome')}" + (
        f"; {repeated} left out, which the job had before." if repeated else "."
    )
    say(
        {
            "taken": fresh.outcome_id.tolist(),
            "repeated": repeated,
            "dug": digs.dig_id[status == "dug"].tolist(),
            "nothing": results.dig_id[results.nothing].tolist(),
            **lessons.summary,
        },
        [taken, "", *lessons.lines, NO_PROOF],
        [*notices, *lessons.notices],
        as_json=as_json,
        quiet=quiet,
    )


def placed_outcomes(raw: "Sequence[RawOutcome]", digs: "Digs", job: "Job") -> "Outcomes":
    """Outcomes as written, each with its dig and its place in the job CRS, without ids yet."""
    import numpy as np
    import shapely

    from gridtools.errors import InputError
    from gridtools.geodesy import WGS84, transform_xy
    from gridtools.layers import Outcomes
    from gridtools.units import unit_vector

    row_of = {name: i for i, name in enumerate(digs.candidate_id)}
    row_of |= {name: i for i, name in enumerate(digs.dig_id)}
    centre = shapely.get_coordinates(digs.geometry)
    columns: dict[str, list[Any]] = {name: [] for name in ("geometry", "dig_id", "placed")}
    for one in raw:
        xy, placed = np.full(2, np.nan), "dig"
        if one.place is not None:
            placed = "gps" if one.kind == "gps" else "survey"
            xy = np.array(one.place) * job.metres_per_unit
            if one.kind != "xy":
                xy = transform_xy([one.place], WGS84, job.metric_crs)[0]
        row = row_of.get(one.dig.upper())
        if row is None and not one.dig:
            row = _nearest(xy, centre, one.where)
        if row is None:
            raise InputError(
                f"{one.where}: there is no dig {one.dig}: list them with gridtools digs"
            )
        if one.place is None and np.isfinite(one.metres("offset")):
            if not np.isfinite(one.offset_deg) and one.metres("offset") > 0:
                raise InputError(f"{one.where}: an offset needs its bearing in offset_deg")
            xy = centre[row] + one.metres("offset") * unit_vector(np.nan_to_num(one.offset_deg))
            placed = "tape"
        elif one.place is None:
            xy = centre[row]
        away = float(np.hypot(*(xy - centre[row])))
        if not away <= FAR_M:
            raise InputError(
                f"{one.where}: lies {away:.0f} m from {digs.dig_id[row]}: correct the place or "
                "the dig"
            )
        columns["geometry"].append(shapely.Point(xy))
        columns["dig_id"].append(digs.dig_id[row])
        columns["placed"].append(placed)
    lengths = {
        f"{what}_m": [one.metres(what) for one in raw]
        for what in ("depth", "length", "width", "height", "dug_to")
    }
    return Outcomes.build(
        len(raw),
        **columns,
        **lengths,
        found=[one.found for one in raw],
        metal=np.array([one.metal for one in raw], dtype=np.bool_),
        material=[one.material for one in raw],
        recheck=[one.recheck for one in raw],
        time_utc=np.array([one.time for one in raw], dtype="datetime64[ms]"),
        note=[one.note for one in raw],
    )


def _nearest(xy: Any, centre: Any, where: str) -> int:
    """Row of the dig nearest to a place that no dig is named for."""
    import numpy as np

    from gridtools.errors import InputError

    away = np.hypot(*(centre - xy).T)
    if not away.size or not away.min() <= NEAR_M:
        raise InputError(f"{where}: there is no dig within {NEAR_M:g} m of it: name the dig")
    return int(away.argmin())


#: A place without a dig belongs to the nearest one that is no farther than this.
NEAR_M = 5.0
#: A find farther than this from its dig belongs to another one, or its place is wrong.
FAR_M = 25.0
