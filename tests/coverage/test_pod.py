"""Values are checked against a plain computation: every cell, every run, shapely's distance."""

import numpy as np
import pytest
import shapely

from gridtools.coverage.pod import PodMap, accepted_passes, cell_size
from gridtools.layers import Lanes, Runs
from gridtools.sensor.curves import (
    DefiniteRange,
    HalfNormal,
    HazardRate,
    InverseCube,
    Logistic,
    smeared,
)
from gridtools.sensor.pod import pod_nearest, pod_parallel
from gridtools.swath.cells import CellGrid

AREA = shapely.Polygon([(0, 0), (62, 6), (55, 50), (8, 44)]).difference(shapely.box(20, 20, 26, 31))


def walked(spacing_m, seed=3, wander_m=0.2):
    """Two passes of wandering runs, one run of neither, and one that does not count."""
    rng = np.random.default_rng(seed)
    lines, pass_no = [], []
    for number in (1, 2):
        for c in np.arange(-5, 70, spacing_m):
            along = np.arange(-4, 70, 1.3)
            across = c + np.convolve(rng.normal(0, wander_m, len(along) + 6), np.ones(7) / 3)[6:-6]
            xy = np.stack([across, along] if number == 1 else [along, across], axis=1)
            lines.append(shapely.LineString(xy[:: rng.choice([1, -1])]))
            pass_no.append(number)
    lines += [shapely.LineString([(3, 40), (30, 15), (31, 16), (5, 44)])] * 2
    pass_no += [0, 1]
    ends = np.array([np.subtract(line.coords[-1], line.coords[0]) for line in lines])
    return Runs.build(
        geometry=lines,
        pass_no=pass_no,
        heading_deg=np.degrees(np.arctan2(*ends.T)) % 360,
        length_m=shapely.length(lines),
        accepted=[True] * (len(lines) - 1) + [False],
    )


def values(runs, curve, cell_m=0.5, threads=None):
    """Both PODs and the crossings over the whole grid; NaN where there are none."""
    grid = CellGrid.over(AREA, cell_m)
    out = np.full((6, grid.rows, grid.columns), np.nan)
    pod = PodMap(AREA, accepted_passes(Lanes.empty(), runs), curve, grid, threads=threads)
    for part in pod.windows():
        w = part.window
        here = out[:, w.row : w.row + w.rows, w.column : w.column + w.columns]
        found = [part.independent, part.cautious, *part.crossings]
        here[:, part.inside] = np.stack(found)[:, part.inside]
    return grid, out


def brute(runs, curve, grid):
    """The same, the plain way: of the run of no pass it is known that it counts to pass 1."""
    counted = runs.take(runs.accepted)
    x = grid.west_m + (np.arange(grid.columns) + 0.5) * grid.cell_m
    y = grid.north_m - (np.arange(grid.rows) + 0.5) * grid.cell_m
    points = shapely.points(*np.meshgrid(x, y))
    inside = shapely.contains(AREA, points)
    points = points[inside]
    miss, best = np.ones(len(points)), np.zeros((2, len(points)))
    crossings = np.zeros((4, len(points)))
    for line, number, heading in zip(
        counted.geometry, counted.pass_no, counted.heading_deg, strict=True
    ):
        distance = shapely.distance(points, line)
        p = curve.probability(distance)
        miss *= 1 - p
        group = 1 if number == 2 else 0
        best[group] = np.maximum(best[group], p)
        word = (0 if np.cos(np.radians(heading)) > 0 else 1) if group == 0 else (
            2 if np.sin(np.radians(heading)) > 0 else 3
        )  # fmt: skip
        crossings[word] += distance <= curve.sweep_width_m / 2
    return inside, np.concatenate([[1 - miss, 1 - (1 - best).prod(axis=0)], crossings])


CURVES = [
    DefiniteRange(4.0, peak=0.9),
    HalfNormal(4.0),
    Logistic(4.0, peak=0.97),
    HazardRate(4.0, steepness=3.0),
    InverseCube(4.0),
    smeared(InverseCube(4.0), 0.5),
]


@pytest.mark.parametrize("curve", CURVES, ids=lambda c: c.kind)
@pytest.mark.parametrize(("spacing_m", "error"), [(3.0, 1e-3), (17.0, 3e-3)])
def test_windows__as_brute_force(curve, spacing_m, error):
    """Lanes as one walks them, and far apart, where long tails matter most."""
    runs = walked(spacing_m)
    grid, found = values(runs, curve)
    inside, true = brute(runs, curve, grid)
    assert (np.isfinite(found[0]) == inside).all()
    assert np.abs(found[:2, inside] - true[:2]).max() < error
    # A run exactly half a sweep width off may fall on either side.
    assert np.mean(found[2:, inside] != true[2:]) < 1e-4


def test_windows__threads_and_windows_do_not_matter(monkeypatch):
    runs = walked(5.0)
    once = values(runs, InverseCube(4.0), threads=1)[1]
    assert np.array_equal(once, values(runs, InverseCube(4.0), threads=3)[1], equal_nan=True)
    monkeypatch.setattr("gridtools.coverage.pod.WINDOW", 37)
    cut = values(runs, InverseCube(4.0), threads=2)[1]
    assert np.nanmax(np.abs(once[:2] - cut[:2])) < 2e-4


@pytest.mark.parametrize("curve", CURVES[1:5], ids=lambda c: c.kind)
def test_windows__the_mean_is_the_law_of_parallel_lanes(curve):
    """Long straight lanes on both sides: the POD of sensor.pod, itself held to Washburn's."""
    spacing = 5.0
    area = shapely.box(0, 0, 6 * spacing, 8)
    walk = [shapely.LineString([(x, -400), (x, 400)]) for x in np.arange(-400, 430, spacing)]
    runs = Runs.build(geometry=walk, pass_no=1, heading_deg=0.0, length_m=800.0, accepted=True)
    pod = PodMap(area, accepted_passes(Lanes.empty(), runs), curve, CellGrid.over(area, 0.25))
    part = next(pod.windows())
    assert part.independent.mean() == pytest.approx(pod_parallel(curve, spacing), abs=1e-3)
    assert part.cautious.mean() == pytest.approx(pod_nearest(curve, spacing), abs=1e-3)


def test_windows__a_run_that_comes_back_counts_once():
    line = shapely.LineString([(10, 0), (10, 50), (12, 50), (12, 0)])
    runs = Runs.build(geometry=[line], pass_no=1, heading_deg=0.0, length_m=1.0, accepted=True)
    _, found = values(runs, DefiniteRange(6.0, peak=0.5))
    assert np.nanmax(found[0]) == pytest.approx(0.5)
    assert np.nanmax(found[2]) == 1


def test_windows__no_runs():
    _, found = values(Runs.empty(), InverseCube(4.0))
    assert np.nanmax(found) == 0.0


def test_cell_size__never_more_than_an_eighth():
    for width in np.geomspace(0.3, 60, 50):
        assert width / 12.1 < cell_size(width) <= width / 8 * (1 + 1e-9)
