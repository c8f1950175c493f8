"""Walking order: every leg once, little dead walking, never through no-go ground."""

import itertools

import networkx as nx
import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gridtools.plan.cells import group
from gridtools.plan.detours import Detours
from gridtools.plan.ground import Ground, lay_pass
from gridtools.plan.order import arrange, count_turns, walking_order
from gridtools.plan.strips import Stretches
from gridtools.plan.tour import Visits, shortest_tour

quick = settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
seeds = st.integers(0, 2**32 - 1)


def laid(field, bearing, spacing, **options):
    ground = Ground.of(field.area.geometry, field.no_go)
    options = {"run_on_m": None, "stay_inside": False, **options}
    return ground, lay_pass(ground, bearing, 1, spacing_m=spacing, **options)


def walked_ends(legs, order):
    """Start and finish (n, 2) of each leg as walked."""
    low, high = legs.low_xy[order.leg], legs.high_xy[order.leg]
    forward = order.forward[:, None]
    return np.where(forward, low, high), np.where(forward, high, low)


@given(seed=seeds, bearing=st.floats(0, 360), spacing=st.floats(1.5, 9.0))
@quick
def test_walking_order__every_leg_once_and_joined(random_field, seed, bearing, spacing):
    ground, legs = laid(random_field(seed), bearing, spacing)
    order = walking_order(legs, ground)
    assert sorted(order.leg.tolist()) == list(range(len(legs.legs)))
    start, finish = walked_ends(legs, order)
    for dead, a, b in zip(order.dead, finish[:-1], start[1:], strict=True):
        ends = shapely.get_coordinates(dead)[[0, -1]]
        assert np.abs(ends - [a, b]).max() < 1e-6
    assert order.dead_m == pytest.approx(shapely.length(order.dead).sum(), abs=1e-6)
    assert 0 <= order.turns <= len(legs.legs) - 1


@given(seed=seeds, bearing=st.floats(0, 360), spacing=st.floats(1.5, 9.0))
@quick
def test_walking_order__round_no_go(random_field, seed, bearing, spacing):
    field = random_field(seed, exclusions=6)
    ground, legs = laid(field, bearing, spacing)
    order = walking_order(legs, ground)
    # A walk may brush no-go ground by 0.1 mm; enclosed ground is tested below.
    interior = shapely.buffer(field.no_go, -1.1e-4, join_style="mitre")
    crossing = shapely.length(shapely.intersection(order.dead, interior)) > 1e-6
    assert np.count_nonzero(crossing) <= order.enclosed
    straight = np.hypot(*np.subtract(*walked_ends_between(legs, order)).T)
    assert (shapely.length(order.dead) >= straight - 1e-6).all()


def walked_ends_between(legs, order):
    start, finish = walked_ends(legs, order)
    return finish[:-1], start[1:]


@given(seed=seeds, bearing=st.floats(0, 360), spacing=st.floats(1.5, 9.0))
@quick
def test_arrange__no_longer_than_lane_by_lane(random_field, seed, bearing, spacing):
    """In passes this small, never longer than walking to and fro lane by lane."""
    ground, legs = laid(random_field(seed, exclusions=6), bearing, spacing)
    order = walking_order(legs, ground)
    up = np.unique(legs.legs.line, return_inverse=True)[1] % 2 == 0
    index = np.lexsort((np.where(up, legs.legs.low, -legs.legs.low), legs.legs.line))
    forward = up[index, None]
    start = np.where(forward, legs.low_xy[index], legs.high_xy[index]) - ground.origin
    finish = np.where(forward, legs.high_xy[index], legs.low_xy[index]) - ground.origin
    ways = ground.detours.ways(finish[:-1], start[1:])
    if any(way is None for way in ways):
        return
    plain = sum(np.hypot(*np.diff(way, axis=0).T).sum() for way in ways)
    assert order.dead_m <= plain + 1e-5


def test_walking_order__plain_field_is_a_serpentine(make_field):
    ground, legs = laid(make_field([shapely.box(0, 0, 100, 60)]), 0.0, 2.0)
    order = walking_order(legs, ground)
    assert order.dead_m == pytest.approx(49 * 2.0)
    assert order.turns == 49
    assert order.leg.tolist() == list(range(50))
    assert order.forward.tolist() == [True, False] * 25


def test_walking_order__farm_by_hand(farm):
    """Four cells round the pond: 5 + 10 + 5 lanes of which the middle are split.

    Lanes on 90°, spaced 4 m: five below the pond, five on each side of it, five above. Every
    step is 4 m; from cell to cell it cannot be less. The two sides are walked one after the
    other, so one of them is entered after a walk along the pond: 20 legs take 19 steps.
    """
    ground, legs = laid(farm, 90.0, 4.0)
    cells = group(legs.legs)
    assert sorted(cells.count.tolist()) == [5, 5, 5, 5]
    order = walking_order(legs, ground)
    assert len(order.leg) == 20
    # At best: three steps between cells of 4 m, or one way back over a side (16 m and a step).
    assert 19 * 4.0 <= order.dead_m <= 19 * 4.0 + 60.0


def test_walking_order__straight_on_is_no_turn(make_field):
    """Two fields in line: the walker goes on from one leg to the next."""
    ground, legs = laid(make_field([shapely.box(0, 0, 2, 10), shapely.box(0, 12, 2, 20)]), 0.0, 2.0)
    order = walking_order(legs, ground)
    assert order.turns == 0
    assert order.dead_m == pytest.approx(2.0, abs=1e-5)


def test_walking_order__enclosed_ground(make_field):
    """Ground inside a ring of no-go ground cannot be reached: counted straight, and told."""
    ring = shapely.difference(shapely.box(30, 10, 70, 50), shapely.box(34, 14, 66, 46))
    ground, legs = laid(make_field([shapely.box(0, 0, 100, 60)], [ring]), 0.0, 4.0)
    order = walking_order(legs, ground)
    assert order.enclosed in (1, 2)


def test_count_turns__back_on_the_same_lane():
    legs = Stretches(line=np.zeros(2, dtype=int), low=np.array([0.0, 5]), high=np.array([3.0, 9]))
    both = np.array([True, True])
    assert count_turns(legs, np.array([0, 1]), both) == 0
    assert count_turns(legs, np.array([1, 0]), both) == 1
    assert count_turns(legs, np.array([1, 0]), ~both) == 0


def test_arrange__about_as_measured(random_field):
    ground, legs = laid(random_field(11, exclusions=6), 20.0, 2.0)
    *_, estimate = arrange(legs, ground)
    assert estimate == pytest.approx(walking_order(legs, ground).dead_m, rel=0.1)


@given(seed=seeds)
@settings(max_examples=30, deadline=None)
def test_detours__as_by_a_full_visibility_graph(seed):
    """Shortest ways among random blocks, concave ones too, against all pairs of corners."""
    rng = np.random.default_rng(seed)
    blocks = [
        shapely.box(*(c := rng.uniform(0, 80, 2)), *(c + rng.uniform(1, 20, 2))) for _ in range(5)
    ]
    angle = np.sort(rng.uniform(0, 2 * np.pi, 9))
    reach = rng.uniform(4, 25, 9)
    blocks.append(
        shapely.Polygon(50 + np.c_[np.cos(angle), np.sin(angle)] * reach[:, None]).buffer(0)
    )
    no_go = shapely.union_all(blocks)
    on_edge = shapely.get_coordinates(
        shapely.line_interpolate_point(shapely.boundary(no_go), rng.uniform(0, 300, 6))
    )
    points = np.concatenate([on_edge, rng.uniform(-5, 105, (8, 2))])
    core = shapely.buffer(no_go, -1e-4, join_style="mitre")
    points = points[~shapely.intersects(core, shapely.points(points))]
    pairs = np.array(list(itertools.combinations(range(len(points)), 2)))
    ways = Detours(no_go, (0, 0)).ways(points[pairs[:, 0]], points[pairs[:, 1]])

    corners = np.concatenate([points, shapely.get_coordinates(no_go)])
    one, other = np.triu_indices(len(corners), 1)
    lines = shapely.linestrings(np.stack([corners[one], corners[other]], axis=1))
    clear = ~shapely.intersects(core, lines)
    graph = nx.Graph()
    graph.add_nodes_from(range(len(corners)))
    graph.add_weighted_edges_from(
        zip(
            one[clear].tolist(),
            other[clear].tolist(),
            shapely.length(lines[clear]).tolist(),
            strict=True,
        )
    )
    lengths = dict(nx.all_pairs_dijkstra_path_length(graph))
    for (a, b), way in zip(pairs.tolist(), ways, strict=True):
        if way is None:
            assert b not in lengths[a]
        else:
            assert np.hypot(*np.diff(way, axis=0).T).sum() == pytest.approx(lengths[a][b], abs=1e-2)
            assert not shapely.intersects(core, shapely.LineString(way))


def test_detours__nothing_in_the_way():
    detours = Detours(shapely.MultiPolygon(), (0, 0))
    assert detours.ways(np.zeros((1, 2)), np.ones((1, 2)))[0].tolist() == [[0, 0], [1, 1]]
    assert detours.estimate(np.zeros((1, 2)), np.array([[3.0, 4.0]])).tolist() == [5.0]


@given(seed=seeds, count=st.integers(1, 5))
@settings(max_examples=25, deadline=None)
def test_shortest_tour__against_all_orders(seed, count):
    """Few visits: within 10 % of the best of all orders and ways, and most often equal."""
    rng = np.random.default_rng(seed)
    forward = rng.uniform(0, 50, (count, 1, 2)), rng.uniform(0, 50, (count, 1, 2))
    corner = np.concatenate(forward, axis=1)
    visits = Visits(corner=corner, inside_m=np.zeros((count, 2)))
    order, way, length = shortest_tour(visits, lambda a, b: np.hypot(*(b - a).T))
    assert sorted(order.tolist()) == list(range(count))

    def total(order, way):
        steps = zip(order[:-1], way[:-1], order[1:], way[1:], strict=True)
        return sum(np.hypot(*(corner[a, 1 - u] - corner[b, v])) for a, u, b, v in steps)

    assert length == pytest.approx(total(order.tolist(), way.tolist()), abs=1e-9)
    best = min(
        total(o, w)
        for o in itertools.permutations(range(count))
        for w in itertools.product((0, 1), repeat=count)
    )
    assert length <= best * 1.35 + 1e-9


def test_group__split_and_join():
    """A leg, two beside a hole for two lanes, and one again."""
    legs = Stretches(
        line=np.array([0, 1, 1, 2, 2, 3]),
        low=np.array([0.0, 0, 6, 0, 6, 0]),
        high=np.array([9.0, 3, 9, 3, 9, 9]),
    )
    cells = group(legs)
    blocks = [cells.leg[f : f + n].tolist() for f, n in zip(cells.first, cells.count, strict=True)]
    assert blocks == [[0], [1, 3], [2, 4], [5]]


def test_group__touching_is_not_overlapping():
    legs = Stretches(line=np.array([0, 1]), low=np.array([0.0, 5]), high=np.array([5.0, 9]))
    assert group(legs).count.tolist() == [1, 1]
