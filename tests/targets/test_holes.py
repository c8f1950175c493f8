"""Slopes and depths of 29 CFR 1926 Subpart P: appendix B, 1926.651 and 1926.652 (read)."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import dblquad

from gridtools.errors import InputError
from gridtools.targets.holes import (
    DEPTH_SIGMAS,
    EGRESS_FROM_M,
    EGRESS_WITHIN_M,
    ENGINEER_OVER_M,
    PROTECTION_FROM_M,
    ROOM_M,
    SIDE_SLOPE,
    SPOIL_SETBACK_M,
    hole_volume_m3,
    outlines,
    size_holes,
)
from gridtools.units import parse_length

metres = st.floats(0.1, 6.0)


@pytest.mark.parametrize(
    ("soil", "run_to_rise", "degrees"),
    [("rock", 0.0, 90.0), ("A", 0.75, 53.0), ("B", 1.0, 45.0), ("C", 1.5, 34.0)],
)
def test_side_slope__table_b1(soil, run_to_rise, degrees):
    """Table B-1 states both the ratio and the angle, the latter to the nearest degree."""
    assert SIDE_SLOPE[soil] == run_to_rise
    assert math.degrees(math.atan2(1.0, SIDE_SLOPE[soil])) == pytest.approx(degrees, abs=0.5)


def test_thresholds__in_feet_and_metres():
    """The standard itself states 4 ft (1.22 m), 5 ft (1.52 m), 20 ft (6.1 m), 25 ft (7.62 m) and
    2 ft (.61 m)."""
    assert parse_length("4ft") == EGRESS_FROM_M == pytest.approx(1.22, abs=0.005)
    assert parse_length("5ft") == PROTECTION_FROM_M == pytest.approx(1.52, abs=0.005)
    assert parse_length("20ft") == ENGINEER_OVER_M == pytest.approx(6.1, abs=0.005)
    assert parse_length("25ft") == EGRESS_WITHIN_M == pytest.approx(7.62, abs=0.005)
    assert parse_length("2ft") == SPOIL_SETBACK_M == pytest.approx(0.61, abs=0.005)


@given(metres, metres, metres, st.sampled_from(sorted(SIDE_SLOPE.values())))
def test_volume__against_integrating_the_depth_over_the_ground(length, width, deep, slope):
    """Independent of the formula: the depth below ground at each place, summed over the top."""

    half_x, half_y = length / 2 + slope * deep, width / 2 + slope * deep
    cells = 400
    x = (np.arange(cells) + 0.5) / cells * half_x
    y = (np.arange(cells) + 0.5) / cells * half_y
    out = np.maximum(np.maximum(x[:, None] - length / 2, y[None] - width / 2), 0)
    depth = np.maximum(deep - out / slope, 0) if slope else np.full(out.shape, deep)
    numeric = 4 * depth.mean() * half_x * half_y
    assert float(hole_volume_m3(length, width, deep, slope)) == pytest.approx(numeric, rel=1e-3)


def test_volume__frustum_of_a_pyramid():
    """A square hole is a frustum of a pyramid: h (A + sqrt(A B) + B) / 3 (Euclid; Heron)."""
    bottom, top, deep = 2.0**2, 5.0**2, 1.5
    expected = deep * (bottom + math.sqrt(bottom * top) + top) / 3
    assert float(hole_volume_m3(2.0, 2.0, deep, 1.0)) == pytest.approx(expected, rel=1e-12)
    numeric, _ = dblquad(lambda y, x: min(1.5, 2.5 - max(x, y)), 0, 2.5, 0, 2.5, epsabs=1e-4)
    assert 4 * numeric == pytest.approx(expected, rel=1e-4)


def test_size_holes__takes_in_the_error_of_place_and_depth():
    hole = size_holes([0.5], [0.2], [1.0], [0.1], soil="A")
    deep = 1.0 + DEPTH_SIGMAS * 0.1
    assert hole.depth_m.tolist() == [pytest.approx(deep)]
    assert hole.base_length_m.tolist() == [pytest.approx(2 * (0.5 + ROOM_M))]
    assert hole.top_length_m.tolist() == [pytest.approx(2 * (0.5 + ROOM_M) + 2 * 0.75 * deep)]
    assert hole.top_width_m.tolist() == [pytest.approx(2 * (0.2 + ROOM_M) + 2 * 0.75 * deep)]


def test_size_holes__unknown_depth_gives_no_volume():
    assert np.isnan(size_holes([0.5], [0.5], [np.nan], [np.nan]).volume_m3).all()


def test_size_holes__upright_only_where_shallow_and_never_beyond_five_feet():
    shallow, deep = size_holes(
        [0.5, 0.5], [0.5, 0.5], [0.9, 1.4], [0.0, 0.0], upright_to_m=1.0
    ).top_length_m.tolist()
    assert shallow == pytest.approx(2 * (0.5 + ROOM_M))
    assert deep == pytest.approx(2 * (0.5 + ROOM_M) + 3 * 1.4)
    size_holes([0.5], [0.5], [1.0], [0.0], upright_to_m=parse_length("5ft"))
    with pytest.raises(InputError, match="5 ft"):
        size_holes([0.5], [0.5], [1.0], [0.0], upright_to_m=parse_length("5.1ft"))


def test_size_holes__unknown_ground():
    with pytest.raises(InputError, match="'D' is not a class of ground"):
        size_holes([0.5], [0.5], [1.0], [0.0], soil="D")


@given(st.floats(0, 360), metres, metres)
def test_outlines__area_and_centre_hold_on_any_bearing(axis, length, width):
    xy = np.array([[500_000.0, 5_800_000.0]])
    shape = outlines(xy, [length], [width], [axis])[0]
    assert shape.area == pytest.approx(length * width, rel=1e-6)
    assert shape.centroid.distance(type(shape.centroid)(xy[0])) < 1e-6
