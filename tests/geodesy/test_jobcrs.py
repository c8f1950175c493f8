import warnings

import pytest
from pyproj import CRS

from gridtools.errors import InputError
from gridtools.geodesy import WGS84, job_crs, parse_crs, unit_factor, utm_crs

HERE = (-1.51, 53.0, -1.5, 53.01)


@pytest.mark.parametrize(
    ("lon", "lat", "code"),
    [
        (-1.5, 53.0, 32630),
        (0.0, 51.0, 32631),
        (-180.0, -17.0, 32701),
        (179.99, -17.0, 32760),
        (180.0, 17.0, 32601),
        (538.5, 10.0, 32660),
        (144.4, -37.9, 32755),
        # The exceptions of Norway and Svalbard (DMA TM 8358.2).
        (5.3, 60.4, 32632),
        (15.6, 78.2, 32633),
        (8.9, 80.0, 32631),
        (33.0, 75.0, 32637),
    ],
)
def test_utm_crs__zones(lon, lat, code):
    assert utm_crs(lon, lat) == CRS.from_epsg(code)


@pytest.mark.parametrize("lat", [84.1, 90.0, -80.1, float("nan")])
def test_utm_crs__refuses_the_poles(lat):
    with pytest.raises(InputError, match="no UTM zone"):
        utm_crs(10.0, lat)


@pytest.mark.parametrize("code", [4326, 3857, 4979])
def test_job_crs__geographic_and_web_mercator_go_to_utm(code):
    crs, notice = job_crs(CRS.from_epsg(code), HERE)
    assert crs == CRS.from_epsg(32630)
    assert "UTM zone 30N (EPSG:32630)" in notice
    assert "--crs" in notice


def test_job_crs__esri_web_mercator():
    assert job_crs(CRS("ESRI:102100"), HERE)[0] == CRS.from_epsg(32630)


def test_job_crs__projected_stays_in_its_own_unit():
    crs, notice = job_crs(CRS.from_epsg(32630), HERE)
    assert crs == CRS.from_epsg(32630)
    assert notice == ""
    feet, _ = job_crs(CRS.from_user_input("EPSG:2263+5703"), (-74.0, 40.7, -73.99, 40.71))
    assert feet == CRS.from_epsg(2263)
    assert unit_factor(feet) != 1.0


def test_job_crs__named_crs_wins():
    crs, notice = job_crs(WGS84, HERE, CRS.from_epsg(25830))
    assert crs == CRS.from_epsg(25830)
    assert notice == ""


@pytest.mark.parametrize("wanted", [4326, 3857])
def test_job_crs__named_crs_must_measure_lengths(wanted):
    with pytest.raises(InputError, match="UTM zone 30N"):
        job_crs(CRS.from_epsg(32630), HERE, CRS.from_epsg(wanted))


@pytest.mark.parametrize(
    ("crs", "where", "zone"),
    [
        # World Mercator: 1.66 in every direction.
        (CRS.from_epsg(3395), HERE, "30N"),
        # Equal area: stretched in one direction, squeezed in the other.
        (CRS.from_epsg(3035), (-12.5, 53.0, -12.4, 53.01), "28N"),
        # A UTM zone three zones off.
        (CRS.from_epsg(32633), HERE, "30N"),
        # Web Mercator under another name.
        (CRS("+proj=merc +a=6378137 +b=6378137"), HERE, "30N"),
        # Equirectangular: true along meridians, 1.05 along parallels.
        (CRS("+proj=eqc +lat_ts=53"), (-1.51, 55.0, -1.5, 55.01), "30N"),
    ],
)
def test_job_crs__refuses_what_is_not_true_to_scale(crs, where, zone):
    words = rf"wrong by more than 0\.5%.*name WGS 84 / UTM zone {zone} .*--crs"
    with pytest.raises(InputError, match=words):
        job_crs(crs, where)


def test_job_crs__tolerance_is_half_a_percent_either_way():
    # UTM's scale, 0.9996 (1 + x² / 2R²), passes 1.005 at x = 662 km: 9.26° of longitude at 50° N.
    zone = CRS.from_epsg(32631)
    assert job_crs(zone, (-6.15, 50.0, -6.1, 50.01))[0] == zone
    with pytest.raises(InputError, match="UTM zone 29N"):
        job_crs(zone, (-6.45, 50.0, -6.4, 50.01))


def test_job_crs__site_too_large():
    with pytest.raises(InputError, match="too large for one job"):
        job_crs(WGS84, (-20.0, 40.0, 20.0, 60.0))


def test_job_crs__across_the_antimeridian():
    crs, notice = job_crs(WGS84, (179.99, -17.0, -179.98, -16.9))
    assert crs == CRS.from_epsg(32701)
    assert "zone 1S" in notice


def test_job_crs__poles():
    with pytest.raises(InputError, match="no UTM zone"):
        job_crs(WGS84, (10.0, 86.0, 11.0, 86.1))
    # UPS is scaled by 0.994 at the pole (DMA TM 8358.2), true from about 81° N.
    with pytest.raises(InputError, match="made for the site"):
        job_crs(CRS.from_epsg(5041), (10.0, 89.0, 11.0, 89.1))
    assert job_crs(CRS.from_epsg(5041), (10.0, 84.5, 11.0, 84.6))[0] == CRS.from_epsg(5041)


def test_job_crs__outside_the_projection():
    with pytest.raises(InputError, match=r"not a projected CRS|wrong by more than"):
        job_crs(CRS("+proj=gnom +lat_0=90"), (10.0, -50.0, 10.1, -49.9))


def test_job_crs__says_how_far_gps_may_be_out():
    # EPSG 1188 states 4 m for NAD83 to WGS 84, and better only with grid files.
    _, notice = job_crs(CRS.from_epsg(26917), (-81.0, 35.0, -80.99, 35.01))
    assert "check on a point known in it" in notice
    _, notice = job_crs(CRS("+proj=utm +zone=30 +ellps=intl"), HERE)
    assert "not known here" in notice


def test_job_crs__names_the_missing_grid_file():
    # NAD27 to WGS 84 is good to some 7 m without the grid files of EPSG 1241 and the like.
    from pyproj.transformer import TransformerGroup

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        group = TransformerGroup(WGS84, CRS.from_epsg(26711))
    if not group.unavailable_operations:
        pytest.skip("the grid files are installed")
    _, notice = job_crs(CRS.from_epsg(26711), (-117.0, 35.0, -116.9, 35.1))
    assert ".tif is not installed" in notice


def test_parse_crs__refuses_what_is_not_a_crs():
    assert parse_crs("EPSG:32630") == CRS.from_epsg(32630)
    with pytest.raises(InputError, match="not the code of a CRS"):
        parse_crs("EPSG:999999")
