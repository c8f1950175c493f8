import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.handover.sketch import HEIGHT_MM, WIDTH_MM, hole_sketch, sketch
from gridtools.layers import Lanes


def lanes_of(*ends):
    return Lanes.build(
        geometry=[shapely.LineString(e) for e in ends],
        lane_id=[f"1-{i + 1:03d}" for i in range(len(ends))],
    )


def test_sketch__no_lanes():
    assert sketch(Lanes.empty()) is None


def test_sketch__north_is_up_and_east_is_right():
    north, east = sketch(lanes_of([(0, 0), (0, 50)], [(0, 0), (50, 0)])).lanes
    assert north.y2 < north.y1
    assert north.x2 == north.x1
    assert east.x2 > east.x1
    assert east.y2 == east.y1


def test_sketch__labels_first_and_last_and_keeps_labels_apart():
    drawn = sketch(lanes_of(*([(2 * k, 0), (2 * k, 60)] for k in range(60)))).lanes
    labels = [m.label for m in drawn if m.label]
    assert labels[0] == "1-001"
    assert labels[-1] == "1-060"
    assert 3 < len(labels) < 60
    at = np.array([(m.label_x, m.label_y) for m in drawn if m.label])
    apart = np.abs(at[:, None] - at[None]).max(axis=2)
    assert apart[np.triu_indices(len(at), 1)].min() >= 11.0


def test_sketch__draws_holes_and_skips_empty_outlines():
    yard = shapely.box(0, 0, 50, 50).difference(shapely.box(10, 10, 20, 20))
    drawn = sketch(lanes_of([(5, 0), (5, 50)]), yard, shapely.Polygon())
    assert [len(ring) for ring in drawn.outline] == [5, 5]
    assert drawn.no_go == ()


def test_hole_sketch__shows_pegs_where_they_stand():
    """A peg 4 m west of the centre stands left of it, by 4 m at the scale of the bar."""
    hole = shapely.box(0, 0, 3, 2)
    spots = [(shapely.Point(1.5, 1), "centre", "D001"), (shapely.Point(-2.5, 1), "peg", "D001a")]
    drawn = hole_sketch(hole, spots, shapely.box(-100, 2.5, 100, 9))
    centre, peg = drawn.spots
    assert centre.y == peg.y
    assert centre.x - peg.x == pytest.approx(
        4.0 * drawn.bar_mm / int(drawn.bar_words.removesuffix(" m")), abs=0.02
    )
    across = [x for ring in drawn.no_go for x, _ in ring]
    assert min(across) >= 0
    assert max(across) <= drawn.width


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(*[st.floats(-5000, 5000).map(lambda v: round(v, 2))] * 4),
        min_size=1,
        max_size=20,
    )
)
def test_sketch__stays_on_the_paper(ends):
    drawn = sketch(lanes_of(*([(a, b), (c, d)] for a, b, c, d in ends)))
    x = [v for m in drawn.lanes for v in (m.x1, m.x2)]
    y = [v for m in drawn.lanes for v in (m.y1, m.y2)]
    assert drawn.height <= HEIGHT_MM + 0.01
    assert min(x) >= 0
    assert max(x) <= WIDTH_MM
    assert min(y) >= 0
    assert max(y) <= drawn.height


@pytest.mark.parametrize(("side_m", "bar_m"), [(0.5, 1), (60.0, 20), (900.0, 200)])
def test_sketch__scale_bar_is_true(side_m, bar_m):
    drawn = sketch(lanes_of([(0, 0), (side_m, 0)], [(0, side_m), (side_m, side_m)]))
    lane = drawn.lanes[0]
    assert drawn.bar_words == f"{bar_m} m"
    assert drawn.bar_mm / bar_m == pytest.approx((lane.x2 - lane.x1) / side_m, rel=0.01)
