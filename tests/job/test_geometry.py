import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from gridtools.job.geometry import BadGeometry, bounds_of, decode, encode

US_SURVEY_FOOT = 1200.0 / 3937.0  # exact: NIST SP 811, appendix B.6


def gpkg(wkt, srs_id=32630, flags=1, envelope=b"", **options):
    """Blob put together by hand from the standard: header, envelope, WKB."""
    head = b"GP\0" + bytes([flags]) + srs_id.to_bytes(4, "little")
    return head + envelope + shapely.to_wkb(shapely.from_wkt(wkt), **options)


def array(*wkts):
    return np.array([shapely.from_wkt(wkt) for wkt in wkts], dtype=object)


def test_encode__points_as_the_standard_says():
    assert encode(array("POINT (3 4)"), 32630, 1.0) == [gpkg("POINT (3 4)", byte_order=1)]


def test_encode__lines_carry_their_envelope():
    envelope = np.array([1.0, 5.0, 2.0, 6.0], "<f8").tobytes()  # min x, max x, min y, max y
    assert encode(array("LINESTRING (1 6, 5 2)"), 32630, 1.0) == [
        gpkg("LINESTRING (1 6, 5 2)", flags=3, envelope=envelope, byte_order=1)
    ]


def test_encode__empty_multipolygon_is_flagged_and_comes_back():
    blobs = encode(array("MULTIPOLYGON EMPTY"), 32630, 1.0)
    assert blobs[0][3] & 0x10
    assert decode(blobs, "MultiPolygon", 1.0)[0].is_empty
    assert np.isnan(bounds_of(blobs)).all()


@pytest.mark.parametrize("wkt", ["POINT EMPTY", "LINESTRING EMPTY", "POLYGON EMPTY"])
def test_encode__refuses_empty_parts(wkt):
    with pytest.raises(BadGeometry, match="empty"):
        encode(array(wkt), 32630, 1.0)


def test_encode__refuses_coordinates_that_are_not_finite():
    points = np.array([shapely.Point(0, 0), shapely.Point(np.inf, 0)])
    with pytest.raises(BadGeometry, match="not finite") as bad:
        encode(points, 32630, 1.0)
    assert bad.value.index == 1


coordinate = st.floats(-1e7, 1e7, allow_subnormal=False)


@given(st.lists(st.tuples(coordinate, coordinate), max_size=20))
def test_points__round_trip_exactly_in_metres(xy):
    points = shapely.points(np.array(xy, dtype=float).reshape(-1, 2))
    blobs = encode(points, 32630, 1.0)
    assert shapely.equals_exact(decode(blobs, "Point", 1.0), points).all()
    assert np.array_equal(bounds_of(blobs), shapely.bounds(points))


@given(st.lists(st.tuples(coordinate, coordinate), min_size=2, max_size=9, unique=True),
       st.sampled_from([0.3048, US_SURVEY_FOOT]))  # fmt: skip
def test_feet__first_trip_within_a_nanometre_or_so_and_the_second_exact(xy, factor):
    line = np.array([shapely.LineString(xy)])
    once = decode(encode(line, 2222, factor), "LineString", factor)
    assert np.abs(shapely.get_coordinates(once) - xy).max() < 5e-9  # 2 ulp at 10,000 km
    twice = decode(encode(once, 2222, factor), "LineString", factor)
    thrice = decode(encode(twice, 2222, factor), "LineString", factor)
    assert shapely.equals_exact(twice, thrice).all()


@pytest.mark.parametrize(
    ("blob", "wanted"),
    [
        (gpkg("POINT Z (3 4 9)", byte_order=1), "POINT (3 4)"),
        (gpkg("POINT (3 4)", byte_order=0, flags=1), "POINT (3 4)"),
        (gpkg("POINT (3 4)", flags=3, envelope=bytes(32)), "POINT (3 4)"),
        (gpkg("MULTIPOINT ((3 4))"), "POINT (3 4)"),
        (gpkg("MULTIPOLYGON (((0 0, 1 0, 1 1, 0 0)))"), "POLYGON ((0 0, 1 0, 1 1, 0 0))"),
        (gpkg("LINESTRING ZM (0 0 1 2, 1 1 1 2)"), "LINESTRING (0 0, 1 1)"),
    ],
)
def test_decode__takes_what_other_programs_write(blob, wanted):
    shape = shapely.from_wkt(wanted)
    assert decode([blob], shape.geom_type, 1.0)[0].wkt == shape.wkt


def test_decode__promotes_a_polygon():
    found = decode([gpkg("POLYGON ((0 0, 1 0, 1 1, 0 0))")], "MultiPolygon", 1.0)[0]
    assert found.geom_type == "MultiPolygon"


@pytest.mark.parametrize(
    ("blob", "problem"),
    [
        (None, "has no geometry"),
        (b"", "cannot be read"),
        (b"GP", "cannot be read"),
        (b"XX" + gpkg("POINT (3 4)")[2:], "cannot be read"),
        (gpkg("POINT (3 4)")[:-1], "cannot be read"),
        (gpkg("POINT (3 4)", flags=0x0B), "cannot be read"),
        (gpkg("LINESTRING (0 0, 1 1)"), "is a LineString, not a Point"),
        (gpkg("MULTIPOINT ((3 4), (5 6))"), "is a MultiPoint, not a Point"),
        (gpkg("POINT EMPTY"), "empty geometry|not finite"),
        ("text", "cannot be read"),
    ],
)
def test_decode__says_what_is_wrong_and_where(blob, problem):
    with pytest.raises(BadGeometry, match=problem) as bad:
        decode([gpkg("POINT (1 1)"), blob, gpkg("POINT (2 2)")], "Point", 1.0)
    assert bad.value.index == 1
