import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.sensor.curves import (
    DefiniteRange,
    HalfNormal,
    HazardRate,
    InverseCube,
    Logistic,
    smeared,
)
from gridtools.sensor.pod import (
    combine,
    fewest_crossings,
    pod_definite_range,
    pod_inverse_cube,
    pod_nearest,
    pod_parallel,
    pod_random_search,
    pod_two_passes,
)

COVERAGE = [0.5, 0.75, 1.0, 1.5, 2.0]
#: Washburn, Search and Detection (2002), 2.4 and ch. 2: formulas read, values computed.
INVERSE_CUBE = [0.4691, 0.6528, 0.7899, 0.9399, 0.9878]
RANDOM_SEARCH = [0.3935, 0.5276, 0.6321, 0.7769, 0.8647]


def test_laws__published_values():
    assert pod_inverse_cube(COVERAGE).round(4).tolist() == INVERSE_CUBE
    assert pod_random_search(COVERAGE).round(4).tolist() == RANDOM_SEARCH
    assert pod_definite_range(COVERAGE).tolist() == [0.5, 0.75, 1.0, 1.0, 1.0]


def test_inverse_cube__single_search_table():
    """AMSA National SAR Manual 2026, table 4-2, second-hand, read off a graph: ±0.015."""
    assert pod_inverse_cube([1.0, 0.5]).tolist() == pytest.approx([0.78, 0.47], abs=0.015)


@pytest.mark.parametrize(("coverage", "pod"), list(zip(COVERAGE, INVERSE_CUBE, strict=True)))
def test_parallel__sum_over_lanes_gives_the_published_inverse_cube(coverage, pod):
    """The general sum, to five decimals of the closed form: lanes far off included."""
    found = pod_parallel(InverseCube(4.0), 4.0 / coverage)
    assert found == pytest.approx(float(pod_inverse_cube(coverage)), abs=1e-5)
    assert found == pytest.approx(pod, abs=6e-5)


@pytest.mark.parametrize("coverage", COVERAGE)
def test_parallel__definite_range(coverage):
    found = pod_parallel(DefiniteRange(4.0), 4.0 / coverage)
    assert found == pytest.approx(min(1.0, coverage))


def test_parallel__definite_range_with_a_peak_by_hand():
    """Range 2.5 m, lanes 2 m apart: half of the ground is in reach of 2 lanes, half of 3."""
    assert pod_parallel(DefiniteRange(4.0, peak=0.8), 2.0) == pytest.approx(
        1 - (0.2**2 + 0.2**3) / 2
    )


def test_combine__independent_repeats():
    """0.78 twice gives 0.9516 (product law, from memory)."""
    assert float(combine([[0.78], [0.78]])[0]) == pytest.approx(0.9516)


def test_combine__wooden_stakes_are_far_from_independent():
    """Observers 1 and 3 together found 89 of 150, where the product law says 0.749.

    Observer 3 found 68; the law gives 81 for observer 1. The dependence that explains 89 lies
    well above zero (data of Laake 1978, see stakes.py).
    """
    alone = np.array([[1 - (1 - 0.749) / (1 - 68 / 150)], [68 / 150]])
    assert float(combine(alone)[0]) == pytest.approx(0.749, abs=5e-4)
    assert float(combine(alone, 0.75)[0]) == pytest.approx(89 / 150, abs=0.005)


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=6), st.floats(0.0, 1.0))
def test_combine__between_the_best_run_and_independence(p, dependence):
    found = float(combine(np.array(p)[:, None], dependence)[0])
    assert max(p) - 1e-12 <= found <= 1 - math.prod(1 - q for q in p) + 1e-12


def test_combine__no_run_detects_nothing():
    assert combine(np.empty((0, 3))).tolist() == [0.0, 0.0, 0.0]


CURVES = [
    DefiniteRange(4.0, peak=0.9),
    InverseCube(4.0),
    HalfNormal(4.0, peak=0.95),
    HazardRate(4.0, steepness=5.0, peak=0.97),
    Logistic(4.0, peak=0.98),
]


def simulated(curve, spacing_m, sigma_m, objects, seed):
    """Objects strewn at random, straight passes each way: detected by pass 1, by either pass.

    Walks are put down one by one and the chance of each is drawn, with its own error across the
    track: nothing of the analytic sums is used.
    """
    rng = np.random.default_rng(seed)
    side = 40 * spacing_m
    xy = rng.uniform(0.0, side, (objects, 2))
    seen = np.zeros((2, objects), dtype=bool)
    for axis in (0, 1):
        start = rng.uniform(0.0, spacing_m)
        for lane in np.arange(start - 40 * spacing_m, side + 40 * spacing_m, spacing_m):
            away = xy[:, axis] - lane + sigma_m * rng.standard_normal(objects)
            seen[axis] |= rng.random(objects) < curve.probability(away)
    return seen[0].mean(), seen.any(axis=0).mean()


@pytest.mark.parametrize("curve", CURVES, ids=lambda c: c.kind)
@pytest.mark.parametrize(("spacing_m", "sigma_m"), [(2.0, 0.0), (3.0, 0.5), (6.0, 1.0)])
def test_passes__simulated_walks_agree_within_three_sigma(curve, spacing_m, sigma_m):
    objects = 20_000
    one, both = simulated(curve, spacing_m, sigma_m, objects, seed=int(spacing_m))
    pod = pod_two_passes(smeared(curve, sigma_m), spacing_m)
    for seen, expected in ((one, pod.one_pass), (both, pod.independent)):
        sigma = math.sqrt(expected * (1 - expected) / objects)
        assert abs(seen - expected) < 3 * sigma + 1e-6, (seen, expected, sigma)


@pytest.mark.parametrize("curve", CURVES, ids=lambda c: c.kind)
def test_two_passes__order_of_the_values(curve):
    for spacing in (1.0, 2.5, 7.0):
        pod = pod_two_passes(curve, spacing, 1.3 * spacing)
        assert pod.one_pass_cautious <= pod.one_pass + 1e-9
        assert pod.better_pass <= pod.cautious <= pod.independent + 1e-9


@pytest.mark.parametrize("curve", CURVES, ids=lambda c: c.kind)
def test_nearest__is_the_curve_over_half_a_spacing(curve):
    x = (np.arange(100_000) + 0.5) / 100_000 * 1.5
    assert pod_nearest(curve, 3.0) == pytest.approx(curve.probability(x).mean(), abs=2e-3)


@given(st.sampled_from(CURVES), st.floats(0.3, 20.0), st.floats(1.01, 2.0))
def test_parallel__falls_with_spacing(curve, spacing_m, factor):
    assert pod_parallel(curve, spacing_m * factor) <= pod_parallel(curve, spacing_m) + 1e-6
    assert pod_nearest(curve, spacing_m * factor) <= pod_nearest(curve, spacing_m) + 1e-6


@given(st.floats(0.5, 10.0), st.floats(0.3, 12.0), st.floats(0.0, 1.0))
def test_crossings__counted_on_lanes_put_down(width_m, spacing_m, phase):
    """Lanes within half a sweep width of a spot, at any phase, are never fewer than said."""
    lanes = (np.arange(-50, 51) + phase) * spacing_m
    within = int((np.abs(lanes) <= width_m / 2 + 1e-9).sum())
    assert 2 * within >= fewest_crossings(width_m, spacing_m)


@pytest.mark.parametrize("spacing_m", [0.0, -1.0, math.nan, math.inf])
def test_spacing__refused(spacing_m):
    with pytest.raises(InputError, match="lane spacing"):
        pod_parallel(HalfNormal(4.0), spacing_m)
