from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.targets.ranking import (
    CONTAINER,
    MUNITION,
    SCRAP,
    SERVICE,
    Worth,
    consequence,
    pick_within,
    rank_order,
    whole_minutes,
)

digs = st.lists(
    st.tuples(
        st.sampled_from([CONTAINER, SERVICE, SCRAP]),
        st.integers(1, 10_000).map(lambda p: p / 10_000),
        st.integers(1, 90).map(lambda m: m / 60),
    ),
    min_size=1,
    max_size=10,
)


def worth(rows, strength=None):
    classes, p, hours = zip(*rows, strict=True)
    return Worth(
        consequence=np.array(classes, dtype=object),
        p_metal=np.array(p),
        hours=np.array(hours),
        strength=np.full(len(rows), np.nan) if strength is None else np.array(strength),
    )


def test_consequence__unknown_metal_is_a_possible_container_unless_stated():
    assert consequence("", np.nan) == CONTAINER
    assert consequence("not sure", np.nan) == CONTAINER
    assert consequence("", 30.0) == SERVICE
    assert consequence("container", 30.0) == CONTAINER
    assert consequence(" SCRAP ", 30.0) == SCRAP
    assert consequence("munition", np.nan) == MUNITION


@given(st.floats(0.001, 1.0), st.floats(0.1, 200.0), st.floats(0.001, 1.0), st.floats(0.1, 200.0))
def test_rank_order__a_possible_container_is_never_below_scrap(p, hours, p_scrap, hours_scrap):
    order = rank_order(worth([(SCRAP, p_scrap, hours_scrap), (CONTAINER, p, hours)]))
    assert order.tolist() == [1, 0]


def test_rank_order__nor_when_its_depth_is_unknown():
    assert rank_order(worth([(SCRAP, 0.9, 0.6), (CONTAINER, 0.3, np.nan)])).tolist() == [1, 0]


def test_rank_order__effort_decides_within_a_band_of_chance_only():
    deep, slim, shallow = (CONTAINER, 0.95, 30.0), (CONTAINER, 0.3, 0.6), (CONTAINER, 0.9, 1.0)
    assert rank_order(worth([deep, slim, shallow])).tolist() == [2, 0, 1]


def test_rank_order__suspected_munitions_are_last_and_strength_breaks_ties():
    rows = [(MUNITION, 1.0, 0.5), (SCRAP, 0.2, 9.0), (CONTAINER, 0.5, 1.0), (CONTAINER, 0.5, 1.0)]
    assert rank_order(worth(rows, [np.nan, np.nan, 3.0, 8.0])).tolist() == [3, 2, 1, 0]


@given(digs, st.floats(0.0, 8.0))
def test_pick_within__against_brute_force(rows, budget):
    """First the chance summed over possible containers and services is the greatest that fits,
    then that over scrap, then the minutes are fewest."""
    case = worth(rows)
    minutes = whole_minutes(case.hours)
    chance = np.rint(case.p_metal * 10_000).astype(int)
    first = case.consequence != SCRAP

    def score(mask):
        mask = np.array(mask, dtype=bool)
        return chance[mask & first].sum(), chance[mask & ~first].sum(), -minutes[mask].sum()

    sets = product([False, True], repeat=len(rows))
    best = max(score(s) for s in sets if minutes[np.array(s)].sum() <= budget * 60 + 1e-9)
    picked = pick_within(case, budget)
    assert minutes[picked].sum() <= budget * 60 + 1e-9
    assert score(picked) == best


def test_pick_within__beats_taking_them_by_rank():
    """By rank the first would fill the day; the other two together are worth more."""
    case = worth([(CONTAINER, 0.95, 7.5), (CONTAINER, 0.9, 4.0), (CONTAINER, 0.85, 4.0)])
    assert pick_within(case, 8.0).tolist() == [False, True, True]


def test_pick_within__nothing_fits_and_unknown_hours():
    assert not pick_within(worth([(SCRAP, 0.9, 3.0)]), 2.9).any()
    with pytest.raises(InputError, match="hours are unknown"):
        pick_within(worth([(SCRAP, 0.9, np.nan)]), 2.9)


def test_pick_within__many_digs_in_a_week():
    dice = np.random.default_rng(5)
    rows = [(CONTAINER, p, 0.5 + 9 * h) for p, h in dice.random((300, 2))]
    case = worth(rows)
    picked = pick_within(case, 40.0)
    by_rate = np.argsort(-case.p_metal / case.hours)
    greedy = by_rate[np.cumsum(whole_minutes(case.hours)[by_rate]) <= 2400]
    assert case.p_metal[picked].sum() >= case.p_metal[greedy].sum()
    assert whole_minutes(case.hours)[picked].sum() <= 2400
