"""The map of the report: every layer as one group of a drawing, in metres, grid north up.

North is up and y runs down, as drawings have it: a point (east, north) is drawn at
(east - west edge, north edge - north). The page's script zooms, switches groups and draws the
grid and the scale bar again; without it the whole map stands as it is.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.coverage.infill import to_walk
from gridtools.handover.report.contents import Contents
from gridtools.handover.report.pencil import Group, Pencil
from gridtools.layers import (
    Candidates,
    Control,
    Covered,
    Digs,
    Edges,
    Exclusion,
    Gaps,
    Hits,
    Infill,
    Interference,
    Lanes,
    Outcomes,
    Pinpoints,
    Recheck,
    Runs,
    SearchArea,
    Site,
)
from gridtools.units import format_area, format_length

#: Width of the drawing on a wide screen, in pixels: sizes the symbols until the script does.
SCREEN_PX = 960.0
#: Finest detail drawn, as a share of the map's width: a quarter of a pixel at that width.
_DETAIL = 0.25 / SCREEN_PX
_STEPS = (1.0, 2.0, 5.0)


@dataclass(frozen=True)
class PlanMap:
    """The drawing.

    Attributes
    ----------
    width, height
        Size in metres on the ground.
    west, north
        Coordinates in metres of its upper left corner.
    unit_m
        Metres in one unit of the coordinates along the edge.
    groups
        Layers, in the order of drawing.
    grid_m
        Spacing of the grid lines.
    grid
        Grid lines as (x or y of the line, coordinate to print), easting first.
    bar_m
        Length of the scale bar.
    pixel_m
        Metres in a pixel at the usual width.
    image
        Image under the lines as (data URI, x, y, width, height), or None.
    """

    width: float
    height: float
    west: float
    north: float
    unit_m: float
    groups: Sequence[Group]
    grid_m: float
    grid: tuple[Sequence[tuple[float, str]], Sequence[tuple[float, str]]]
    bar_m: float
    pixel_m: float
    image: tuple[str, float, float, float, float] | None


def plan_map(contents: Contents) -> PlanMap | None:
    """Map of the job, or None where there is no boundary."""
    site = contents.of(Site)
    if not len(site):
        return None
    west, south, east, north = shapely.total_bounds(site.geometry)
    pad = 0.06 * max(east - west, north - south, 1.0)
    west, south, east, north = west - pad, south - pad, east + pad, north + pad
    # A long thin site still needs room for the bar, and must not fill three screens.
    width, height = east - west, north - south
    if height < 0.45 * width:
        north += (0.45 * width - height) / 2
        height = 0.45 * width
    if width < 0.8 * height:
        west -= (0.8 * height - width) / 2
        width = 0.8 * height
    pencil = Pencil(west, north, width * _DETAIL)
    unit = contents.metres_per_unit
    step = nice(width / 5 / unit) * unit
    bounds = contents.pod_bounds
    return PlanMap(
        width=round(width, 3),
        height=round(height, 3),
        west=float(west),
        north=float(north),
        unit_m=unit,
        groups=[g for g in _groups(contents, pencil) if g.shapes or g.spots],
        grid_m=step,
        grid=(
            [(round(e - west, 3), f"{e / unit:.0f}") for e in _ticks(west, west + width, step)],
            [(round(north - n, 3), f"{n / unit:.0f}") for n in _ticks(north - height, north, step)],
        ),
        bar_m=nice(width / 5 / unit) * unit,
        pixel_m=width / SCREEN_PX,
        image=(
            contents.pod_image,
            round(bounds[0] - west, 3),
            round(north - bounds[3], 3),
            round(bounds[2] - bounds[0], 3),
            round(bounds[3] - bounds[1], 3),
        )
        if contents.pod_image
        else None,
    )


def nice(length: float) -> float:
    """Round length, 1, 2 or 5 times a power of ten, no longer than the one given.

    Examples
    --------
    >>> nice(37.0), nice(5.0), nice(0.9)
    (20.0, 5.0, 0.5)
    """
    power = 10.0 ** math.floor(math.log10(length))
    return max(s for s in _STEPS if s * power <= length * (1 + 1e-12)) * power


def _ticks(low: float, high: float, step: float) -> NDArray[np.float64]:
    first, last = math.ceil(low / step), math.floor(high / step)
    return np.asarray(np.arange(first, last + 1) * step, dtype=np.float64)


def _groups(contents: Contents, pencil: Pencil) -> list[Group]:
    walked = len(contents.of(Runs)) > 0
    lanes = contents.of(Lanes)
    area = contents.of(SearchArea)
    gaps, covered, runs = contents.of(Gaps), contents.of(Covered), contents.of(Runs)
    infill, recheck = to_walk(contents.of(Infill)), to_walk(contents.of(Recheck))
    groups = [
        pencil.areas(
            "search",
            "Search area",
            area.take(area.confidence != "reduced").geometry,
            _always("search area"),
        ),
        pencil.areas(
            "reduced",
            "Reduced confidence",
            area.take(area.confidence == "reduced").geometry,
            _always("reduced confidence: inside the standoff of a source of false response"),
        ),
    ]
    for number in np.unique(covered.pass_no).tolist():
        groups.append(
            pencil.areas(
                f"covered-{number}",
                f"Covered by pass {number}",
                covered.geometry[covered.pass_no == number],
                _always(f"covered by pass {number}"),
                shown=False,
            )
        )
    groups += [
        pencil.areas(
            "gaps",
            "Gaps",
            gaps.geometry,
            lambda i: f"gap {gaps.gap_id[i]}: {format_area(gaps.area_m2[i])}, {gaps.reason[i]}",
        ),
        *_boundaries(contents, pencil),
    ]
    for number in np.unique(lanes.pass_no).tolist():
        part = lanes.take(lanes.pass_no == number)
        groups.append(
            pencil.lines(
                f"lanes-{number}",
                f"Lanes of pass {number}",
                part.geometry,
                _lane_words(part, "lane"),
                shown=not walked,
            )
        )
    accepted = runs.take(runs.accepted)
    groups += [
        pencil.lines(
            "runs",
            "Walked, accepted",
            accepted.geometry,
            lambda i: f"run {accepted.run_id[i]}, lane {accepted.lane_id[i] or 'none'}",
            shown=False,
        ),
        pencil.lines("infill", "Infill lanes", infill.geometry, _lane_words(infill, "infill lane")),
        pencil.lines(
            "recheck", "Recheck lanes", recheck.geometry, _lane_words(recheck, "recheck lane")
        ),
        *_found(contents, pencil),
    ]
    return groups


def _always(words: str) -> Callable[[int], str]:
    return lambda _: words


def _lane_words(lanes: Lanes, kind: str) -> Callable[[int], str]:
    return lambda i: f"{kind} {lanes.lane_id[i]}, {format_length(lanes.length_m[i])}"


def _boundaries(contents: Contents, pencil: Pencil) -> list[Group]:
    site, exclusion = contents.of(Site), contents.of(Exclusion)
    interference, control = contents.of(Interference), contents.of(Control)
    return [
        pencil.areas(
            "interference",
            "Sources of false response",
            interference.geometry,
            lambda i: f"standoff of {interference.kind[i] or 'a source of false response'}",
        ),
        pencil.areas(
            "exclusion",
            "Not to be walked",
            exclusion.geometry,
            lambda i: f"not to be walked: {exclusion.reason[i] or 'no reason given'}",
        ),
        pencil.areas(
            "site", "Site boundary", site.geometry, lambda i: f"site {site.name[i]}".strip()
        ),
        pencil.points(
            "control",
            "Control",
            control.geometry,
            ["control"] * len(control),
            lambda i: f"control {control.name[i]}",
            control.name,
        ),
    ]


def _found(contents: Contents, pencil: Pencil) -> list[Group]:
    hits, edges = contents.of(Hits), contents.of(Edges)
    hits = hits.take(~hits.struck)
    candidates, pinpoints = contents.of(Candidates), contents.of(Pinpoints)
    digs, outcomes = contents.of(Digs), contents.of(Outcomes)
    return [
        pencil.lines(
            "edges",
            "Edges of ground",
            edges.geometry,
            lambda i: f"edge {edges.edge_id[i]}: {edges.hits[i]} hits on one heading only",
        ),
        pencil.points(
            "hits",
            "Hits",
            hits.geometry,
            ["hit"] * len(hits),
            lambda i: f"hit {hits.hit_id[i]}, lane {hits.lane_id[i] or 'none'}",
            None,
            shown=False,
        ),
        pencil.points(
            "candidates",
            "Candidates",
            candidates.geometry,
            [verdict.replace(" ", "-") for verdict in candidates.verdict],
            lambda i: (
                f"candidate {candidates.candidate_id[i]}: {candidates.verdict[i]}, "
                f"chance of metal {candidates.p_metal[i]:.0%}"
            ),
            candidates.candidate_id,
        ),
        pencil.points(
            "pinpoints",
            "Pinpoints",
            pinpoints.geometry,
            ["pinpoint"] * len(pinpoints),
            lambda i: f"pinpoint of {pinpoints.candidate_id[i]}",
            None,
        ),
        pencil.points(
            "digs",
            "Digs",
            digs.geometry,
            ["dig"] * len(digs),
            lambda i: f"dig {digs.dig_id[i]} of {digs.candidate_id[i]}, {digs.status[i] or 'open'}",
            digs.dig_id,
        ),
        pencil.points(
            "outcomes",
            "Outcomes",
            outcomes.geometry,
            ["outcome"] * len(outcomes),
            lambda i: f"outcome {outcomes.outcome_id[i]}: {outcomes.found[i] or 'not stated'}",
            None,
        ),
    ]
