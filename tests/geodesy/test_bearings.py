from datetime import date

import numpy as np
import pytest
from pyproj import CRS

from gridtools.errors import InputError
from gridtools.geodesy import (
    bearings,
    compass_notice,
    convergence_deg,
    declination,
    declination_deg,
)

# Rows of the official test values of each model (NOAA NCEI, public domain): year, height in km,
# latitude, longitude, declination. WMM2025_TEST_VALUES.txt and WMM2025testvalues.pdf,
# WMM2020testvalues.pdf, WMM2015v2testvalues.pdf.
OFFICIAL = """
2025.0 28 89 -121 -99.77
2025.0 65 43 93 0.50
2025.0 51 -33 109 -5.49
2025.0 39 -59 -8 -15.75
2025.0 94 -29 -110 15.74
2025.0 66 14 143 -0.19
2025.5 6 -36 -137 20.28
2025.5 8 -66 17 -33.14
2025.5 8 -52 -75 14.91
2025.5 69 38 -144 12.93
2026.0 74 -57 3 -22.51
2026.0 62 -14 99 -1.43
2026.0 69 23 63 1.17
2026.0 46 -24 -122 14.01
2026.0 34 -19 43 -14.98
2026.5 14 0 80 -3.10
2026.5 12 33 -145 11.96
2027.0 37 -66 -5 -17.22
2027.0 44 22 174 6.46
2027.0 67 -47 -32 -13.52
2027.5 73 -72 95 -102.64
2027.5 8 62 53 19.39
2027.5 96 -46 -85 17.93
2028.0 49 20 167 5.10
2028.0 86 -85 -79 41.09
2028.5 28 54 -120 15.43
2028.5 59 32 163 0.15
2029.0 58 32 19 4.11
2029.5 33 17 5 0.89
2025.0 0 80 0 1.28
2025.0 0 0 120 -0.16
2025.0 0 -80 -120 68.78
2025.0 100 80 0 0.85
2027.5 0 80 0 2.59
2027.5 100 -80 -120 67.93
2020.0 0 80 0 -1.28
2020.0 0 0 120 0.16
2020.0 100 -80 240 68.78
2022.5 0 80 0 0.01
2022.5 0 -80 240 69.13
2015.0 0 80 0 -3.90
2015.0 0 0 120 0.55
2015.0 100 -80 240 69.22
2017.5 0 80 0 -2.59
2017.5 100 0 120 0.36
"""


@pytest.mark.parametrize("row", OFFICIAL.split("\n")[1:-1])
def test_declination__official_values(row):
    year, height_km, lat, lon, expected = (float(v) for v in row.split())
    on = date(int(year), 1, 1) if year % 1 == 0 else date(int(year), 7, 2)
    found = declination_deg(lon, lat, on, height_m=height_km * 1000.0)
    # Rounding of the table, and up to half a day between 2 July and the middle of the year.
    assert found == pytest.approx(expected, abs=0.0065)


def test_declination__says_model_and_uncertainty():
    found = declination(-1.5, 53.0, date(2026, 5, 1))
    assert found.model == "WMM-2025"
    # WMM2025 technical report: sd of D = sqrt(0.26² + (5417 / H)²) degrees, H in nT.
    assert found.uncertainty_deg == pytest.approx(
        np.hypot(0.26, 5417.0 / found.horizontal_nt), rel=1e-9
    )


@pytest.mark.parametrize("year", [2014, 2030])
def test_declination__outside_the_models(year):
    with pytest.raises(InputError, match=rf"serves {year}"):
        declination(0.0, 50.0, date(year, 6, 1))


def test_declination__models_meet_without_a_gap():
    before, after = (
        declination_deg(-1.5, 53.0, on) for on in (date(2024, 12, 31), date(2025, 1, 1))
    )
    assert before != after
    assert before == pytest.approx(after, abs=0.3)
    declination(-1.5, 53.0, date(2029, 12, 31))


def test_bearings__signs():
    """East of the central meridian in the north, where declination is westerly."""
    utm = CRS.from_epsg(32629)
    true, magnetic = bearings(utm, [700_000.0], [5_800_000.0], [0.5], date(2020, 6, 1))
    convergence = convergence_deg(utm, 700_000.0, 5_800_000.0)[0]
    assert convergence > 0.0
    assert true[0] == pytest.approx(0.5 + convergence)
    west = declination_deg(-6.07, 52.31, date(2020, 6, 1))
    assert west < -1.0
    assert magnetic[0] == pytest.approx(true[0] - west, abs=0.02)


def test_bearings__stay_in_the_circle():
    utm = CRS.from_epsg(32630)
    true, magnetic = bearings(
        utm, [300_000.0] * 3, [5.8e6] * 3, [0.0, 90.0, 359.9], date(2026, 1, 1)
    )
    assert ((true >= 0) & (true < 360)).all()
    assert ((magnetic >= 0) & (magnetic < 360)).all()
    assert true[0] > 357.0


def test_bearings__no_lanes():
    true, magnetic = bearings(CRS.from_epsg(32630), [], [], [], date(2026, 1, 1))
    assert true.shape == magnetic.shape == (0,)


def test_bearings__no_model_leaves_magnetic_unknown_and_says_so():
    utm = CRS.from_epsg(32630)
    on = date(2031, 1, 1)
    true, magnetic = bearings(utm, [500_000.0], [5.8e6], [10.0], on)
    assert true[0] == pytest.approx(10.0)
    assert np.isnan(magnetic[0])
    assert "serves 2031" in compass_notice(utm, [500_000.0], [5.8e6], on)


def test_bearings__near_a_magnetic_pole():
    # The official row above at 89° N, 121° W has a horizontal field of 1504 nT.
    arctic = CRS.from_epsg(3413)
    x, y = [-106_000.0], [-26_000.0]
    _, magnetic = bearings(arctic, x, y, [10.0], date(2025, 1, 1))
    assert np.isnan(magnetic[0])
    assert "unusable" in compass_notice(arctic, x, y, date(2025, 1, 1))


def test_compass_notice__states_what_it_rests_on():
    text = compass_notice(CRS.from_epsg(32755), [273_741.0], [5_796_489.0], date(2026, 3, 1))
    assert "2026-03-01" in text
    assert "° E" in text
    assert "WMM-2025" in text
    assert "unreliable" not in text
