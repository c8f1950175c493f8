"""Logs into the job, and what is worked out from them; shared by ``record`` and ``amend``."""

import hashlib
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gridtools.field.derive import Derived
    from gridtools.field.intake import Counts
    from gridtools.field.outing import Outing, Walked
    from gridtools.field.rules import Rules
    from gridtools.job import Change, Job
    from gridtools.layers import Lanes, Logs


@dataclass(frozen=True, kw_only=True, eq=False)
class Recorded:
    """The walk so far, and the lanes, infill and recheck lanes that it may have followed."""

    walked: "Walked"
    lanes: "Lanes"


@dataclass(frozen=True, kw_only=True, eq=False)
class Taken:
    """What some log files brought."""

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


def rules_of(
    job: "Job", *, min_speed_mps: float | None = None, max_speed_mps: float | None = None
) -> "Rules":
    """Thresholds: given now, or kept by the job, or the package's own."""
    from gridtools.cli._settings import stored
    from gridtools.field.rules import Rules

    found = {
        "min_speed_mps": min_speed_mps or stored(job, "min_speed_mps"),
        "max_speed_mps": max_speed_mps or stored(job, "max_speed_mps"),
        "lane_spacing_m": stored(job, "lane_spacing_m"),
    }
    return Rules(**{name: value for name, value in found.items() if value is not None})


def take_in_files(
    job: "Job",
    files: Sequence[str],
    outing: "Callable[[str], Outing]",
    recorded: Recorded,
    rules: "Rules",
    *,
    tz: str | None,
    hits: str,
) -> Taken:
    """Rows that log files add to the job, each file an outing of its own.

    A file whose bytes the job holds already adds nothing.
    """
    import numpy as np

    from gridtools.errors import FileError
    from gridtools.field.intake import summary, take_in
    from gridtools.field.outing import Walked
    from gridtools.formats.logs import read_log
    from gridtools.layers import Logs, Site

    logs = job.read(Logs)
    old_logs = len(logs)
    new, counts, notices = Walked.nothing(), [], []
    for file in files:
        try:
            with open(file, "rb") as stream:  # noqa: PTH123 - a path as the user gave it
                data = stream.read()
        except OSError as error:
            raise FileError(f"{file} cannot be read: {error.strerror}") from error
        digest = hashlib.sha256(data).hexdigest()
        if digest in logs.sha256:
            notices.append(f"{file} was taken in before: nothing is added")
            continue
        log_id = f"L{len(logs) + 1:03d}"
        raw = read_log(
            data,
            file,
            crs=job.crs,
            tz=tz,
            hits=hits,
            lanes=recorded.lanes,
            site=job.read(Site),
            sent=sent_places(job),
        )
        taken = take_in(raw, outing(log_id), recorded.lanes, recorded.walked.plus(new), rules)
        counts.append(taken.counts)
        notices += [f"{file}: {notice}" for notice in taken.notices]
        if not taken.session_id:
            notices.append(f"{file} holds nothing that the job does not have: nothing is added")
            continue
        new = new.plus(taken.new)
        log = Logs.build(
            log_id=[log_id],
            name=file.replace("\\", "/").rsplit("/", 1)[-1],
            sha256=digest,
            content=[zlib.compress(data, 9)],
            taken_utc=np.datetime64("now", "ms"),
        )
        logs = Logs.concat([logs, log])
    return Taken(
        logs=logs.take(np.arange(len(logs)) >= old_logs),
        new=new,
        counts=summary(counts),
        notices=tuple(notices),
    )


def sent_places(job: "Job") -> dict[str, tuple[float, float]]:
    """Names that ``send`` gives to waypoints, with their places in metres."""
    raise NotImplementedError


def write_derived(change: "Change", derived: "Derived", old: Recorded) -> None:
    """Runs, and the derived columns of the fixes and hits that the job had before."""
    import numpy as np

    change.update(derived.fixes.take(np.arange(len(old.walked.fixes))))
    change.update(derived.hits.take(np.arange(len(old.walked.hits))))
    change.replace(derived.runs)


def recording_lines(derived: "Derived") -> tuple[dict[str, Any], list[str]]:
    """Summary, and lines for a person, on the runs."""
    from gridtools.cli.output import table
    from gridtools.units import format_length

    rows: list[Mapping[str, Any]] = [
        {"reason": t.reason, "runs": t.runs, "length_m": t.length_m} for t in derived.tally
    ]
    return {"runs": rows}, table(
        ("walked", "runs", "length"),
        [
            (row["reason"] or "accepted", str(row["runs"]), format_length(row["length_m"]))
            for row in rows
        ],
    )
