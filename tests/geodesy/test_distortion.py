import numpy as np
import pytest
from pyproj import CRS, Geod

from gridtools.geodesy import WGS84, convergence_deg, metric_twin, scale_factor, transform_xy


def dms(degrees, minutes, seconds):
    return degrees + minutes / 60 + seconds / 3600


def test_scale__snyder():
    # Snyder 1987, USGS Professional Paper 1395, p. 270: k = 0.9997989.
    plane = CRS("+proj=tmerc +lon_0=-75 +k_0=0.9996 +ellps=clrk66")
    assert scale_factor(plane, 127106.5, 4484124.4)[0] == pytest.approx(0.9997989, abs=5e-8)


def test_convergence__flinders_peak():
    """GDA Technical Manual: grid convergence 1°35'03.65", point scale factor 1.00023056.

    The manual adds it, grid = azimuth + gamma, so that its gamma is negative here, west of the
    central meridian in the south; ours is what is added to a grid bearing: true = grid + ours.
    """
    mga = CRS.from_epsg(28355)
    found = convergence_deg(mga, 273741.297, 5796489.777)[0]
    assert found == pytest.approx(dms(1, 35, 3.65), abs=0.005 / 3600)
    assert scale_factor(mga, 273741.297, 5796489.777)[0] == pytest.approx(1.00023056, abs=5e-9)


def test_convergence__sign_by_a_geodesic_line():
    """GDA Technical Manual: Flinders Peak to Buninyong, 54972.271 m at 306°52'05.37".

    The grid bearing of the geodesic at Flinders Peak is 305°17'01.72". The straight line between
    the grid coordinates bears 19.47" more (arc-to-chord correction; that figure from memory).
    """
    flinders = (dms(144, 25, 29.52440), -dms(37, 57, 3.72030))
    buninyong = (dms(143, 55, 35.38390), -dms(37, 39, 10.15610))
    mga = CRS.from_epsg(28355)
    azimuth, _, length_m = Geod(ellps="GRS80").inv(*flinders, *buninyong)
    assert length_m == pytest.approx(54972.271, abs=0.0006)
    assert azimuth % 360 == pytest.approx(dms(306, 52, 5.37), abs=0.006 / 3600)
    ends = transform_xy([flinders, buninyong], CRS.from_epsg(4283), mga)
    convergence = convergence_deg(mga, *ends[0])[0]
    published = dms(305, 17, 1.72)
    assert azimuth % 360 - convergence == pytest.approx(published, abs=0.011 / 3600)
    east, north = ends[1] - ends[0]
    chord = np.degrees(np.arctan2(east, north)) % 360
    assert chord - published == pytest.approx(19.47 / 3600, abs=0.02 / 3600)


def test_geodesic_polygon__published():
    # geographiclib's own tests: (0,-1) (-1,0) (0,1) (1,0), perimeter and area.
    area, perimeter = Geod(ellps="WGS84").polygon_area_perimeter([-1, 0, 1, 0], [0, -1, 0, 1])
    assert perimeter == pytest.approx(627598.2731, abs=1e-4)
    assert abs(area) == pytest.approx(24619419146.0, abs=1.0)


@pytest.mark.parametrize(
    ("code", "place"),
    [
        (2263, (-74.0, 40.7)),
        (2222, (-110.0, 33.0)),
        (2193, (172.5, -40.7)),
        (2056, (8.2, 46.8)),
        (5514, (17.0, 49.0)),
        (27572, (1.5, 46.0)),  # counts in grads from Paris
        (3031, (40.0, -75.0)),  # polar: both axes point north
        (32630, (-1.5, 53.0)),
    ],
)
def test_convergence_and_scale__by_finite_difference(code, place):
    """Step along the meridian and the parallel on the ellipsoid, and look at it on the grid."""
    twin = metric_twin(CRS.from_epsg(code))
    geodetic = twin.geodetic_crs
    unit = geodetic.axis_info[0].unit_conversion_factor
    start = transform_xy(transform_xy([place], WGS84, twin), twin, geodetic)
    ellipsoid = geodetic.ellipsoid
    e2 = 1 - (ellipsoid.semi_minor_metre / ellipsoid.semi_major_metre) ** 2
    sine = np.sin(start[0, 1] * unit)
    meridian_m = ellipsoid.semi_major_metre * (1 - e2) / (1 - e2 * sine**2) ** 1.5
    parallel_m = ellipsoid.semi_major_metre / np.sqrt(1 - e2 * sine**2)
    parallel_m *= np.cos(start[0, 1] * unit)
    step = 1e-6 / unit
    north, east = (
        (transform_xy(start + d, geodetic, twin) - transform_xy(start - d, geodetic, twin))[0]
        / 2e-6
        for d in (np.array([0.0, step]), np.array([step, 0.0]))
    )
    middle = transform_xy(start, geodetic, twin)[0]
    # On the grid, true north points along `north`: its grid bearing is minus our convergence.
    assert convergence_deg(twin, *middle)[0] == pytest.approx(
        -np.degrees(np.arctan2(*north)), abs=1e-5
    )
    areal = abs(north[0] * east[1] - north[1] * east[0]) / (meridian_m * parallel_m)
    assert scale_factor(twin, *middle)[0] == pytest.approx(np.sqrt(areal), rel=1e-7)


def test_convergence__many_points_and_none():
    utm = CRS.from_epsg(32630)
    found = convergence_deg(utm, [400_000.0, 500_000.0, 600_000.0], [5.8e6] * 3)
    assert found[0] == pytest.approx(-found[2], abs=1e-9)
    assert found[1] == pytest.approx(0.0, abs=1e-12)
    assert convergence_deg(utm, [], []).shape == (0,)
