import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.plan.spacing import at_spacing, wide_first, widest_spacing
from gridtools.sensor.curves import HalfNormal, HazardRate, InverseCube, Logistic
from gridtools.sensor.pod import fewest_crossings, pod_two_passes

CURVES = [InverseCube(4.0), HalfNormal(3.0), HazardRate(5.0, steepness=6.0, peak=0.95)]


@given(st.sampled_from(CURVES), st.floats(0.5, 0.98), st.integers(0, 8))
def test_widest__meets_both_wishes_and_little_wider_does_not(curve, pod, crossings):
    s = widest_spacing(curve, pod=pod, crossings=crossings)
    width = curve.sweep_width_m
    assert pod_two_passes(curve, s).cautious >= pod - 1e-6
    assert fewest_crossings(width, s) >= crossings
    wider = s + 0.11
    assert pod_two_passes(curve, wider).cautious < pod or fewest_crossings(width, wider) < max(
        crossings, 1
    ) or wider > 10 * width  # fmt: skip


def test_widest__four_crossings_need_half_the_sweep_width():
    assert widest_spacing(Logistic(4.0, peak=0.99), pod=0.5, crossings=4) == 2.0


def test_widest__refuses_what_no_spacing_gives():
    with pytest.raises(InputError, match="cannot reach a POD of 99 %"):
        widest_spacing(HalfNormal(4.0, peak=0.8), pod=0.99, crossings=4)


def test_at_spacing__length_and_hours_by_hand():
    """Hectare, lanes 2 m apart: 2 x 5,000 m and 2 x 100 m aside at 1 m/s, 2 x 49 turns of 10 s."""
    plan = at_spacing(HalfNormal(4.0), 2.0, speed_mps=1.0)
    assert plan.length_m_per_ha == 10_000
    assert plan.hours_per_ha == pytest.approx((10_200 + 980) / 3600)


def test_wide_first__pod_by_simulation():
    """One pass, then four crossings straight over, kept when three respond."""
    curve = Logistic(4.0, peak=0.9)
    both = at_spacing(curve, 2.0, 1.2)
    plan = wide_first(curve, both, pod=0.8, responses_per_ha=10, speed_mps=1.2)
    rng = np.random.default_rng(1)
    n = 200_000
    first = rng.random(n) < curve.probability(rng.uniform(0, plan.spacing_m / 2, n))
    kept = (rng.random((4, n)) < 0.9).sum(axis=0) >= 3
    assert plan.pod == pytest.approx(np.mean(first & kept), abs=0.004)


def test_wide_first__takes_as_long_at_the_even_number():
    curve = HazardRate(4.0, steepness=6.0)
    both = at_spacing(curve, 2.0, 1.2)
    even = wide_first(curve, both, pod=0.9, responses_per_ha=1, speed_mps=1.2).even_at_per_ha
    again = wide_first(curve, both, pod=0.9, responses_per_ha=even, speed_mps=1.2)
    assert again.hours_per_ha == pytest.approx(both.hours_per_ha)
