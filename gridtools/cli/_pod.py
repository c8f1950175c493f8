"""POD map of a job, and what it rests on, for the commands that need it."""

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from gridtools.coverage.pod import PodMap
    from gridtools.job import Job
    from gridtools.sensor.curves import Curve


class JobPod(NamedTuple):
    """POD map of a job.

    Attributes
    ----------
    pod
        The map.
    bearings_deg
        Bearings (4,) of the heading classes.
    sweep
        How far the sweep width is known, as every map must say it.
    dependence
        How far repeats only repeat, or None where no test passes have shown it.
    statements
        What was assumed, by key, for the metadata of a file.
    notices
        What the reader has to know beside the figures.
    """

    pod: "PodMap"
    bearings_deg: tuple[float, ...]
    sweep: str
    dependence: float | None
    statements: dict[str, str]
    notices: list[str]


def job_pod(
    job: "Job",
    *,
    cell_m: float | None = None,
    sweep_width_m: float | None = None,
    fix_accuracy: float | None = None,
    curve: "Curve | None" = None,
) -> JobPod:
    """POD map from the accepted runs of a job and its lateral range curve.

    Parameters
    ----------
    job
        The job, open.
    cell_m
        Side of a cell; None for one that suits the sweep width, round in the job's own unit.
    sweep_width_m, fix_accuracy
        As given to the command; None for what the job keeps.
    curve
        Lateral range curve to reckon with instead of the job's own.

    Raises
    ------
    MissingError
        If the job has no search area or no sweep width.
    """
    import shapely

    from gridtools.cli._settings import fix_accuracy_m, sensor_curve
    from gridtools.coverage.pod import PodMap, accepted_passes
    from gridtools.errors import MissingError
    from gridtools.handover.cautions import NO_PROOF, sweep_statement
    from gridtools.layers import Infill, Lanes, Runs, SearchArea
    from gridtools.sensor.curves import smeared
    from gridtools.swath.cells import CellGrid
    from gridtools.units import format_length

    ground = job.read(SearchArea)
    if not len(ground):
        raise MissingError(f"{job.path} has no search area: run area first")
    chosen = sensor_curve(job, sweep_width_m)
    used = curve or chosen.curve
    width_m = chosen.curve.sweep_width_m
    accuracy_m = fix_accuracy_m(fix_accuracy, job)
    used = smeared(used, accuracy_m) if accuracy_m else used
    area = shapely.union_all(ground.geometry)
    grid = CellGrid.over(area, cell_m or _cell_m(width_m, job.metres_per_unit))
    lanes = Lanes.joined(job.read(Lanes), job.read(Infill))
    passes = accepted_passes(lanes, job.read(Runs))
    sweep = sweep_statement(width_m, chosen.basis)
    error = (
        f"an error of {format_length(accuracy_m)} across the track smears the curve"
        if accuracy_m
        else "positions taken as exact, since no fix accuracy is known"
    )
    statements = {
        "SWEEP_WIDTH": sweep,
        "CURVE": f"{chosen.curve.kind}, {chosen.assumption or 'fitted to test passes'}",
        "POSITIONS": error,
        "RUNS": "accepted runs only; of each run its nearest passage",
        "REPEATS": "band 1: every run a fresh chance; band 2: of each pass only the nearest run",
        "CROSSINGS": "runs that passed within half a sweep width, by heading from grid north",
        "CELLS": "values hold at the centre of a cell; no data outside the search area",
        "CAUTION": NO_PROOF,
    }
    notices = [chosen.assumption] if chosen.assumption else []
    return JobPod(
        PodMap(area, passes, used, grid),
        passes.bearings_deg,
        sweep,
        chosen.dependence,
        statements,
        [*notices, f"POD: {error}."],
    )


def suitable_cell_m(job: "Job") -> float:
    """Side of a cell that suits the sweep width of a job."""
    from gridtools.cli._settings import sensor_curve

    return _cell_m(sensor_curve(job, None).curve.sweep_width_m, job.metres_per_unit)


def _cell_m(width_m: float, unit_m: float) -> float:
    """Cell for a sweep width, round in the job's own unit."""
    from gridtools.coverage.pod import cell_size

    return cell_size(width_m / unit_m) * unit_m
