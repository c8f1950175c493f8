"""Depth factor: calibrated, in closed cases exact, and used only once it is better."""

import numpy as np
import pytest

from gridtools.errors import InputError
from gridtools.layers import DepthFactors
from gridtools.targets.depth import (
    PRIOR_FACTOR,
    DepthFactor,
    depth_of,
    factor_in_use,
    learn_factor,
)

TRUTH, NOISE, TAPE_M = 0.8, 0.15, 0.1


def digs(rng, n, noisy):
    """Onset distances and taped depths of objects 0.5 to 3 m down."""
    depth, scatter = rng.uniform(0.5, 3.0, n), 1 + rng.normal(0, NOISE, n)
    onset = depth / TRUTH * (scatter if noisy == "onset" else 1.0)
    return onset, depth * (scatter if noisy == "depth" else 1.0) + rng.normal(0, TAPE_M, n)


@pytest.mark.slow
@pytest.mark.parametrize("noisy", ["onset", "depth"])
def test_learn_factor__interval_holds_the_truth_in_90_percent(noisy):
    """Whichever of onset and depth scatters about the other."""
    rng, held = np.random.default_rng(12), 0
    for _ in range(2000):
        onset, depth = digs(rng, 12, noisy)
        found = learn_factor(onset, 0.0, depth, TAPE_M)
        held += found.low <= TRUTH <= found.high
    assert 0.88 <= held / 2000 <= 0.92


def test_learn_factor__equal_ratios_give_the_ratio_and_no_false_certainty():
    """By hand: all alike, so only the stated errors count.

    Variance of depth - 0.8 onset: 0.1^2 (1 + 0.8^2) = 0.0164; of the factor, with weights
    1, 2, 3: 0.0164 / (1 + 4 + 9) = 0.001171, sd 0.03423; t(2 degrees, 95 %) = 2.9200.
    """
    found = learn_factor([1.0, 2.0, 3.0], 0.1, [0.8, 1.6, 2.4], 0.1)
    half = 2.9200 * 0.03423 / 0.8
    expected = (0.8, 0.8 * np.exp(-half), 0.8 * np.exp(half))
    assert (found.value, found.low, found.high) == pytest.approx(expected, rel=1e-3)


def test_learn_factor__does_not_depend_on_the_unit():
    """Feet in, the same factor out: 1 ft is 0.3048 m (international foot)."""
    onset, depth = digs(np.random.default_rng(1), 8, "onset")
    metres = learn_factor(onset, 0.2, depth, 0.1)
    feet = learn_factor(onset / 0.3048, 0.2 / 0.3048, depth / 0.3048, 0.1 / 0.3048)
    assert (metres.value, metres.low, metres.high) == pytest.approx(
        (feet.value, feet.low, feet.high), rel=1e-6
    )


def test_learn_factor__one_dig_teaches_nothing():
    assert learn_factor([1.0], 0.1, [0.8], 0.1) == PRIOR_FACTOR


def test_learn_factor__refuses_what_cannot_be():
    with pytest.raises(InputError, match="above 0"):
        learn_factor([1.0, -1.0], 0.1, [0.8, 0.8], 0.1)


def test_factor_in_use__keeps_set_ups_apart_and_waits_until_it_is_better():
    rows = DepthFactors.build(
        instrument=["a", "a", "b"], tuning=["motion", "static", "motion"], factor=0.8,
        low=[0.75, 0.1, 0.75], high=[0.85, 6.0, np.nan], scatter=0.1, digs=12, basis="learned",
    )  # fmt: skip
    assert factor_in_use(rows, "a", "motion").value == 0.8
    assert factor_in_use(rows, "a", "static") == PRIOR_FACTOR
    assert factor_in_use(rows, "b", "motion") == PRIOR_FACTOR
    assert factor_in_use(rows, "c", "motion") == PRIOR_FACTOR


def test_depth_of__carry_height_comes_off():
    """By hand: 0.8 x 2 m = 1.6 m below the coils, which are 0.3 m up."""
    factor = DepthFactor(0.8, 0.8, 0.8, "", 9, 0.0)
    assert depth_of(2.0, 0.1, factor, 0.3) == pytest.approx((1.3, 0.08))
