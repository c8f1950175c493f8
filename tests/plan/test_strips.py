"""Lines and strips against polygons, where corners and edges lie just so."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.plan.strips import (
    Frame,
    Outline,
    Rows,
    Stretches,
    beside,
    chords,
    difference,
    holding,
    intersection,
    union,
)

NORTH = Frame.at(np.zeros(2), 0.0)


def stretches(*rows):
    line, low, high = zip(*rows, strict=True) if rows else ((), (), ())
    return Stretches(
        line=np.array(line, dtype=np.int64),
        low=np.array(low, dtype=float),
        high=np.array(high, dtype=float),
    )


def as_rows(found):
    return list(zip(found.line.tolist(), found.low.tolist(), found.high.tolist(), strict=True))


def rows(offset_m, spacing_m, count):
    return Rows(offset_m=offset_m, spacing_m=spacing_m, count=count)


def test_frame__there_and_back():
    frame = Frame.at(np.array([5e5, 5e6]), 33.0)
    xy = np.array([[500_100.0, 5_000_200.0], [499_000.0, 5_000_000.0]])
    for f in (frame, frame.turned()):
        assert np.abs(f.to_map(*f.to_frame(xy)) - xy).max() < 1e-9
    assert frame.turned().along.tolist() == frame.across.tolist()


@pytest.mark.parametrize(
    ("width", "count"), [(10.0, 5), (10.1, 6), (9.9, 5), (2.0, 1), (0.3, 1), (10 + 1e-7, 5)]
)
def test_rows__as_few_as_cover(width, count):
    found = Rows.over(Outline.of(shapely.box(1, 0, 1 + width, 5), NORTH), 2.0)
    assert found.count == count
    middle = found.across(np.arange(count)).mean()
    assert middle == pytest.approx(1 + width / 2)


def test_union_difference_intersection__by_hand():
    a, b = stretches((0, 0, 4), (0, 3, 6), (2, 0, 1)), stretches((0, 5, 9), (1, 0, 1))
    assert as_rows(union(a, b)) == [(0, 0, 9), (1, 0, 1), (2, 0, 1)]
    assert as_rows(intersection(a, b)) == [(0, 5, 6)]
    assert as_rows(difference(a, b)) == [(0, 0, 5), (2, 0, 1)]
    assert as_rows(union(stretches(), stretches())) == []


pieces = st.lists(
    st.tuples(st.integers(0, 2), st.integers(0, 20), st.integers(1, 9)).map(
        lambda p: (p[0], p[1], p[1] + p[2])
    ),
    max_size=9,
)


@given(pieces, pieces)
@settings(max_examples=200, deadline=None)
def test_union_difference_intersection__as_sets(a, b):
    """Whole-metre stretches are sets of metres."""

    def metres(found):
        return {(line, m) for line, low, high in found for m in range(int(low), int(high))}

    one, other = stretches(*a), stretches(*b)
    assert metres(as_rows(union(one, other))) == metres(a) | metres(b)
    assert metres(as_rows(intersection(one, other))) == metres(a) & metres(b)
    assert metres(as_rows(difference(one, other))) == metres(a) - metres(b)


def test_chords__line_along_an_edge():
    """On the left edge, on the right edge, and along the top of a step at x = 4."""
    step = shapely.Polygon([(0, 0), (8, 0), (8, 5), (4, 5), (4, 9), (0, 9)])
    outline = Outline.of(step, NORTH)
    lines = rows(0.0, 4.0, 3)
    assert as_rows(chords(outline, lines, closed=True)) == [(0, 0, 9), (1, 0, 9), (2, 0, 5)]
    assert as_rows(chords(outline, lines, closed=False)) == [(1, 0, 5)]


def test_chords__line_through_corners():
    """Through the tips of a diamond nothing, through its middle all of it."""
    diamond = shapely.Polygon([(0, 0), (4, -4), (8, 0), (4, 4)])
    found = chords(Outline.of(diamond, NORTH), rows(0.0, 4.0, 3), closed=True)
    assert as_rows(found) == [(1, -4, 4)]


@given(
    st.integers(0, 2**32 - 1),
    st.floats(0, 360),
    st.floats(0.5, 9.0),
)
@settings(max_examples=60, deadline=None)
def test_chords_and_beside__as_by_shapely(random_field, seed, bearing, spacing):
    """Chords are intersections with lines, and beside is the reach of intersections with strips."""
    ground = random_field(seed).ground
    frame = Frame.at(np.rint(np.array(ground.centroid.coords[0])), bearing)
    local = shapely.transform(ground, lambda xy: np.stack(frame.to_frame(xy), axis=1))
    outline = Outline.of(ground, frame)
    lines = Rows.over(outline, spacing)
    inside = chords(outline, lines, closed=True)
    near = beside(outline, lines)
    for i in range(lines.count):
        x = float(lines.across(np.array(i)))
        line = shapely.intersection(shapely.LineString([(x, -999), (x, 999)]), local)
        mine = inside.line == i
        assert (inside.high - inside.low)[mine].sum() == pytest.approx(line.length, abs=1e-6)
        strip = shapely.box(x - spacing / 2 + 1e-6, -999, x + spacing / 2 - 1e-6, 999)
        parts = shapely.get_parts(shapely.intersection(strip, local))
        parts = parts[shapely.area(parts) > 0]
        spans = [shapely.LineString([(0, b[1]), (0, b[3])]) for b in shapely.bounds(parts)]
        expected = shapely.union_all(spans).length
        mine = near.line == i
        assert (near.high - near.low)[mine].sum() == pytest.approx(expected, abs=1e-5)


def test_holding__pieces_with_something_in_them():
    what = stretches((0, 1, 2), (2, 7, 8))
    assert holding(stretches((0, 0, 3), (0, 5, 9), (2, 6, 9)), what).tolist() == [True, False, True]
    assert holding(stretches((1, 0, 9)), what).tolist() == [False]
