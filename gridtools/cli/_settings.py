"""Parameters that one command stores and others use."""

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from datetime import date

    from gridtools.job import Job
    from gridtools.sensor.curves import Curve

#: Nothing that is walked over ground sweeps wider (common practice, no source).
MOST_SWEEP_M = 50.0


def stored(job: "Job", key: str) -> float | None:
    """Number that the job keeps under a key, or None."""
    setting = job.setting(key)
    return None if setting is None else setting.number


def wanted(given: float | None, job: "Job", key: str, option: str) -> float:
    """Number given on the command line, else the one that the job keeps.

    Raises
    ------
    MissingError
        If there is neither; there is no default for it.
    InputError
        As `check_sweep`.
    """
    from gridtools.errors import MissingError

    found = stored(job, key) if given is None else given
    if found is None:
        what = option.removeprefix("--").replace("-", " ")
        raise MissingError(f"{job.path} has no {what} yet: give {option}")
    if key == "sweep_width_m":
        check_sweep(found)
    return found


def check_sweep(width_m: float) -> None:
    """Refuse a sweep width that no instrument has: all ground would count as covered.

    Raises
    ------
    InputError
        If it is over 50 m.
    """
    from gridtools.errors import InputError
    from gridtools.units import format_length

    if width_m > MOST_SWEEP_M:
        raise InputError(
            f"a sweep width of {format_length(width_m)} is more than the "
            f"{format_length(MOST_SWEEP_M)} that any instrument could have: check its unit"
        )


def sweep_basis(given: float | None, job: "Job") -> str:
    """Where the sweep width in use came from: given now, or as the job says."""
    setting = job.setting("sweep_width_m")
    if setting is None or (given is not None and given != setting.number):
        return "given"
    return setting.basis


class SensorCurve(NamedTuple):
    """Lateral range curve in use: how it is known, and how far repeats only repeat, if known.

    The assumption is a sentence to print, empty where the curve was fitted to test passes. The low
    curve is the worst one that these still allow.
    """

    curve: "Curve"
    basis: str
    dependence: float | None
    assumption: str
    low_curve: "Curve | None" = None


def sensor_curve(job: "Job", sweep_width_m: float | None = None) -> SensorCurve:
    """Curve that the job keeps as chosen, else the inverse cube law of its sweep width.

    It is made from the settings ``sweep_curve`` and ``sweep_width_m``: a stored curve never
    changes. A sweep width given to the command goes before that of the job.

    Raises
    ------
    MissingError
        If the job has no sweep width.
    """
    import math

    from gridtools.layers import SweepWidths
    from gridtools.sensor.curves import InverseCube
    from gridtools.sensor.stored import assumed_law, stored_curve, stored_low_curve

    width_m = wanted(sweep_width_m, job, "sweep_width_m", "--sweep-width")
    basis = sweep_basis(sweep_width_m, job)
    chosen = job.setting("sweep_curve")
    dependence = None
    if chosen is not None:
        rows = job.read(SweepWidths)
        row = rows.take(rows.curve_id == chosen.text)
        # A width given since to another command stands for another curve.
        if len(row) and row.width_m[0] == width_m:
            dependence = None if math.isnan(row.dependence[0]) else float(row.dependence[0])
            if row.kind[0]:
                low = stored_low_curve(row)
                return SensorCurve(stored_curve(row), basis, dependence, "", low)
    return SensorCurve(InverseCube(width_m), basis, dependence, assumed_law(width_m), None)


def fix_accuracy_m(given: float | None, job: "Job") -> float | None:
    """Standard error of a fix, each axis: given now, or kept, or the worst of the sessions."""
    import numpy as np

    from gridtools.layers import Sessions

    found = stored(job, "fix_accuracy_m") if given is None else given
    if found is not None:
        return found
    sessions = job.read(Sessions)
    known = sessions.accuracy_m[~sessions.struck]
    return float(np.nanmax(known)) if np.isfinite(known).any() else None


def magnetic_date(job: "Job") -> "date":
    """Day for which the magnetic bearings of the job's lanes hold; today before there are any."""
    from datetime import UTC, date, datetime

    setting = job.setting("magnetic_date")
    return datetime.now(UTC).date() if setting is None else date.fromisoformat(setting.text)


def stale_notices(job: "Job", *layers: str) -> list[str]:
    """Sentences on layers made from something that has changed since; of all if none is named.

    One for each command to run again, in the order of the work.
    """
    from gridtools.layers import ALL_LAYERS, Lanes, Sessions

    maker = {layer.table: layer.made_by for layer in ALL_LAYERS}
    stale = {name: changed for name, changed in job.stale().items() if not layers or name in layers}
    notices = []
    for command in dict.fromkeys(maker[name] for name in stale):
        names = [name for name in stale if maker[name] == command]
        changed = dict.fromkeys(what for name in names for what in stale[name])
        replan = " --replan" if command == Lanes.made_by and len(job.read(Sessions)) else ""
        notices.append(
            f"{', '.join(changed)} changed since: run `gridtools {command} {job.path}{replan}` "
            f"again ({', '.join(names)})"
        )
    return notices
