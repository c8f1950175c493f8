from itertools import permutations

import numpy as np
import pytest
import shapely

from gridtools.targets.visiting import visiting_order, walking_m


def length(order, distance):
    order = np.asarray(order)
    return distance[order[:-1], order[1:]].sum()


@pytest.mark.parametrize("seed", range(8))
def test_visiting_order__near_the_shortest_of_all_orders(seed):
    xy = np.random.default_rng(seed).uniform(0, 100, (7, 2))
    distance = walking_m(xy)
    best = min(length(p, distance) for p in permutations(range(7)))
    order = visiting_order(xy)
    assert sorted(order) == list(range(7))
    assert length(order, distance) <= 1.05 * best
    assert order[0] < order[-1]


def test_visiting_order__goes_round_what_is_not_walked():
    """A wall between two pairs of places: without it the walk would go across."""
    xy = np.array([[0.0, 0.0], [2.0, 0.0], [0.0, 20.0], [2.0, 20.0]])
    wall = shapely.box(0.9, -50.0, 1.1, 50.0)
    order = visiting_order(xy, wall)
    assert abs(order.tolist().index(0) - order.tolist().index(2)) == 1
    assert abs(order.tolist().index(1) - order.tolist().index(3)) == 1
    assert walking_m(xy, wall)[0, 1] > 99.0


def test_visiting_order__few_places():
    assert visiting_order(np.zeros((0, 2))).tolist() == []
    assert visiting_order(np.zeros((2, 2))).tolist() == [0, 1]
