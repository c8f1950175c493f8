import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from gridtools.layers import Lanes
from gridtools.plan.frame import Slope, lay_frame, tape_marks


def lanes_at(*lines, pass_no=1):
    return Lanes.build(
        geometry=shapely.linestrings(np.array(lines, dtype=float)),
        lane_id=[f"1-{i:03d}" for i in range(1, len(lines) + 1)],
        pass_no=pass_no,
    )


def test_slope__along_and_across_the_fall():
    """Tape reads horizontal / cos(slope) down the fall, the horizontal length along a contour."""
    slope = Slope(20.0, 30.0)
    assert slope.ratio([30.0, 210.0]) == pytest.approx(1 / np.cos(np.radians(20.0)))
    assert slope.ratio([120.0, 300.0]) == pytest.approx(1.0)
    assert 1.0 < float(slope.ratio(75.0)) < float(slope.ratio(30.0))


def test_slope__along_every_line():
    assert Slope(10.0).ratio([0.0, 45.0, 271.0]) == pytest.approx(1 / np.cos(np.radians(10.0)))
    assert Slope().ratio([0.0, 45.0]) == pytest.approx(1.0, abs=0)


def test_frame__whole_metres_on_the_first_lanes():
    """Lanes 2 m apart from x = 0.37: the first reads whole metres, so every one does."""
    lanes = lanes_at([(0.37, 2.2), (0.37, 51.0)], [(2.37, 51.0), (2.37, -1.4)])
    frame = lay_frame(lanes, 1.0)
    assert frame.coordinates_m([[0.37, 2.2], [2.37, 51.0]])[:, 0] == pytest.approx([0.0, 2.0])
    assert (frame.width_m, frame.depth_m) == (2.0, 53.0)
    assert frame.axes.apply([[0.0, 0.0]])[0] == pytest.approx([0.37, -1.4])


def test_frame__second_pass_reads_whole_metres_too():
    up = lanes_at([(10.3, 0.0), (10.3, 40.0)])
    across = lanes_at([(0.6, 7.25), (30.9, 7.25)], pass_no=2)
    frame = lay_frame(Lanes.concat([up, across]), 1.0)
    start = frame.coordinates_m([[10.3, 0.0], [0.6, 7.25]])
    assert start[0, 0] == pytest.approx(10.0)
    assert start[1, 1] == pytest.approx(8.0)
    assert (start >= -1e-9).all()


@pytest.mark.parametrize(
    ("finish", "bearing"),
    [((0, 9), 0.0), ((0, -9), 0.0), ((9, 0), 90.0), ((-9, 0), 90.0), ((-9, 9), 315.0)],
)
def test_frame__points_as_nearly_north_as_it_can(finish, bearing):
    assert lay_frame(lanes_at([(0, 0), finish]), 1.0).axes.rotation_deg == pytest.approx(bearing)


def test_frame__one_lane_still_has_sides():
    frame = lay_frame(lanes_at([(0, 0), (0, 0.4)]), 1.0)
    assert (frame.width_m, frame.depth_m) == (1.0, 1.0)


def test_frame__ground_lengths_under_a_scaled_crs():
    """In a CRS that shrinks the ground by 0.9996, 99.96 m are 100 m on the tape."""
    frame = lay_frame(lanes_at([(0, 0), (0, 99.96)]), 0.9996)
    assert frame.depth_m == 100.0
    assert frame.axes.apply([[0.0, 100.0]])[0] == pytest.approx([0.0, 99.96])


@given(st.lists(st.floats(0.0, 500.0), max_size=20), st.floats(5.0, 100.0))
def test_tape_marks__never_more_than_a_tape_apart(lengths, tape):
    lengths = np.array(lengths)
    line, reading = tape_marks(lengths, tape)
    for i, length in enumerate(lengths):
        marks = np.concatenate([[0.0], reading[line == i], [length]])
        gaps = np.diff(marks)
        assert (gaps <= tape + 1e-5).all()
        assert len(marks) == 2 or (gaps > 0).all()
        assert len(marks) == 2 or length > tape
