import json

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from gridtools.errors import InputError
from gridtools.geodesy import (
    WGS84,
    horizontal,
    lonlat_bounds,
    metric_twin,
    transform_geometry,
    transform_xy,
    unit_factor,
)

BOUND = (
    "+proj=tmerc +lat_0=49 +lon_0=-2 +k=0.9996012717 +x_0=400000 +y_0=-100000 +ellps=airy "
    "+towgs84=446.448,-125.157,542.06,0.15,0.247,0.842,-20.489 +units=ft"
)


def dms(degrees, minutes, seconds):
    return degrees + minutes / 60 + seconds / 3600


def test_transform__transverse_mercator_of_snyder():
    # Snyder 1987, USGS Professional Paper 1395, pp. 269-270: Clarke 1866, central meridian 75° W,
    # scale 0.9996, 40°30'N 73°30'W gives x 127106.5, y 4484124.4.
    clarke = CRS("+proj=longlat +ellps=clrk66")
    plane = CRS("+proj=tmerc +lon_0=-75 +k_0=0.9996 +ellps=clrk66")
    assert transform_xy([[-73.5, 40.5]], clarke, plane) == pytest.approx(
        np.array([[127106.5, 4484124.4]]), abs=0.05
    )


def test_transform__flinders_peak_in_mga_zone_55():
    # GDA Technical Manual: Flinders Peak on GDA94, MGA94 zone 55.
    flinders = [[dms(144, 25, 29.52440), -dms(37, 57, 3.72030)]]
    found = transform_xy(flinders, CRS.from_epsg(4283), CRS.from_epsg(28355))
    assert found == pytest.approx(np.array([[273741.297, 5796489.777]]), abs=0.0006)


@pytest.mark.parametrize("code", [2263, 2222, 6494, 32630, 27700])
def test_metric_twin__coordinates_scale_exactly(code):
    """US survey foot, international foot (two), metre (two): only the unit differs."""
    crs = CRS.from_epsg(code)
    area = crs.area_of_use
    lon, lat = np.meshgrid(
        np.linspace(area.west, area.east, 5), np.linspace(area.south, area.north, 5)
    )
    places = np.column_stack([lon.ravel(), lat.ravel()])
    native = transform_xy(places, WGS84, crs)
    twin = transform_xy(places, WGS84, metric_twin(crs))
    assert np.abs(twin - native * unit_factor(crs)).max() < 1e-7
    assert [axis.unit_conversion_factor for axis in metric_twin(crs).axis_info] == [1.0, 1.0]
    back = transform_xy(twin, metric_twin(crs), crs)
    assert back == pytest.approx(native, rel=1e-12)


@pytest.mark.parametrize(
    ("code", "factor"),
    # NIST SP 811 appendix B.6: 1 ft = 0.3048 m, 1 US survey foot = 1200/3937 m, exact.
    [(2263, 1200 / 3937), (2222, 0.3048), (2193, 1.0), (7405, 1.0)],
)
def test_unit_factor__known_units(code, factor):
    assert unit_factor(CRS.from_epsg(code)) == pytest.approx(factor, rel=1e-15)


def test_metric_twin__keeps_a_datum_shift_attached():
    bound = CRS(BOUND)
    assert bound.is_bound
    assert metric_twin(bound).is_bound
    here = [[-1.5, 53.0]]
    native = transform_xy(here, WGS84, bound)
    assert transform_xy(here, WGS84, metric_twin(bound)) == pytest.approx(native * 0.3048, abs=1e-6)
    unshifted = transform_xy(here, CRS(bound.source_crs.geodetic_crs), bound.source_crs)
    assert np.hypot(*(native - unshifted)[0]) > 100.0


def test_metric_twin__compound_and_3d():
    assert metric_twin(CRS.from_epsg(7405)) == CRS.from_epsg(27700)
    three = CRS.from_epsg(32630).to_3d()
    assert len(metric_twin(three).axis_info) == 2
    feet = CRS.from_user_input("EPSG:2263+5703")
    assert len(horizontal(feet).axis_info) == 2
    here = [[-74.0, 40.7]]
    assert transform_xy(here, WGS84, metric_twin(feet)) == pytest.approx(
        transform_xy(here, WGS84, metric_twin(CRS.from_epsg(2263))), abs=1e-9
    )


def test_transform__northing_first_crs_still_gives_east_north():
    nztm = CRS.from_epsg(2193)
    assert nztm.axis_info[0].direction == "north"
    # The origin of NZTM2000, 0° 173° E, is E 1 600 000, N 10 000 000 (LINZ standard S25002).
    found = transform_xy([[173.0, 0.0]], CRS.from_epsg(4167), metric_twin(nztm))
    assert found == pytest.approx(np.array([[1.6e6, 1e7]]), abs=1e-6)


@pytest.mark.parametrize(
    ("crs", "words"),
    [
        (CRS.from_epsg(4326), "not a projected CRS"),
        (CRS.from_epsg(4978), "not a projected CRS"),
        (CRS.from_epsg(2053), "west and south"),
        (CRS.from_epsg(5513), "south and west"),
    ],
)
def test_unit_factor__refuses(crs, words):
    with pytest.raises(InputError, match=words):
        unit_factor(crs)


def test_unit_factor__axes_without_a_common_unit():
    mixed = CRS.from_epsg(32630).to_json_dict()
    mixed["coordinate_system"]["axis"][0]["unit"] = {
        "type": "LinearUnit", "name": "foot", "conversion_factor": 0.3048
    }  # fmt: skip
    mixed.pop("id")
    with pytest.raises(InputError, match="single unit of length"):
        unit_factor(CRS.from_json(json.dumps(mixed)))


def test_unit_factor__missing_axis_unit_is_not_guessed():
    bare = CRS.from_epsg(2263).to_json_dict()
    for axis in bare["coordinate_system"]["axis"]:
        del axis["unit"]
    bare.pop("id")
    with pytest.raises(InputError, match="single unit of length"):
        unit_factor(CRS.from_json(json.dumps(bare)))


def test_transform_xy__empty_and_unknown():
    utm = CRS.from_epsg(32630)
    assert transform_xy(np.empty((0, 2)), WGS84, utm).shape == (0, 2)
    found = transform_xy([[np.nan, np.nan], [-3.0, 0.0]], WGS84, utm)
    assert np.isnan(found[0]).all()
    assert found[1] == pytest.approx([500_000.0, 0.0], abs=1e-6)


def test_transform_xy__outside_the_crs_names_the_point():
    with pytest.raises(InputError, match="point 2 at 500000"):
        transform_xy([[-3.0, 50.0], [500000.0, 5000000.0]], WGS84, CRS.from_epsg(32630))


def test_transform_geometry__every_vertex():
    utm = CRS.from_epsg(32630)
    ring = shapely.Polygon([(-3, 50), (-2.9, 50), (-2.9, 50.1)], [])
    found = transform_geometry(np.array([ring, None], dtype=object), WGS84, utm)
    assert found[1] is None
    assert shapely.get_coordinates(found[0]) == pytest.approx(
        transform_xy(shapely.get_coordinates(ring), WGS84, utm)
    )
    assert len(transform_geometry(np.empty(0, dtype=object), WGS84, utm)) == 0


def test_lonlat_bounds__across_the_antimeridian():
    west, south, east, north = lonlat_bounds(
        CRS.from_epsg(3460), (2_122_000.0, 3_999_000.0, 2_144_000.0, 4_000_000.0)
    )  # Fiji 1986 / Fiji Map Grid
    assert west > 170.0
    assert east < -170.0
    assert south < north < 0.0


def test_lonlat_bounds__refuses_coordinates_of_another_crs():
    with pytest.raises(InputError, match="check which CRS"):
        lonlat_bounds(WGS84, (500_000.0, 5_000_000.0, 500_100.0, 5_000_100.0))


@settings(max_examples=30, deadline=None)
@given(st.floats(-5.9, -0.1), st.floats(1.0, 60.0))
def test_transform__there_and_back(lon, lat):
    utm = CRS.from_epsg(32630)
    there = transform_xy([[lon, lat]], WGS84, utm)
    assert transform_xy(there, utm, WGS84) == pytest.approx(np.array([[lon, lat]]), abs=1e-9)


@pytest.mark.parametrize(
    ("code", "place", "near"),
    # Places in the area of use that the EPSG register states for each CRS.
    [
        (2263, (990000, 200000), (-73.97, 40.72)),
        (2154, (700000, 6600000), (3.0, 46.5)),
        (32118, (300000, 60000), (-74.0, 40.7)),
    ],
)
def test_lonlat_bounds__of_conic_projections(code, place, near):
    x, y = place
    west, south, east, north = lonlat_bounds(CRS(code), (x, y, x + 100, y + 100))
    assert west < east
    assert south < north
    assert (west, south) == pytest.approx(near, abs=0.1)
