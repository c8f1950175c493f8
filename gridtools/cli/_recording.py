"""Logs into the job, and what is worked out from them; shared by ``record`` and ``amend``."""

import hashlib
import zlib
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gridtools.columns import Layer
    from gridtools.field.checks import StatedCheck
    from gridtools.field.derive import Derived
    from gridtools.field.intake import Counts
    from gridtools.field.outing import Outing, Walked
    from gridtools.field.rules import Rules
    from gridtools.formats.waypoints import Sent
    from gridtools.job import Change, Job
    from gridtools.layers import Lanes, Logs


# A log of a million fixes is within a few percent of its smallest size in a fifth of the time.
_LEVEL = 4


@dataclass(frozen=True, kw_only=True, eq=False)
class Recorded:
    """The walk so far, and the lanes, infill and recheck lanes that it may have followed."""

    walked: "Walked"
    lanes: "Lanes"


@dataclass(frozen=True, kw_only=True, eq=False)
class Taken:
    """What some log files brought, or checks stated without one."""

    logs: "Logs"
    new: "Walked"
    counts: "Counts"
    notices: tuple[str, ...]


def read_recorded(job: "Job") -> Recorded:
    """What the job holds of the walk."""
    from gridtools.field.outing import Walked
    from gridtools.layers import Checks, Fixes, Hits, Infill, Lanes, Recheck, Sessions, Tape

    return Recorded(
        walked=Walked(
            sessions=job.read(Sessions),
            checks=job.read(Checks),
            fixes=job.read(Fixes),
            tape=job.read(Tape),
            hits=job.read(Hits),
        ),
        lanes=Lanes.joined(job.read(Lanes), job.read(Infill), job.read(Recheck)),
    )


def runs_made_from() -> "Sequence[type[Layer] | str]":
    """What runs, and the derived columns of fixes and hits, depend on: they are made with it.

    Infill and recheck lanes are left out: those that were walked stay as they are, and those that
    are added later were not walked yet.
    """
    from gridtools.layers import Checks, Fixes, Hits, Lanes, Sessions, Tape

    return (Lanes, Sessions, Checks, Fixes, Tape, Hits, "min_speed_mps", "max_speed_mps")


def rules_of(
    job: "Job", *, min_speed_mps: float | None = None, max_speed_mps: float | None = None
) -> "Rules":
    """Thresholds: given now, or kept by the job, or the package's own."""
    from gridtools.cli._settings import stored
    from gridtools.field.rules import Rules

    return Rules(
        min_speed_mps=min_speed_mps or stored(job, "min_speed_mps") or Rules.min_speed_mps,
        max_speed_mps=max_speed_mps or stored(job, "max_speed_mps") or Rules.max_speed_mps,
        lane_spacing_m=stored(job, "lane_spacing_m") or Rules.lane_spacing_m,
    )


def read_checks(
    stated: Sequence[tuple[str, str, bool]], tz: str | None
) -> "tuple[StatedCheck, ...]":
    """Checks from kind, time as text, and result."""
    if not stated:
        return ()
    from gridtools.errors import InputError
    from gridtools.field.checks import StatedCheck
    from gridtools.formats.times import one_time, time_zone

    zone = time_zone(tz) if tz else None
    try:
        return tuple(StatedCheck(kind, one_time(time, zone), ok) for kind, time, ok in stated)
    except InputError as error:
        raise InputError(f"--check: {error}") from error


def add_checks(recorded: Recorded, session_id: str, stated: "Sequence[StatedCheck]") -> Taken:
    """Checks of a session that was taken in before; nothing if none are stated."""
    from gridtools.field.checks import further_checks
    from gridtools.field.intake import Counts
    from gridtools.field.outing import Walked, next_ids
    from gridtools.layers import Logs

    new = Walked.nothing()
    if stated:
        walked = recorded.walked
        ids = next_ids("K", walked.checks.check_id, len(stated), 3)
        rows = further_checks(stated, session_id, walked.sessions, walked.checks, ids)
        new = replace(new, checks=rows)
    return Taken(logs=Logs.empty(), new=new, counts=Counts(), notices=())


def take_in_files(
    job: "Job",
    files: Sequence[str],
    outing: "Callable[[str], Outing]",
    recorded: Recorded,
    rules: "Rules",
    checks: "Sequence[StatedCheck]",
    *,
    tz: str | None,
    hits: str,
    again: bool,
) -> Taken:
    """Rows that log files add to the job, each file an outing of its own.

    Rows decide what is new, not files: hits that were left out before may come from the same
    file. Its bytes are stored once.
    """
    import numpy as np
    import shapely

    from gridtools.errors import InputError
    from gridtools.field.doubts import clock_notices, outside_notices
    from gridtools.field.intake import Counts, take_in
    from gridtools.field.outing import Walked
    from gridtools.formats.files import read_file
    from gridtools.formats.logs import read_logs
    from gridtools.formats.times import time_zone
    from gridtools.formats.waypoints import parse_hit_filter
    from gridtools.layers import Logs, Site

    now = np.datetime64("now", "ms")
    site = shapely.union_all(job.read(Site).geometry)
    logs = job.read(Logs)
    log_ids = dict(zip(logs.sha256, logs.log_id, strict=True))
    notices: list[str] = []
    contents = [(file, read_file(file)) for file in files]
    raw = read_logs(
        contents,
        crs=job.crs,
        lanes=recorded.lanes,
        tz=time_zone(tz) if tz else None,
        sent=sent_places(job, recorded.lanes),
        hits=parse_hit_filter(hits),
        site=site,
        walk_times=recorded.walked.fixes.time_utc,
    )
    new, counts, kept = Walked.nothing(), Counts(), list[Logs]()
    for (file, data), log in zip(contents, raw, strict=True):
        digest = hashlib.sha256(data).hexdigest()
        known = digest in log_ids
        log_id = log_ids.get(digest, f"L{len(logs) + len(kept) + 1:03d}")
        described = outing(log_id)
        taken = take_in(
            log,
            described,
            recorded.lanes,
            recorded.walked.plus(new),
            rules,
            again=again,
        )
        counts += taken.counts
        notices += taken.notices
        if not taken.session_id:
            why = "was taken in before" if known else "holds nothing that the job does not have"
            notices.append(f"{file} {why}: nothing is added")
            if described.has_checks:
                notices.append(
                    "its checks are not added either: state them with --session and --check, "
                    "without the file"
                )
            continue
        new = new.plus(taken.new)
        for layer, what in ((taken.new.fixes, "fix"), (taken.new.hits, "hit")):
            notices += clock_notices(layer.time_utc, what, file, now)
            notices += outside_notices(layer.geometry, what, file, site)
        if known:
            continue
        log_ids[digest] = log_id
        kept.append(
            Logs.build(
                log_id=[log_id],
                name=file.replace("\\", "/").rsplit("/", 1)[-1],
                sha256=digest,
                content=[zlib.compress(data, _LEVEL)],
                taken_utc=now,
            )
        )
    for check in checks if len(new.sessions) else ():
        spans = zip(new.sessions.start_utc, new.sessions.finish_utc, strict=True)
        if not any(check.is_near(start, finish) for start, finish in spans):
            raise InputError(
                f"--check: the {check.kind} check is over 12 hours from every log: correct its "
                "time, or give --tz"
            )
    return Taken(logs=Logs.concat(kept), new=new, counts=counts, notices=tuple(notices))


def sent_places(job: "Job", lanes: "Lanes") -> "Sent":
    """Names that ``send`` gives to waypoints, with their places."""
    import numpy as np
    import shapely

    from gridtools.formats.waypoints import Sent
    from gridtools.layers import Candidates, Digs, Pegs
    from gridtools.plan.pegs import lane_pegs

    points = [
        (layer.geometry, getattr(layer, str(layer.id_column)))
        for layer in (job.read(Pegs), job.read(Candidates), job.read(Digs))
    ]
    starts, finishes = lane_pegs(lanes.lane_id)
    points += [
        (shapely.get_point(lanes.geometry, 0), starts),
        (shapely.get_point(lanes.geometry, -1), finishes),
    ]
    return Sent(
        name=np.concatenate([names for _, names in points]),
        xy=np.concatenate([shapely.get_coordinates(geometry) for geometry, _ in points]),
    )


def write_derived(change: "Change", derived: "Derived", recorded: Recorded) -> None:
    """Write runs, and the derived columns of the fixes and hits that the job had before."""
    import numpy as np

    change.update(derived.fixes.take(np.arange(len(recorded.walked.fixes))))
    change.update(derived.hits.take(np.arange(len(recorded.walked.hits))))
    change.replace(derived.runs)


def write_taken(change: "Change", taken: Taken, derived: "Derived", recorded: Recorded) -> None:
    """Add what logs brought; its fixes and hits carry the columns derived for them."""
    import numpy as np

    change.append(taken.logs)
    for layer in (taken.new.sessions, taken.new.checks, taken.new.tape):
        change.append(layer)
    old_fixes, old_hits = len(recorded.walked.fixes), len(recorded.walked.hits)
    change.append(derived.fixes.take(np.arange(old_fixes, len(derived.fixes))))
    change.append(derived.hits.take(np.arange(old_hits, len(derived.hits))))


def run_lines(derived: "Derived") -> tuple[list[dict[str, Any]], list[str]]:
    """Summary, and lines for a person, on the runs."""
    from gridtools.cli.output import table
    from gridtools.units import format_length

    return [asdict(tally) for tally in derived.tally], table(
        ("runs of the job", "number", "length"),
        [
            (
                f"not accepted, {t.reason}" if t.reason else "accepted",
                str(t.runs),
                format_length(t.length_m),
            )
            for t in derived.tally
        ],
    )
