"""``gridtools coverage``: what was covered, what was missed, what to walk."""

from typing import TYPE_CHECKING, Any

import click

from gridtools.cli import EXIT_CHECK_FAILED
from gridtools.cli.options import AREA, POSITIVE_LENGTH, FiniteRange, job_argument, output_options

if TYPE_CHECKING:
    from gridtools.job import Job
    from gridtools.layers import Coverage

LISTED_GAPS = 8
# Less ground of reduced confidence than this is the rounding of coordinates.
_NO_GROUND_M2 = 0.05


@click.command()
@job_argument
@click.option("--sweep-width", type=POSITIVE_LENGTH, help="Sweep width, if not the job's own.")
@click.option(
    "--min-gap",
    type=AREA,
    help="Smallest gap to list (0.5m2 unless set before); smaller ones are summed as slivers.",
)
@click.option(
    "--fix-accuracy",
    type=POSITIVE_LENGTH,
    help="Standard error of a fix, each axis: adds cautious figures.",
)
@click.option(
    "--fail-under",
    type=FiniteRange(0.0, 100.0),
    metavar="PERCENT",
    help="Exit with status 3 if a pass covered less of the search area than this.",
)
@click.option(
    "--pod",
    "pod_file",
    metavar="FILE.tif",
    help="Write a map of the probability of detection, as GeoTIFF.",
)
@click.option(
    "--cell",
    "cell_m",
    type=POSITIVE_LENGTH,
    help="Cell of that map (an eighth of the sweep width, rounded down).",
)
@output_options
def coverage(
    path: str,
    sweep_width: float | None,
    min_gap: float | None,
    fix_accuracy: float | None,
    fail_under: float | None,
    pod_file: str | None,
    cell_m: float | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Measure what accepted runs covered, list the gaps, and lay infill lanes over them."""
    from gridtools.cli._settings import (
        fix_accuracy_m,
        magnetic_date,
        stale_notices,
        stored,
        sweep_basis,
        wanted,
    )
    from gridtools.cli.output import records, say
    from gridtools.coverage.measure import DEFAULT_MIN_GAP_M2, measure_coverage
    from gridtools.field.checks import doubts
    from gridtools.handover.cautions import NO_PROOF, sweep_statement
    from gridtools.job import Job
    from gridtools.layers import Checks, Exclusion, Infill, Lanes, Runs, SearchArea, Sessions, Site
    from gridtools.plan.area import no_go
    from gridtools.plan.effort import WALKING_MPS
    from gridtools.units import format_area, format_duration, format_length

    if cell_m is not None and pod_file is None:
        raise click.UsageError("--cell is of the POD map: give --pod as well")
    with Job.open(path) as job:
        pod = _PodFile(pod_file, job, cell_m, sweep_width, fix_accuracy) if pod_file else None
        basis = sweep_basis(sweep_width, job)
        sweep_width = wanted(sweep_width, job, "sweep_width_m", "--sweep-width")
        kept_gap = stored(job, "min_gap_m2")
        least_gap = next((g for g in (min_gap, kept_gap) if g is not None), DEFAULT_MIN_GAP_M2)
        careful = fix_accuracy_m(fix_accuracy, job)
        passes = int(stored(job, "passes") or 2)
        runs = job.read(Runs)
        found = measure_coverage(
            job.read(SearchArea),
            runs,
            job.read(Lanes),
            sweep_width_m=sweep_width,
            passes=passes,
            min_gap_m2=least_gap,
            fix_accuracy_m=careful,
            infill=job.read(Infill),
            crs=job.metric_crs,
            on=magnetic_date(job),
            no_go=no_go(job.read(Site), job.read(Exclusion)),
            lane_spacing_m=stored(job, "lane_spacing_m"),
            speed_mps=stored(job, "speed_mps") or WALKING_MPS,
        )
        notices = stale_notices(job, "search_area", "runs")
        notices += [d.sentence for d in doubts(runs, job.read(Sessions), job.read(Checks))]
        options = {
            "fix_accuracy_m": fix_accuracy,
            "fail_under": fail_under,
            "pod": pod_file,
            "cell_m": cell_m,
        }
        if pod is not None:
            pod.write()
            notices += pod.notices
        with job.change(
            "coverage",
            options,
            [
                SearchArea,
                Runs,
                Lanes,
                Exclusion,
                "sweep_width_m",
                "min_gap_m2",
                "passes",
                "lane_spacing_m",
                "fix_accuracy_m",
                Sessions,
            ],
        ) as change:
            change.replace(found.covered)
            change.replace(found.gaps)
            change.replace(found.infill)
            change.replace(found.coverage)
            change.set("sweep_width_m", sweep_width, "m", basis)
            if min_gap is not None:
                change.set("min_gap_m2", min_gap, "m2")
            if fix_accuracy is not None:
                change.set("fix_accuracy_m", fix_accuracy, "m")
    rows = found.coverage
    whole = rows.take(rows.confidence == "all")
    under = [
        f"{part} covered {percent:.2f} %, less than {fail_under:g} %"
        for part, percent in zip(whole.part, whole.percent, strict=True)
        if fail_under is not None and part.startswith("pass") and percent < fail_under
    ]
    to_walk = found.infill_to_walk
    say(
        {
            **dict(zip(whole.part, whole.percent, strict=True)),
            "coverage": records(rows),
            "gaps": len(found.gaps),
            "infill": to_walk.lane_id.tolist(),
            "infill_length_m": found.infill_length_m,
            "failed": under,
            **({} if pod is None else {"pod": pod.summary}),
        },
        [
            f"Covered: {sweep_statement(sweep_width, basis)}.",
            "",
            *_figures(rows, cautious=careful is not None),
            "",
            *(
                f"Gap {found.gaps.gap_id[i]}: {format_area(found.gaps.area_m2[i])}, "
                f"{format_length(found.gaps.width_m[i])} wide, {found.gaps.reason[i]}."
                for i in found.gaps.area_m2.argsort()[::-1][:LISTED_GAPS]
            ),
            f"Infill lanes to walk: {len(to_walk)}, {format_length(found.infill_length_m)}"
            + (f", {format_duration(found.infill_seconds)}." if len(to_walk) else "."),
            *([] if pod is None else pod.lines),
            NO_PROOF,
        ],
        [*notices, *found.notices],
        as_json=as_json,
        quiet=quiet,
    )
    if under:
        click.echo(f"Check failed: {'; '.join(under)}.", err=True)
        raise click.exceptions.Exit(EXIT_CHECK_FAILED)


class _PodFile:
    """The POD map that is to be written, and what to say about it."""

    def __init__(
        self,
        path: str,
        job: "Job",
        cell_m: float | None,
        sweep_width: float | None,
        fix_accuracy: float | None,
    ) -> None:
        from gridtools.cli._pod import job_pod
        from gridtools.formats.geotiff import check_target

        check_target(path)
        self._path, self._job = path, job
        self._found = job_pod(
            job, cell_m=cell_m, sweep_width_m=sweep_width, fix_accuracy=fix_accuracy
        )
        self.notices = self._found.notices
        self.summary: dict[str, Any] = {}
        self.lines: list[str] = []

    def write(self) -> None:
        """Write the file."""
        import shapely

        from gridtools.coverage.residual import Tally
        from gridtools.formats.geotiff import write_pod_map
        from gridtools.units import format_chance, format_length

        found, grid = self._found, self._found.pod.grid
        tally = Tally(shapely.MultiPolygon(), least_pod=0.0)
        write_pod_map(
            self._path,
            tally.watch(found.pod.windows()),
            grid,
            crs=self._job.crs,
            metres_per_unit=self._job.metres_per_unit,
            bearings_deg=found.bearings_deg,
            statements=found.statements,
        )
        mean = tally.ground("all").pod
        self.summary = {"file": self._path, "cell_m": grid.cell_m, "mean": mean}
        self.lines = [
            f"POD map: {self._path}, cells of {format_length(grid.cell_m)}; on average "
            f"{format_chance(mean['cautious'])} cautious (no credit for repeats of one pass), "
            f"{format_chance(mean['independent'])} if every run is a fresh chance."
        ]


def _figures(rows: "Coverage", *, cautious: bool) -> list[str]:
    """Lines of a table: each part as a whole, and below it what of it has reduced confidence."""
    from gridtools.cli.output import table
    from gridtools.units import format_area

    lines = []
    for part in dict.fromkeys(rows.part):
        for confidence, title in (("all", part), ("reduced", "  of it reduced")):
            row = rows.take((rows.part == part) & (rows.confidence == confidence))
            if confidence == "all" or row.search_m2.sum() > _NO_GROUND_M2:
                careful = (f"{row.cautious_percent[0]:.2f} %",) if cautious else ()
                lines.append(
                    (
                        title,
                        format_area(row.search_m2[0]),
                        f"{row.percent[0]:.2f} %",
                        *careful,
                        str(row.gaps[0]),
                        format_area(row.largest_gap_m2[0]),
                        f"{row.slivers[0]}, {format_area(row.slivers_m2[0])}",
                    )
                )
    header = ("part", "area", "covered", *(("cautious",) if cautious else ()))
    return table((*header, "gaps", "largest", "slivers"), lines)
