import numpy as np
import shapely
from hypothesis import given
from hypothesis import strategies as st

from gridtools.targets.dig_pegs import place_pegs
from gridtools.targets.holes import SPOIL_SETBACK_M, outlines
from gridtools.units import bearing_difference, bearing_of


def pegs_for(xy, length, width, axis, ground=None):
    ids = np.array([f"D{i + 1:03d}" for i in range(len(xy))], dtype=object)
    return place_pegs(ids, xy, outlines(xy, length, width, axis), np.asarray(axis), ground)


@given(st.floats(0.8, 12.0), st.floats(0.8, 12.0), st.floats(0.0, 179.0))
def test_place_pegs__tape_finds_the_centre_again(length, width, axis):
    """Distances and bearings lead back to the centre; both pegs clear the hole and its spoil."""
    xy = np.array([[500_000.0, 5_800_000.0]])
    pegs = pegs_for(xy, [length], [width], [axis])
    at = shapely.get_coordinates(pegs.geometry)
    assert np.allclose(np.hypot(*(xy - at).T), pegs.distance_m, atol=1e-6)
    assert np.allclose(bearing_difference(bearing_of(*(xy - at).T), pegs.bearing_deg), 0, atol=1e-4)
    assert abs(abs(bearing_difference(*pegs.bearing_deg)) - 90.0) < 1e-6
    hole = outlines(xy, [length], [width], [axis])
    assert shapely.distance(pegs.geometry, hole[0]).min() >= SPOIL_SETBACK_M
    assert np.allclose(pegs.distance_m % 0.5, 0)


def test_place_pegs__not_in_the_next_hole_and_on_ground_that_may_be_walked():
    xy = np.array([[0.0, 0.0], [0.0, 3.0]])
    pegs = pegs_for(xy, [2.0, 2.0], [2.0, 2.0], [0.0, 0.0], shapely.box(-20, -20, 1.5, 20))
    holes = outlines(xy, [2.0, 2.0], [2.0, 2.0], [0.0, 0.0])
    assert not any(shapely.intersects(hole, pegs.geometry).any() for hole in holes)
    assert (shapely.get_x(pegs.geometry) <= 1.5).all()
    assert pegs.peg_id.tolist() == ["D001a", "D001b", "D002a", "D002b"]
