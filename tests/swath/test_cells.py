import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.swath.cells import CellGrid, Outline


def centres(window):
    west, _, _, north = window.bounds_m
    cell = window.grid.cell_m
    x = west + (np.arange(window.columns) + 0.5) * cell
    y = north - (np.arange(window.rows) + 0.5) * cell
    return np.meshgrid(x, y)


@given(st.integers(0, 10_000), st.sampled_from([0.3, 0.7, 1.0]))
def test_inside__as_shapely_says(seed, cell):
    """Holes, several parts, windows; centres on an edge are left out (either side is right)."""
    rng = np.random.default_rng(seed)
    outline = shapely.Point(3, 4).buffer(rng.uniform(2, 9), quad_segs=int(rng.integers(1, 8)))
    hole = shapely.Point(*rng.uniform(0, 6, 2)).buffer(rng.uniform(0.2, 3))
    area = outline.difference(hole).union(shapely.box(20, 0, 22, rng.uniform(0.1, 9)))
    for window in CellGrid.over(area, cell).windows(8):
        x, y = centres(window)
        far = shapely.distance(shapely.points(x, y), area.boundary) > 1e-6
        inside = Outline(area).inside(window)
        assert (inside == shapely.contains_xy(area, x, y))[far].all()


def test_inside__a_centre_on_a_shared_edge_counts_once():
    one, other = shapely.box(0, 0, 1.5, 3), shapely.box(1.5, 0, 3, 3)
    window = next(CellGrid.over(one.union(other), 1.0).windows(9))
    counts = Outline(one).inside(window).astype(int) + Outline(other).inside(window)
    assert (counts == 1).all()


def test_inside__empty_polygon():
    window = next(CellGrid.over(shapely.box(0, 0, 3, 3), 1.0).windows(9))
    assert not Outline(shapely.MultiPolygon()).inside(window).any()


@pytest.mark.parametrize("cell", [0.0, -1.0, float("nan"), 1e-6])
def test_over__unusable_cell(cell):
    with pytest.raises(InputError, match="cell"):
        CellGrid.over(shapely.box(0, 0, 1000, 1000), cell)


def test_coarser__a_border_of_one_cell():
    grid = CellGrid.over(shapely.box(0, 0, 10, 7), 1.0).coarser(4)
    assert (grid.west_m, grid.north_m, grid.columns, grid.rows) == (-4.0, 11.0, 5, 4)
