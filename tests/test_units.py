import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gridtools import units
from gridtools.errors import InputError


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("2m", 2.0),
        ("2", 2.0),
        # NIST SP 811 appendix B.6: 1 ft = 0.3048 m, 1 in = 0.0254 m, 1 yd = 0.9144 m, exact.
        ("6.5ft", 1.9812),
        ("13 in", 0.3302),
        ("3yd", 2.7432),
        # NIST SP 811: 1 US survey foot = 1200/3937 m.
        ("3937usft", 1200.0),
        ("1.5 KM", 1500.0),
    ],
)
def test_parse_length__known_units(text, metres):
    assert units.parse_length(text) == pytest.approx(metres, rel=1e-12)


@pytest.mark.parametrize(
    "text", ["", "m", "2 furlongs", "two", "2m 3", "1,5m", "nan", "inf m", "1e999m"]
)
def test_parse_length__refuses(text):
    with pytest.raises(InputError, match="not a length"):
        units.parse_length(text)


@pytest.mark.parametrize(
    ("text", "area"),
    # NIST SP 811 appendix B.6: 1 acre = 4046.8564224 m2 by the international foot.
    [("0.5ha", 5000.0), ("4m²", 4.0), ("1acre", 4046.8564224), ("10ft2", 0.9290304)],
)
def test_parse_area__known_units(text, area):
    assert units.parse_area(text) == pytest.approx(area, rel=1e-12)


@given(st.floats(-1e9, 1e9))
def test_normalise_bearing__in_range(bearing):
    result = float(units.normalise_bearing(bearing))
    assert 0.0 <= result < 360.0
    assert np.allclose(units.unit_vector(result), units.unit_vector(bearing), atol=1e-6)


@given(st.floats(0, 359.999))
def test_bearing_of__inverts_unit_vector(bearing):
    east, north = units.unit_vector(bearing)
    assert abs(float(units.bearing_difference(units.bearing_of(east, north), bearing))) < 1e-9


def test_shown_in__feet_of_the_job():
    """NIST SP 811: an acre is 43 560 square feet; survey feet are 1200/3937 m."""
    for foot in (0.3048, 1200 / 3937):
        with units.shown_in(foot):
            assert units.format_length(100 * foot) == "100.00 ft"
            assert units.format_length(40_000 * foot) == "40,000 ft"
            assert units.format_area(50 * foot**2) == "50.0 ft²"
            assert units.format_area(21_780 * foot**2) == "0.500 acres"
    assert units.format_length(100.0) == "100.00 m"
