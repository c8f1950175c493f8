"""What was covered, what was missed, and what to walk to close it."""

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from gridtools.coverage.infill import InfillRules, plan_infill, to_walk
from gridtools.coverage.listing import list_gaps
from gridtools.coverage.parts import Tally, Zones, coverage_layer
from gridtools.coverage.walked import split_passes
from gridtools.errors import InputError, MissingError
from gridtools.layers import Coverage, Covered, Gaps, Infill, Lanes, Runs, SearchArea
from gridtools.plan.effort import WALKING_MPS
from gridtools.swath.uncovered import MIN_PART_M2, uncovered
from gridtools.units import format_length

Geometries = NDArray[np.object_]

#: Smallest gap listed unless another is asked for: the plan area of a 55 US gallon drum lying
#: down, 0.572 m by 0.851 m (suppliers' sheets). What is smaller hides no such object whole.
DEFAULT_MIN_GAP_M2 = 0.5
#: One-sided 95 % point of the normal distribution, in standard deviations.
CAUTION_SIGMAS = 1.645


@dataclass(frozen=True, kw_only=True, eq=False)
class CoverageResult:
    """What was covered, what was missed, what to walk.

    Attributes
    ----------
    covered, gaps, infill, coverage
        Layers. A pass that covered nothing has no row in `covered`.
    infill_length_m, infill_dead_m, infill_seconds
        Length of the infill lanes to walk, dead walking between them, and the time for both.
    cautious_width_m
        Sweep width behind the cautious figures; NaN if there are none.
    notices
        What the reader has to know beside the figures.
    """

    covered: Covered
    gaps: Gaps
    infill: Infill
    coverage: Coverage
    infill_length_m: float
    infill_dead_m: float
    infill_seconds: float
    cautious_width_m: float
    notices: tuple[str, ...]

    @property
    def infill_to_walk(self) -> Infill:
        """Infill lanes not walked yet, in walking order."""
        return to_walk(self.infill)

    def percent(self, part: str, confidence: str = "all", *, cautious: bool = False) -> float:
        """Covered share of a part (``pass 1``, ``pass 2``, ``either``, ``both``), in percent.

        Raises
        ------
        InputError
            If there is no such row.
        """
        column = self.coverage.cautious_percent if cautious else self.coverage.percent
        return float(column[self._row(part, confidence)])

    def _row(self, part: str, confidence: str) -> int:
        found = np.flatnonzero(
            (self.coverage.part == part) & (self.coverage.confidence == confidence)
        )
        if not found.size:
            raise InputError(f"coverage has no row for {part}, {confidence}")
        return int(found[0])


def measure_coverage(
    search_area: SearchArea,
    runs: Runs,
    lanes: Lanes,
    *,
    sweep_width_m: float,
    passes: int,
    min_gap_m2: float = DEFAULT_MIN_GAP_M2,
    fix_accuracy_m: float | None = None,
    infill: Infill,
    crs: CRS,
    on: date,
    no_go: Any = None,
    lane_spacing_m: float | None = None,
    speed_mps: float = WALKING_MPS,
    threads: int | None = None,
) -> CoverageResult:
    """Ground within half a sweep width of accepted runs, gaps, and infill lanes.

    All coordinates are metres in one metric CRS.

    Parameters
    ----------
    search_area
        Search area by confidence.
    runs
        All runs; only accepted ones of a pass cover ground for it.
    lanes
        Planned lanes, infill and recheck lanes left out; may be empty.
    sweep_width_m
        Sweep width W.
    passes
        Number of passes planned, 1 or 2.
    min_gap_m2
        Smallest gap that is listed; smaller ones are counted and summed as slivers.
    fix_accuracy_m
        Standard error of a fix, each axis. It gives the cautious figures: the sweep width is
        cut by 1.645 standard errors on each side. Ground at the edge of such a strip was within
        W/2 of the true path with 95 % probability, if errors across the path are normal; that
        the fix may be off along the path as well does not matter to a strip.
    infill
        Infill lanes of the job so far.
    crs, on
        Metric CRS and date, for the bearings of infill lanes.
    no_go
        Ground that no infill lane may enter.
    lane_spacing_m
        Greatest distance between infill lanes over a wide gap; the sweep width if not given.
    speed_mps
        Walking speed, for the time that infill lanes take.
    threads
        Number of threads; results do not depend on it.

    Raises
    ------
    MissingError
        If there is no search area.
    InputError
        If a number cannot be used.

    Examples
    --------
    >>> field = shapely.MultiPolygon([shapely.box(0, 0, 60, 40)])
    >>> area = SearchArea.build(geometry=[field], confidence="full", area_m2=2400.0)
    >>> walk = [shapely.LineString([(x, -2), (x, 42)]) for x in (2, 6, 10)]
    >>> runs = Runs.build(geometry=walk, lane_id="", pass_no=1, heading_deg=0.0, length_m=44.0,
    ...                   accepted=True)
    >>> found = measure_coverage(area, runs, Lanes.empty(), sweep_width_m=4.0, passes=1,
    ...                          infill=Infill.empty(), crs=CRS(32631), on=date(2026, 3, 1))
    >>> round(found.percent("pass 1"), 6), found.gaps.area_m2.tolist()
    (20.0, [1920.0])
    """
    _check(sweep_width_m, passes, min_gap_m2, fix_accuracy_m, lane_spacing_m)
    zones = _zones(search_area)
    half, spacing = sweep_width_m / 2, lane_spacing_m or sweep_width_m
    walks = split_passes(lanes, runs, passes)
    left = tuple(uncovered(zones.whole, w.accepted.geometry, half, threads=threads) for w in walks)
    tally = Tally.of(zones, left)
    careful, careful_width, notices = None, np.nan, []
    if fix_accuracy_m is not None:
        careful_width = max(0.0, sweep_width_m - 2 * CAUTION_SIGMAS * fix_accuracy_m)
        careful = Tally.of(
            zones,
            tuple(
                uncovered(zones.whole, w.accepted.geometry, careful_width / 2, threads=threads)
                for w in walks
            ),
        )
        notices.append(
            f"Cautious figures count {format_length(careful_width)} of the sweep width: fixes "
            f"with a standard error of {format_length(fix_accuracy_m)} may lie "
            f"{format_length(CAUTION_SIGMAS * fix_accuracy_m)} off to one side (95 %)."
        )
    gaps = Gaps.concat(
        [
            list_gaps(
                parts,
                walk,
                min_gap_m2=min_gap_m2,
                half_width_m=half,
                spacing_m=spacing,
                threads=threads,
            )
            for parts, walk in zip(left, walks, strict=True)
        ]
    )
    closing = plan_infill(
        walks,
        gaps,
        infill,
        InfillRules(
            area=zones.whole,
            no_go=shapely.MultiPolygon() if no_go is None else no_go,
            sweep_width_m=sweep_width_m,
            spacing_m=spacing,
            speed_mps=speed_mps,
            min_gap_m2=min_gap_m2,
            crs=crs,
            on=on,
        ),
    )
    return CoverageResult(
        covered=_covered(zones, left),
        gaps=gaps,
        infill=closing.lanes,
        coverage=coverage_layer(zones, tally, careful, min_gap_m2),
        infill_length_m=closing.length_m,
        infill_dead_m=closing.dead_m,
        infill_seconds=closing.seconds,
        cautious_width_m=careful_width,
        notices=(*notices, *closing.notices),
    )


def _check(
    sweep_width_m: float,
    passes: int,
    min_gap_m2: float,
    fix_accuracy_m: float | None,
    lane_spacing_m: float | None,
) -> None:
    for value, name in ((sweep_width_m, "sweep width"), (lane_spacing_m, "lane spacing")):
        if value is not None and not (np.isfinite(value) and value > 0):
            raise InputError(f"a {name} of {value:g} m cannot be used: give more than 0")
    if passes not in (1, 2):
        raise InputError(f"{passes} passes cannot be measured: give 1 or 2")
    if not (np.isfinite(min_gap_m2) and min_gap_m2 >= 0):
        raise InputError(f"a smallest gap of {min_gap_m2:g} m² cannot be used: give 0 or more")
    if fix_accuracy_m is not None and not (np.isfinite(fix_accuracy_m) and fix_accuracy_m >= 0):
        raise InputError(f"a fix accuracy of {fix_accuracy_m:g} m cannot be used: give 0 or more")


def _zones(search_area: SearchArea) -> Zones:
    if not len(search_area):
        raise MissingError("the job has no search area: run area first")
    whole = shapely.union_all(search_area.geometry)
    reduced = shapely.union_all(search_area.geometry[search_area.confidence == "reduced"])
    return Zones(whole, reduced)


def _covered(zones: Zones, left: tuple[Geometries, ...]) -> Covered:
    """Covered ground of each pass: the search area without what the pass left."""
    rows = []
    for number, parts in enumerate(left, start=1):
        ground = shapely.difference(zones.whole, shapely.MultiPolygon(list(parts)))
        pieces = shapely.get_parts(ground)
        pieces = pieces[shapely.area(pieces) >= MIN_PART_M2]
        if len(pieces):
            area = zones.whole.area - float(shapely.area(parts).sum())
            rows.append((shapely.MultiPolygon(list(pieces)), number, area))
    geometry, pass_no, area_m2 = zip(*rows, strict=True) if rows else ((), (), ())
    return Covered.build(geometry=list(geometry), pass_no=list(pass_no), area_m2=list(area_m2))
