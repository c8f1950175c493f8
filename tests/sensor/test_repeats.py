import numpy as np
import pytest

from gridtools.sensor.curves import HalfNormal
from gridtools.sensor.repeats import dependence_of
from gridtools.sensor.trials import Trials

CURVE = HalfNormal(4.0)


def passes(dependence, pieces, repeats, seed):
    """Repeats over pieces: with the chance given one draw decides for all passes of a piece."""
    rng = np.random.default_rng(seed)
    x = np.repeat(rng.uniform(0.5, 2.5, pieces).round(1), repeats)
    piece = np.repeat([f"P{i}" for i in range(pieces)], repeats)
    shared = np.repeat(rng.random(pieces) < dependence, repeats)
    draw = np.where(shared, np.repeat(rng.random(pieces), repeats), rng.random(pieces * repeats))
    return Trials.build(x, draw < CURVE.probability(x), piece=piece)


@pytest.mark.parametrize("dependence", [0.0, 0.4, 0.8, 1.0])
def test_dependence__found_again_from_many_repeats(dependence):
    found = dependence_of(passes(dependence, 400, 4, seed=1), CURVE)
    assert found.value == pytest.approx(dependence, abs=0.1)
    assert found.low <= found.value <= found.high
    assert found.groups == 400


def test_dependence__interval_holds_the_truth_about_nine_times_in_ten():
    sets = [dependence_of(passes(0.5, 60, 3, seed), CURVE) for seed in range(100)]
    inside = [s.low <= 0.5 <= s.high for s in sets if s is not None]
    print(f"dependence: {100 * np.mean(inside):.0f} % of {len(inside)}")
    assert len(inside) > 80
    assert 0.8 <= np.mean(inside) <= 0.98


@pytest.mark.parametrize(
    "trials",
    [
        Trials.build([1.0] * 40, [True, False] * 20),
        Trials.build([1.0] * 40, [True, False] * 20, piece="one"),
        passes(0.5, 5, 2, seed=0),
        passes(0.5, 40, 1, seed=0),
    ],
    ids=["no pieces", "one piece", "few groups", "no repeats"],
)
def test_dependence__not_said_where_repeats_are_too_few(trials):
    assert dependence_of(trials, CURVE) is None
