import numpy as np
import pytest
import shapely
from pyproj import CRS

from gridtools.demo import inputs, scenario
from gridtools.geodesy import WGS84, transform_xy
from gridtools.plan.area import search_area


def test_yard__is_about_six_tenths_of_a_hectare():
    assert inputs.ground()[0].geometry[0].area == pytest.approx(6000, rel=0.1)


def test_yard__lies_in_open_sea():
    """The middle of the southern North Sea, 2 to 3 degrees east, 54 to 54.5 north."""
    lon, lat = transform_xy([scenario.ORIGIN_M], CRS(scenario.JOB_CRS), WGS84)[0]
    assert 2.0 < lon < 3.0
    assert 54.0 < lat < 54.5


def test_to_map__keeps_lengths_and_turns_north():
    a, b = scenario.to_map(((3.0, 4.0), (3.0, 14.0)))
    east, north = b - a
    assert np.hypot(east, north) == pytest.approx(10.0)
    assert np.degrees(np.arctan2(east, north)) % 360 == pytest.approx(scenario.TURN_DEG)


def test_metal__five_pieces_all_in_ground_to_be_searched():
    area = shapely.union_all(search_area(*inputs.ground()).geometry)
    pieces = scenario.metal_geometry()
    assert len(pieces) == 5
    assert shapely.contains(area, pieces).all()


def test_changes__two_lines_all_on_the_site():
    site = inputs.ground()[0].geometry[0]
    lines = scenario.change_geometry()
    assert len(lines) == 2
    assert shapely.contains(site, lines).all()


def test_names__say_that_it_is_invented():
    assert "invented" in scenario.NAME
    for name, content in inputs.files().items():
        assert b"invented" in content, name
