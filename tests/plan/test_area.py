"""Outlines as people draw them, and the search area made of them."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.layers import Exclusion, Interference, SearchArea, Site
from gridtools.plan.area import area_notices, buffered, no_go, repair_polygons, search_area

box = shapely.box


def site(*outlines):
    return Site.build(geometry=list(outlines), name="field")


def exclusion(*outlines):
    return Exclusion.build(len(outlines), geometry=list(outlines), reason="pond", buffer_m=0.0)


def zones(*outlines):
    return Interference.build(len(outlines), geometry=list(outlines), kind="fence", standoff_m=2.0)


def test_repair__nothing_to_do():
    square = box(0, 0, 10, 10)
    repaired = repair_polygons([square], "site")
    assert repaired.geometry[0].equals(square)
    assert repaired.row.tolist() == [0]
    assert repaired.notices == ()


def test_repair__ring_direction():
    clockwise = shapely.Polygon([(0, 0), (0, 9), (9, 9), (9, 0)])
    assert not clockwise.exterior.is_ccw
    assert repair_polygons([clockwise], "site").geometry[0].exterior.is_ccw


def test_repair__hole_listed_before_its_outline():
    ring = [(2, 2), (4, 2), (4, 4), (2, 4)]
    wrong = shapely.Polygon(
        ring, [[(0, 0), (9, 0), (9, 9), (0, 9)], [(6, 6), (7, 6), (7, 7), (6, 7)]]
    )
    repaired = repair_polygons([wrong], "site")
    assert repaired.geometry[0].area == 81 - 4 - 1
    assert "rings put in order" in repaired.notices[0]


def test_repair__repeated_points_and_heights():
    outline = shapely.Polygon([(0, 0, 5), (9, 0, 5), (9, 0, 5), (9, 9, 6), (0, 9, 5)])
    repaired = repair_polygons([outline], "site")
    assert repaired.geometry[0].area == 81
    assert not repaired.geometry[0].has_z
    assert repaired.notices == ("site, row 1: 1 repeated point dropped.",)


def test_repair__multipolygon_split():
    parts = shapely.MultiPolygon([box(0, 0, 1, 1), box(5, 0, 6, 1)])
    repaired = repair_polygons([box(9, 9, 10, 10), parts], "site")
    assert repaired.row.tolist() == [0, 1, 1]


def test_repair__crossing_at_a_corner():
    """A slip at a corner: the loop is some 0.5 m² of 10,000 m², so both readings agree."""
    crossed = shapely.Polygon([(0, 0), (100, 0), (99, 100), (100, 99), (100, 100), (0, 100)])
    assert not crossed.is_valid
    repaired = repair_polygons([crossed], "site")
    assert shapely.is_valid(repaired.geometry).all()
    assert "area as drawn" in repaired.notices[0]
    assert "self-intersection repaired" in repaired.notices[0]


def test_repair__figure_of_eight_refused():
    with pytest.raises(
        InputError, match=r"row 1: .*more than 1%.*as drawn 0\.0 m², after 50\.0 m²"
    ):
        repair_polygons([shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])], "site")


@pytest.mark.parametrize(("overlap", "refused"), [(0.5, False), (5.0, True)])
def test_repair__overlapping_parts(overlap, refused):
    """Parts of 100 m² each; 5 m² are 0.5 / 19.95 of the whole more than 1 %, as is 50 m²."""
    parts = shapely.MultiPolygon([box(0, 0, 100, 10), box(0, 10 - overlap / 10, 100, 20)])
    if refused:
        with pytest.raises(InputError, match="more than 1%"):
            repair_polygons([parts], "site")
    else:
        repaired = repair_polygons([parts], "site")
        assert repaired.geometry[0].area == pytest.approx(2000)
        assert "overlap" in repaired.notices[0] or "repaired" in repaired.notices[0]


@pytest.mark.parametrize(
    ("outline", "message"),
    [
        (None, "row 1: there is no outline"),
        (shapely.Polygon(), "row 1: there is no outline"),
        (shapely.Point(0, 0), "row 1: a Point where a polygon is needed"),
        (shapely.Polygon([(0, 0), (5, 0), (9, 0)]), "row 1: the outline has no area"),
        (shapely.Polygon([(0, 0), (5, 0), (9, np.inf)]), "row 1: a coordinate is not a number"),
    ],
)
def test_repair__unusable(outline, message):
    with pytest.raises(InputError, match=message):
        repair_polygons([outline], "site")


def test_repair__empty_layer():
    with pytest.raises(InputError, match="no polygons"):
        repair_polygons([], "site")


@given(
    st.lists(
        st.tuples(st.integers(0, 40), st.integers(0, 40)).map(lambda p: (p[0] / 4, p[1] / 4)),
        min_size=3,
        max_size=9,
    )
)
@settings(max_examples=200, deadline=None)
def test_repair__any_ring(corners):
    """Whatever is drawn is refused, or becomes valid with an area within 1 % of that drawn."""
    drawn = shapely.Polygon(corners)
    try:
        repaired = repair_polygons([drawn], "site")
    except InputError:
        assert not drawn.is_valid or drawn.area == 0
        return
    assert shapely.is_valid(repaired.geometry).all()
    assert (shapely.get_type_id(repaired.geometry) == 3).all()
    total = shapely.area(repaired.geometry).sum()
    # The shoelace area of a ring, written out here.
    x, y = np.array([*corners, corners[0]]).T
    shoelace = abs((x[:-1] * y[1:] - x[1:] * y[:-1]).sum()) / 2
    assert abs(total - shoelace) <= 0.01 * total + 1e-9


def test_buffered__each_kind():
    fence = shapely.LineString([(0, 0), (100, 0)])
    shapes = [shapely.Point(0, 0), fence, box(0, 0, 10, 10), box(0, 0, 10, 10)]
    result = buffered(shapes, [3.0, 2.0, 1.0, np.nan], "interference")
    area = shapely.area(result.geometry)
    # Circle, stadium, square with rounded corners: within 0.2 % of the true areas.
    assert area[:3] == pytest.approx([9 * np.pi, 400 + 4 * np.pi, 140 + np.pi], rel=2e-3)
    assert area[3] == 100
    assert result.row.tolist() == [0, 1, 2, 3]


def test_buffered__no_rows():
    assert len(buffered([], 2.0, "exclusion").geometry) == 0


@pytest.mark.parametrize(
    ("shape", "distance", "message"),
    [
        (shapely.Point(0, 0), 0.0, "takes up no ground"),
        (shapely.Point(0, 0), np.nan, "takes up no ground"),
        (box(0, 0, 1, 1), -1.0, "distance of -1 m"),
        (box(0, 0, 1, 1), np.inf, "distance of inf m"),
        (shapely.LineString(), 1.0, "nothing drawn"),
        (shapely.Point(0, np.nan), 1.0, "nothing drawn|not a number"),
    ],
)
def test_buffered__unusable(shape, distance, message):
    with pytest.raises(InputError, match=message):
        buffered([shape], distance, "exclusion")


def test_search_area__split_by_confidence():
    area = search_area(
        site(box(0, 0, 100, 60)), exclusion(box(0, 0, 10, 10)), zones(box(90, -9, 110, 99))
    )
    assert area.confidence.tolist() == ["full", "reduced"]
    assert area.area_m2.tolist() == [6000 - 100 - 600, 600]
    assert (shapely.get_type_id(area.geometry) == 6).all()


def test_search_area__all_reduced():
    area = search_area(site(box(0, 0, 9, 9)), exclusion(), zones(box(-1, -1, 10, 10)))
    assert area.confidence.tolist() == ["reduced"]


def test_search_area__nothing_left():
    with pytest.raises(InputError, match="is left to search"):
        search_area(site(box(0, 0, 9, 9)), exclusion(box(-1, -1, 10, 10)), zones())
    with pytest.raises(InputError, match="boundary"):
        search_area(Site.empty(), exclusion(), zones())


def test_no_go__holes_and_exclusions():
    holed = shapely.difference(box(0, 0, 100, 100), box(40, 40, 60, 60))
    ground = no_go(site(holed, box(45, 45, 50, 50)), exclusion(box(0, 0, 5, 5)))
    assert ground.area == 400 - 25 + 25
    assert not ground.contains(shapely.Point(47, 47))


def test_no_go__none():
    assert no_go(site(box(0, 0, 9, 9)), exclusion()).is_empty


def test_no_go__search_area_is_the_rest():
    ground, blocks = site(box(0, 0, 9, 9), box(5, 5, 20, 20)), exclusion(box(4, 4, 7, 7))
    area: SearchArea = search_area(ground, blocks, zones())
    overlap = shapely.intersection(shapely.union_all(area.geometry), no_go(ground, blocks))
    assert overlap.area == 0


def test_area_notices__plausibility():
    def notices(ground, blocks=(), near=()):
        layers = site(*ground), exclusion(*blocks), zones(*near)
        return area_notices(*layers, search_area(*layers))

    assert notices([box(0, 0, 100, 60)]) == ()
    assert "only 16.0 m²" in notices([box(0, 0, 4, 4)])[0]
    assert "which is much to walk" in notices([box(0, 0, 3000, 3000)])[0]
    assert "overlap by 100.0 m²" in notices([box(0, 0, 50, 50), box(40, 40, 90, 90)])[0]
    assert notices([box(0, 0, 50, 50)], [box(90, 90, 99, 99)]) == (
        "Exclusion 1 lies outside the site.",
    )
    assert "(10% of the search area)" in notices([box(0, 0, 50, 50)], near=[box(0, 0, 50, 5)])[0]
