"""Where ``gridtools spacing`` takes a sweep width from, and how a job keeps it."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gridtools.job import Job
    from gridtools.layers import SweepWidths
    from gridtools.sensor.curves import Curve
    from gridtools.sensor.fit import Allowed


@dataclass(frozen=True, kw_only=True)
class Sweep:
    """A lateral range curve with where it came from.

    Attributes
    ----------
    curve
        The curve to plan with.
    row
        The row that keeps it, its id still empty unless a job has it already.
    low_m
        Lower end of the interval of the sweep width, if there is one.
    allowed
        Curves that the test passes allow as well; none where they are not at hand.
    dependence
        What is known of the dependence between repeats, as words.
    summary, lines, notices
        What there is to say of it.
    """

    curve: "Curve"
    row: "SweepWidths"
    low_m: float | None
    allowed: "tuple[Allowed, ...]"
    dependence: str
    summary: dict[str, Any]
    lines: list[str]
    notices: list[str]

    def low_pod(self, spacing_m: float, sigma_m: float) -> float | None:
        """Cautious POD of two passes by the worst curve allowed, or at the lowest width."""
        from gridtools.sensor.curves import smeared
        from gridtools.sensor.pod import lowest_pod_nearest, pod_nearest

        if self.low_m is None:
            return None
        lowest = pod_nearest(smeared(self.curve.scaled(self.low_m), sigma_m), spacing_m)
        if self.allowed:
            lowest = min(lowest, lowest_pod_nearest(self.allowed, spacing_m, sigma_m))
        return 1.0 - (1.0 - lowest) ** 2


def tested_sweep(file: str, of: dict[str, Any], plot: str | None) -> Sweep:
    """Curve fitted to the test passes of a file, drawn if wanted."""
    import json
    from dataclasses import asdict
    from pathlib import Path

    import numpy as np

    from gridtools.errors import InputError
    from gridtools.formats.files import read_file, write_files
    from gridtools.formats.trials import read_trials
    from gridtools.handover.cautions import sweep_statement
    from gridtools.handover.trial_plot import FORMATS, trial_plot
    from gridtools.layers import SweepWidths
    from gridtools.sensor.adequacy import check_fit, check_trials, goodness
    from gridtools.sensor.fit import fit_curves
    from gridtools.sensor.repeats import dependence_of
    from gridtools.units import format_length

    image = Path(plot).suffix.lower().removeprefix(".") if plot else ""
    if plot and image not in FORMATS:
        raise InputError(f"{plot}: the name of a plot ends in .png or .svg")
    read = read_trials(read_file(file), file).of(file, of["object"], of["depth_m"])
    trials = read.trials
    notices = [f"{file}: columns not read: {', '.join(read.unread)}."] if read.unread else []
    try:
        notices += check_trials(trials)
        fit = fit_curves(trials)
        notices += check_fit(trials, fit)
    except InputError as error:
        raise InputError(f"{file}: {error}") from error
    best = fit.best
    fits, repeats = goodness(trials, best.law), dependence_of(trials, best.law)
    what = of["object"] or read.object[0]
    depth_m = read.depth_m[0] if of["depth_m"] is None else of["depth_m"]
    row = SweepWidths.build(
        curve_id=[""],
        name=of["name"] or _name(what, depth_m) or Path(file).stem,
        kind=best.curve.kind,
        width_m=best.width_m,
        low_m=fit.low_m,
        high_m=fit.high_m,
        parameters=json.dumps(best.curve.parameters, sort_keys=True),
        basis="measured",
        trials=len(trials),
        dependence=repeats.value if repeats else np.nan,
        instrument=of["instrument"],
        tuning=of["tuning"],
        object=what,
        depth_m=depth_m,
        ground=of["ground"],
    )
    drawn = []
    if plot:
        title = ", ".join(filter(None, [of["instrument"], row.name[0]]))
        picture = trial_plot(trials, fit, title=title, image_format=image)
        place = Path(plot)
        drawn = [f"Wrote {f}." for f in write_files(place.parent, {place.name: picture})]
    statement = sweep_statement(best.width_m, "measured")
    return Sweep(
        curve=best.curve,
        row=row,
        low_m=fit.low_m,
        allowed=fit.allowed,
        dependence=(
            f"by repeats over {repeats.groups} pieces or places, repeats only repeat to "
            f"{100 * repeats.value:.0f} % ({100 * repeats.low:.0f} to {100 * repeats.high:.0f} %)"
            if repeats
            else ""
        ),
        summary={
            "sweep_width_m": best.width_m,
            "basis": "measured",
            "low_m": fit.low_m,
            "high_m": fit.high_m,
            "law": best.curve.kind,
            "parameters": best.curve.parameters,
            "trials": len(trials),
            "hits": int(trials.responded.sum()),
            "goodness_p": fits.p,
            "dependence": asdict(repeats) if repeats else None,
            "laws": [
                {
                    "law": law.law.kind,
                    "sweep_width_m": law.width_m,
                    "parameters": law.law.parameters,
                    "log_likelihood": law.log_likelihood,
                    "aic": law.aic,
                }
                for law in fit.laws
            ],
        },
        lines=[
            f"{statement[0].upper()}{statement[1:]}, 90 % interval {format_length(fit.low_m)} to "
            f"{format_length(fit.high_m)}, from {len(trials)} test passes, "
            f"{int(trials.responded.sum())} with a response.",
            fits.words,
            *_laws(fit.laws),
            *drawn,
        ],
        notices=notices,
    )


def given_sweep(sweep_width_m: float, of: dict[str, Any], basis: str) -> Sweep:
    """Sweep width by itself, with the law that is assumed for it."""
    import numpy as np

    from gridtools.cli._settings import check_sweep
    from gridtools.layers import SweepWidths

    check_sweep(sweep_width_m)
    depth_m = np.nan if of["depth_m"] is None else of["depth_m"]
    row = SweepWidths.build(
        curve_id=[""],
        name=of["name"] or _name(of["object"] or "", depth_m) or basis,
        width_m=sweep_width_m,
        low_m=np.nan,
        high_m=np.nan,
        basis=basis,
        dependence=np.nan,
        instrument=of["instrument"],
        tuning=of["tuning"],
        object=of["object"] or "",
        depth_m=depth_m,
        ground=of["ground"],
    )
    return _of_row(row)


def kept_sweep(job: "Job", curve_id: str | None) -> Sweep:
    """Curve that a job keeps: the one named, else the one in use."""
    from gridtools.cli._settings import sensor_curve
    from gridtools.errors import MissingError
    from gridtools.layers import SweepWidths

    rows = job.read(SweepWidths)
    if curve_id is None:
        setting = job.setting("sweep_curve")
        used = sensor_curve(job)
        mine = rows.take(rows.curve_id == (setting.text if setting else ""))
        if len(mine) and mine.width_m[0] == used.curve.sweep_width_m:
            return _of_row(mine)
        of = {"name": None, "object": None, "depth_m": None, "instrument": "", "tuning": ""}
        return given_sweep(used.curve.sweep_width_m, {**of, "ground": ""}, used.basis)
    row = rows.take((rows.curve_id == curve_id) | (rows.name == curve_id))
    if len(row) != 1:
        kept = ", ".join(f"{i} ({n})" for i, n in zip(rows.curve_id, rows.name, strict=True))
        problem = "no" if not len(row) else "more than one"
        raise MissingError(
            f"{job.path} has {problem} curve {curve_id}: it keeps {kept or 'none yet'}"
        )
    return _of_row(row)


def store_sweep(job: "Job", sweep: Sweep, spacing_m: float) -> str:
    """Keep a curve in a job and choose it, with the lane spacing; the id of the curve."""
    import numpy as np

    from gridtools.layers import SweepWidths
    from gridtools.sensor.pod import lowest_curve
    from gridtools.sensor.stored import low_curve_text

    rows, row = job.read(SweepWidths), sweep.row
    lowest = lowest_curve(sweep.allowed, spacing_m)
    if lowest is not None:
        row = row.with_columns(low_curve=[low_curve_text(lowest)])
    curve_id = str(row.curve_id[0]) or _same(rows, row)
    new = not curve_id
    if new:
        curve_id = f"W{len(rows) + 1:03d}"
    width_m, basis = float(row.width_m[0]), str(row.basis[0])
    with job.change("spacing", {"curve": curve_id}) as change:
        if new:
            now = np.datetime64("now", "ms")
            change.append(row.with_columns(curve_id=[curve_id], stored_utc=[now]))
        change.set("sweep_curve", curve_id, "", basis)
        change.set("sweep_width_m", width_m, "m", basis)
        change.set("lane_spacing_m", spacing_m, "m")
    return curve_id


def _same(rows: "SweepWidths", row: "SweepWidths") -> str:
    """Id of a row that holds just the same, or empty."""
    import numpy as np

    same = np.ones(len(rows), dtype=np.bool_)
    for column in row.columns():
        if column.name not in ("curve_id", "stored_utc"):
            ours, theirs = getattr(row, column.name)[0], getattr(rows, column.name)
            same &= (theirs == ours) | ((theirs != theirs) & (ours != ours))
    return str(rows.curve_id[same][0]) if same.any() else ""


def _of_row(row: "SweepWidths") -> Sweep:
    import numpy as np

    from gridtools.handover.cautions import sweep_statement
    from gridtools.sensor.curves import InverseCube
    from gridtools.sensor.stored import assumed_law, stored_curve
    from gridtools.units import format_length

    width_m, basis = float(row.width_m[0]), str(row.basis[0])
    curve = stored_curve(row) if row.kind[0] else InverseCube(width_m)
    low_m = float(row.low_m[0]) if np.isfinite(row.low_m[0]) else None
    depends = float(row.dependence[0])
    statement = sweep_statement(width_m, basis)
    interval = (
        f", 90 % interval {format_length(low_m)} to {format_length(row.high_m[0])}" if low_m else ""
    )
    return Sweep(
        curve=curve,
        row=row,
        low_m=low_m,
        allowed=(),
        dependence=(
            f"by its test passes, repeats only repeat to {100 * depends:.0f} %"
            if np.isfinite(depends)
            else ""
        ),
        summary={
            "sweep_width_m": width_m,
            "basis": basis,
            "low_m": low_m,
            "high_m": float(row.high_m[0]) if low_m else None,
            "law": curve.kind,
            "parameters": curve.parameters,
            "trials": int(row.trials[0]),
        },
        lines=[f"{statement[0].upper()}{statement[1:]}{interval}; {curve.kind} law."],
        notices=[] if row.kind[0] else [assumed_law(width_m)],
    )


def _laws(laws: Any) -> list[str]:
    """Lines on the laws that were fitted, best first."""
    from gridtools.cli.output import table
    from gridtools.units import format_length

    return [
        "",
        *table(
            ("law", "sweep width", "AIC above best"),
            [
                (f.law.kind, f"{format_length(f.width_m)}", f"{f.aic - laws[0].aic:.1f}")
                for f in laws
            ],
        ),
    ]


def _name(what: str, depth_m: float) -> str:
    """Name for a curve from its object and depth."""
    from gridtools.units import format_length

    deep = f"at {format_length(depth_m)}" if depth_m == depth_m else ""
    return " ".join(filter(None, [what, deep]))
