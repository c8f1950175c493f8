"""Strips against a plain shapely union, worked cases, and properties."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.swath import uncovered as module
from gridtools.swath.uncovered import QUAD_SEGS, covered_percent, thread_count, uncovered

CM2 = 1e-4


def plain(area, lines, half_width_m):
    """The same question put to shapely in the plainest way, without tiles."""
    strips = shapely.union_all(shapely.buffer(lines, half_width_m, quad_segs=QUAD_SEGS))
    parts = shapely.get_parts(shapely.difference(area, strips))
    return parts[shapely.area(parts) > 0]


def ground(rng, size_m=120.0):
    """Irregular site with two holes."""
    angle = np.sort(rng.uniform(0, 2 * np.pi, 12))
    radius = rng.uniform(0.5, 1.0, 12) * size_m / 2
    outline = shapely.Polygon(np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1))
    holes = shapely.buffer(shapely.points(rng.uniform(-0.3, 0.3, (2, 2)) * size_m), size_m / 20)
    return shapely.difference(outline.buffer(0), shapely.union_all(holes))


def any_walk(rng, size_m=120.0):
    """Track with straight stretches, U-turns, a jump, repeated points, a dwell, a lone point."""
    turn = np.cumsum(rng.normal(0, 0.25, 300))
    stride = np.stack([np.cos(turn), np.sin(turn)], axis=1) * 1.3
    free = rng.uniform(-20, 20, 2) + np.cumsum(stride, axis=0)
    lanes = []
    for y in np.arange(-size_m / 2, size_m / 2, 1.7):
        x = np.arange(-size_m / 2, size_m / 2, 1.3)
        lanes.append(np.stack([x, y + rng.normal(0, 0.15, len(x))], axis=1)[:: rng.choice([1, -1])])
    lanes = [lane for lane in lanes if rng.uniform() > 0.1]
    serpentine = np.concatenate(lanes[:6])
    dwell = rng.uniform(-20, 20, 2) + rng.normal(0, 0.3, (12, 2))
    repeated = np.repeat(rng.uniform(-30, 30, (5, 2)), 3, axis=0)
    jump = np.array([[0.0, 0.0], [400.0, 900.0], [3.0, 3.0]])
    point = np.array([[10.0, -10.0], [10.0, -10.0]])
    tracks = [free, serpentine, dwell, repeated, jump, point, *lanes[6:]]
    return np.array([shapely.LineString(t) for t in tracks], dtype=object)


# In walk 51 a plain cut after 512 segments falls on a bend, and is off by 1.2 cm².
@pytest.mark.parametrize("seed", [*range(6), 51])
def test_uncovered__plain_union(seed, monkeypatch):
    """Small tiles, so that most gaps are cut by seams; the same gaps to 1 cm² each."""
    monkeypatch.setattr(module, "_TILE_M", 20.0)
    rng = np.random.default_rng(seed)
    area, lines = ground(rng), any_walk(rng)
    ours, theirs = uncovered(area, lines, 1.0), plain(area, lines, 1.0)
    theirs = theirs[shapely.area(theirs) > module.MIN_PART_M2]
    assert len(ours) == len(theirs) > 20
    found, of = shapely.STRtree(ours).query(
        shapely.point_on_surface(theirs), predicate="intersects"
    )
    assert sorted(of) == sorted(found) == list(range(len(ours)))
    differ = shapely.area(shapely.symmetric_difference(theirs[found], ours[of]))
    assert differ.max() < CM2
    assert shapely.is_valid(ours).all()


def _ends(line):
    xy = shapely.get_coordinates(line)
    return xy[:-1], xy[1:]


def test_uncovered__long_dwell():
    """A knot is cut up to stay quick: its round ends lie between the plain and the true ones."""
    rng = np.random.default_rng(3)
    knot = shapely.LineString(rng.normal(0, 0.4, (1500, 2)))
    area = shapely.box(-5, -5, 5, 5)
    left = uncovered(area, np.array([knot]), 1.0)
    fine = shapely.buffer(
        [shapely.LineString(s) for s in zip(*_ends(knot), strict=True)], 1.0, quad_segs=64
    )
    true = shapely.difference(area, shapely.union_all(fine))
    assert len(left) == 1
    # A circle of 32 sides lacks 0.64 % of its area: 1 - sin(2 pi / 32) / (2 pi / 32).
    assert left[0].area == pytest.approx(true.area, abs=0.0064 * (100 - true.area))


def test_uncovered__parallel_lanes_by_hand():
    """Lanes 3 m apart and 2 m wide leave strips of 1 m between, and half that at the sides."""
    xs = np.arange(1.5, 300, 3.0)
    lanes = shapely.linestrings([[[x, -5.0], [x, 305.0]] for x in xs])
    left = uncovered(shapely.box(0, 0, 300, 300), lanes, 1.0)
    assert len(left) == 101
    assert sorted(shapely.area(left).round(6))[:3] == [150.0, 150.0, 300.0]
    assert shapely.area(left).sum() == pytest.approx(300 * 300 / 3, rel=1e-12)


def test_uncovered__strip_edge_on_a_seam():
    """Neighbouring strips that share an edge along a seam leave nothing."""
    lanes = shapely.linestrings([[[x, -1.0], [x, 501.0]] for x in np.arange(1.0, 500, 2.0)])
    assert len(uncovered(shapely.box(0, 0, 500, 500), lanes, 1.0)) == 0


def test_uncovered__nothing_walked():
    area = shapely.MultiPolygon([shapely.box(0, 0, 9, 9), shapely.box(20, 0, 29, 9)])
    for lines, half in ((np.empty(0, dtype=object), 1.0), (np.array([area.boundary]), 0.0)):
        assert shapely.area(uncovered(area, lines, half)).tolist() == [81.0, 81.0]
    empty_line = np.array([shapely.LineString()], dtype=object)
    assert len(uncovered(area, empty_line, 1.0)) == 2


def test_uncovered__far_away_track_leaves_whole_parts():
    area = shapely.box(0, 0, 700, 700)
    left = uncovered(area, np.array([shapely.LineString([(9e3, 9e3), (9e3, 9e4)])]), 1.0)
    assert len(left) == 1
    assert left[0].area == pytest.approx(490_000, rel=1e-12)


def test_uncovered__bad_coordinate():
    with np.errstate(invalid="ignore"):
        lines = np.array([shapely.LineString([(0, 0), (1, np.nan)])])
    with pytest.raises(InputError, match="line 1 has a coordinate that is not a number"):
        uncovered(shapely.box(0, 0, 9, 9), lines, 1.0)


def test_covered_percent__empty_area():
    assert covered_percent(shapely.Polygon(), np.empty(0, dtype=object), 1.0) == 0.0


def test_thread_count__environment(monkeypatch):
    monkeypatch.setenv("GRIDTOOLS_THREADS", "3")
    assert (thread_count(), thread_count(1)) == (3, 1)
    monkeypatch.setenv("GRIDTOOLS_THREADS", "many")
    with pytest.raises(InputError, match="'many' is not a number of threads"):
        thread_count()
    monkeypatch.delenv("GRIDTOOLS_THREADS")
    assert thread_count() >= 1


seeds = st.integers(0, 2**32 - 1)


@settings(max_examples=8, deadline=None)
@given(seeds)
def test_uncovered__threads_give_the_same_bytes(seed):
    rng = np.random.default_rng(seed)
    area, lines = ground(rng, 150.0), any_walk(rng, 150.0)
    one, three = (uncovered(area, lines, 1.0, threads=n) for n in (1, 3))
    assert shapely.to_wkb(one).tolist() == shapely.to_wkb(three).tolist()


@settings(max_examples=15, deadline=None)
@given(seeds, st.floats(0.2, 3.0), st.floats(0.01, 2.0))
def test_uncovered__wider_strips_leave_less(seed, half_width_m, more_m):
    rng = np.random.default_rng(seed)
    area, lines = ground(rng), any_walk(rng)[:20]
    narrow = shapely.area(uncovered(area, lines, half_width_m)).sum()
    wide = shapely.area(uncovered(area, lines, half_width_m + more_m)).sum()
    assert wide <= narrow + 1e-6


@settings(max_examples=15, deadline=None)
@given(seeds, st.floats(0, 2 * np.pi), st.floats(-1e6, 1e6))
def test_uncovered__moved_and_turned(seed, angle, shift_m):
    """A rigid motion of everything changes no area (coordinates of 1e6 m carry 1e-10 m)."""
    rng = np.random.default_rng(seed)
    area, lines = ground(rng), any_walk(rng)[:30]
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])

    def move(geometry):
        return shapely.transform(geometry, lambda xy: xy @ turn + shift_m)

    here = uncovered(area, lines, 1.0)
    there = uncovered(move(area), move(lines), 1.0)
    assert shapely.area(there).sum() == pytest.approx(shapely.area(here).sum(), rel=1e-6)
