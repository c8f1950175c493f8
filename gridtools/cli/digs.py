"""``gridtools digs``: ranked dig list with cautions."""

from typing import TYPE_CHECKING, Any

import click

from gridtools.cli.options import LENGTH, POSITIVE_LENGTH, FiniteRange, job_argument, output_options

if TYPE_CHECKING:
    from datetime import date

    from gridtools.job import Job
    from gridtools.layers import DigPegs, Digs
    from gridtools.targets.digs import DigRules


@click.command()
@job_argument
@click.option(
    "--soil",
    type=click.Choice(["rock", "A", "B", "C"]),
    help="Class of the ground, for the slope of the sides (C unless set before).",
)
@click.option(
    "--upright-to",
    type=LENGTH,
    help="Holes no deeper than this have upright sides: only where a competent person has seen no "
    "sign of a cave-in; at most 5ft (0 unless set before).",
)
@click.option("--by", type=click.Choice(["hand", "machine"]), help="How it is dug (by hand).")
@click.option(
    "--rate",
    type=FiniteRange(0.0, min_open=True),
    metavar="M3/H",
    help="Cubic metres an hour, dug and filled back (by hand 0.3, by machine 4).",
)
@click.option(
    "--tolerance",
    type=POSITIVE_LENGTH,
    help="Distance from a buried service within which digging is by hand (24in).",
)
@click.option(
    "--object-height",
    type=LENGTH,
    help="Height assumed for the object: cautions count from the depth at which it is freed "
    "(0.6m, assumed).",
)
@click.option(
    "--least-chance",
    type=FiniteRange(0.0, 1.0),
    help="Least chance of metal of a new dig, 0 to 1 (0.2).",
)
@click.option(
    "--budget",
    type=FiniteRange(0.0),
    metavar="HOURS",
    help="Pick the best set of ready digs that fits into these hours.",
)
@click.option(
    "--permit",
    "permits",
    multiple=True,
    metavar="KIND,REFERENCE,FROM,TO",
    help="Enter a permit: landowner, services, heritage, ecology or other, with its first and "
    "last day.",
)
@click.option(
    "--require",
    metavar="KINDS",
    help="Kinds of permit that every dig needs, as in landowner,services, or none.",
)
@click.option(
    "--expect",
    "expected",
    multiple=True,
    metavar="DIG=WHAT",
    help="Say what is expected: container, service, munition or scrap.",
)
@click.option(
    "--on",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="DAY",
    help="Day of digging, on which permits must be valid (today).",
)
@click.option(
    "--tz", metavar="ZONE", help="Zone whose day is today, as in Europe/Lisbon (this computer's)."
)
@output_options
def digs(
    path: str,
    budget: float | None,
    permits: tuple[str, ...],
    expected: tuple[str, ...],
    on: Any,
    tz: str | None,
    as_json: bool,
    quiet: bool,
    **given: Any,
) -> None:
    """Rank what to dig, size the holes, peg them, and say what to mind and what must wait."""
    import shapely

    from gridtools.cli._settings import stale_notices
    from gridtools.cli.output import records, say
    from gridtools.handover.cautions import NO_PROOF
    from gridtools.handover.dig_cautions import DEFERENCE, checked_text
    from gridtools.job import Job
    from gridtools.layers import (
        Candidates,
        Digs,
        Exclusion,
        Interference,
        Outcomes,
        Permits,
        Pinpoints,
        Site,
    )
    from gridtools.plan.area import no_go
    from gridtools.targets.digs import Ground, plan_digs
    from gridtools.targets.nearby import group_of
    from gridtools.targets.permits import new_permits, parse_kinds, parse_permit

    with Job.open(path) as job:
        chosen = _chosen(job, {**given, "require": _kinds(given["require"], parse_kinds)})
        rules = _rules(chosen, parse_kinds, _day(on, tz))
        known = job.read(Permits)
        entered = new_permits([parse_permit(text) for text in permits], known)
        previous, stated = _expect(job.read(Digs), expected)
        site, exclusion = job.read(Site), job.read(Exclusion)
        found = job.read(Candidates)
        ground = Ground(
            interference=job.read(Interference),
            exclusion=exclusion,
            permits=Permits.concat([known, entered]),
            site=shapely.union_all(site.geometry),
            no_go=no_go(site, exclusion),
        )
        plan = plan_digs(
            found,
            job.read(Pinpoints),
            ground,
            rules,
            previous=previous,
            outcomes=job.read(Outcomes),
            budget_hours=budget,
        )
        notices = stale_notices(job, "candidates", "pinpoints")
        kinds = sorted(set(ground.interference.kind))
        if kinds:
            taken = ", ".join(f"{kind or 'no kind'}: {group_of(kind)}" for kind in kinds)
            notices.append(f"sources of interference taken as {taken}")
        if not len(found):
            notices.append("the job has no candidates yet: find them with gridtools candidates")
        options = {
            "budget_hours": budget,
            "permits": permits,
            "expected": expected,
            "on": rules.on.isoformat(),
        }
        inputs = [Candidates, Pinpoints, Interference, Exclusion, Site, Permits, Outcomes]
        with job.change("digs", options, [*inputs, *SETTINGS, *FACTORS]) as change:
            change.append(entered)
            change.replace(plan.digs)
            change.replace(plan.pegs)
            change.update(plan.digs.take([i in stated for i in plan.digs.dig_id]), ("expected",))
            change.set("digs_checked_on", rules.on.isoformat())
            for key, option in SETTINGS.items():
                if given[option] is not None:
                    change.set(key, *chosen[key])
    closed = ("dug", "dropped", "gone")
    listed = plan.digs.take([s.strip().lower() not in closed for s in plan.digs.status])
    say(
        {
            "digs": records(plan.digs),
            "pegs": records(plan.pegs),
            "ready": listed.dig_id[listed.hold == ""].tolist(),
            "picked": listed.dig_id[listed.visit.argsort(kind="stable")][
                (listed.visit == 0).sum() :
            ].tolist(),
            "hours": float(listed.hours[listed.picked].sum()),
            "on_hold": listed.dig_id[listed.hold != ""].tolist(),
        },
        [
            *dig_lines(listed, plan.pegs, job.metres_per_unit),
            "",
            checked_text(rules.on.isoformat()),
            DEFERENCE,
            NO_PROOF,
        ],
        [*notices, *plan.notices],
        as_json=as_json,
        quiet=quiet,
    )


#: Settings of the command, and the option that sets each.
SETTINGS = {
    "soil": "soil",
    "upright_to_m": "upright_to",
    "dig_by": "by",
    "dig_rate_m3ph": "rate",
    "tolerance_m": "tolerance",
    "object_height_m": "object_height",
    "dig_least_chance": "least_chance",
    "required_permits": "require",
}
_UNITS = {"upright_to_m": "m", "dig_rate_m3ph": "m3/h", "tolerance_m": "m", "object_height_m": "m"}
#: Settings that outcomes teach: by how much errors of place exceed those stated.
FACTORS = ("pinpoint_error_factor", "candidate_error_factor")


def dig_lines(listed: "Digs", pegs: "DigPegs", metres_per_unit: float) -> list[str]:
    """Dig list for a person: a table, then where to tape from, what to mind, what must wait."""
    import shapely

    from gridtools.cli.output import table
    from gridtools.handover.dig_words import depth_text, effort_text, hole_text, tape_texts
    from gridtools.units import counted, format_duration

    ready = listed.take(listed.picked)
    ready = ready.take(ready.visit.argsort(kind="stable"))
    wait = listed.take(~listed.picked)
    taped = tape_texts(pegs)
    xy = shapely.get_coordinates(ready.geometry) / metres_per_unit
    lines = [f"{counted(len(ready), 'dig')} ready"]
    if len(ready):
        lines[0] += f", {format_duration(float(ready.hours.sum()) * 3600)}, in the order to visit:"
        lines += table(
            ("dig", "rank", "chance", "depth", "hole", "volume and time", "consequence"),
            [
                (
                    ready.dig_id[i],
                    str(ready.rank[i]),
                    f"{ready.p_metal[i]:.0%}",
                    depth_text(ready, i),
                    hole_text(ready, i),
                    effort_text(ready, i),
                    ready.consequence[i],
                )
                for i in range(len(ready))
            ],
        )
        for i in range(len(ready)):
            lines += [
                f"{ready.dig_id[i]}: E {xy[i, 0]:.2f} N {xy[i, 1]:.2f}, "
                f"centre {' and '.join(taped[ready.dig_id[i]])}.",
                f"      Mind: {ready.cautions[i] or 'as for every dig'}.",
            ]
    else:
        lines[0] += "."
    if len(wait):
        lines += ["", f"{counted(len(wait), 'dig')} not to be dug yet:"]
        for i in range(len(wait)):
            why = wait.hold[i] or "not among those picked for the hours given"
            lines.append(f"{wait.dig_id[i]} (rank {wait.rank[i]}, {wait.consequence[i]}): {why}.")
    return lines


def _kinds(text: str | None, parse: Any) -> str | None:
    return None if text is None else ",".join(parse(text)) or "none"


def _chosen(job: "Job", given: dict[str, Any]) -> dict[str, tuple[Any, str]]:
    """Values given now, else those that the job keeps, with their units."""
    chosen = {}
    for key, option in SETTINGS.items():
        unit = _UNITS.get(key, "")
        kept = job.setting(key)
        if given[option] is not None:
            chosen[key] = (given[option], unit)
        elif kept is not None:
            words = ("soil", "dig_by", "required_permits")
            chosen[key] = (kept.text if key in words else kept.number, unit)
    for key in FACTORS:
        kept = job.setting(key)
        if kept is not None:
            chosen[key] = (kept.number, "")
    return chosen


def _rules(chosen: dict[str, tuple[Any, str]], parse_kinds: Any, on: "date") -> "DigRules":
    from gridtools.targets.digs import DigRules

    names = {
        "soil": "soil",
        "upright_to_m": "upright_to_m",
        "dig_by": "by",
        "dig_rate_m3ph": "rate_m3ph",
        "tolerance_m": "tolerance_m",
        "object_height_m": "object_height_m",
        "dig_least_chance": "least_chance",
        "pinpoint_error_factor": "pinpoint_factor",
        "candidate_error_factor": "candidate_factor",
    }
    rules: dict[str, Any] = {names[k]: value for k, (value, _) in chosen.items() if k in names}
    if "required_permits" in chosen:
        rules["required"] = parse_kinds(chosen["required_permits"][0])
    return DigRules(on=on, **rules)


def _day(on: Any, tz: str | None) -> "date":
    """Day of digging: as given, else today in the zone, else by this computer's clock."""
    from datetime import UTC, datetime

    from gridtools.formats.times import time_zone

    zone = time_zone(tz) if tz else None
    if on is not None:
        day: date = on.date()
        return day
    return datetime.now(UTC).astimezone(zone).date()


def _expect(previous: "Digs", given: tuple[str, ...]) -> tuple["Digs", set[str]]:
    """Earlier digs with what is expected now, and which digs that was said of."""
    from gridtools.errors import InputError, MissingError, quote
    from gridtools.targets.ranking import EXPECTED

    expected, stated = previous.expected.copy(), set()
    for text in given:
        dig, _, what = (part.strip() for part in text.partition("="))
        if what.lower() not in (*EXPECTED, "unknown"):
            raise InputError(
                f"{quote(text)}: write a dig and one of {', '.join(EXPECTED)} or unknown, as in "
                "D003=scrap"
            )
        if dig not in previous.dig_id:
            raise MissingError(f"there is no dig {dig}: list them with gridtools digs")
        expected[previous.dig_id == dig] = "" if what.lower() == "unknown" else what.lower()
        stated.add(dig)
    return previous.with_columns(expected=expected), stated
