import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm

from gridtools.errors import InputError
from gridtools.sensor.curves import (
    KINDS,
    DefiniteRange,
    HalfNormal,
    HazardRate,
    InverseCube,
    Logistic,
    curve_of,
    smeared,
)

WIDTHS = st.floats(0.1, 50.0)
PEAKS = st.floats(0.05, 1.0)
CURVES = st.one_of(
    st.builds(DefiniteRange, WIDTHS, PEAKS),
    st.builds(InverseCube, WIDTHS, PEAKS),
    st.builds(HalfNormal, WIDTHS, PEAKS),
    st.builds(HazardRate, WIDTHS, st.floats(1.5, 40.0), PEAKS),
    st.builds(Logistic, WIDTHS, st.floats(0.05, 1 - 1e-9)),
)
EXAMPLES = [
    DefiniteRange(4.0, peak=0.9),
    InverseCube(4.0),
    HalfNormal(4.0, peak=0.95),
    HazardRate(4.0, steepness=3.0, peak=0.97),
    Logistic(4.0, peak=0.98),
]


@pytest.mark.parametrize("curve", EXAMPLES, ids=lambda c: c.kind)
def test_curve__integral_is_the_sweep_width(curve):
    near = quad(curve.probability, 0.0, 5.0, points=[2.0 / 0.9], limit=200)[0]
    far = quad(curve.probability, 5.0, math.inf, limit=200)[0]
    assert 2 * (near + far) == pytest.approx(4.0, rel=1e-5)


@given(CURVES, st.floats(-60.0, 60.0))
def test_curve__even_and_between_zero_and_its_peak(curve, x):
    p, mirrored, top = curve.probability([x, -x, 0.0])
    assert p == mirrored
    assert 0.0 <= p <= top + 1e-12
    assert top == pytest.approx(curve.parameters["peak"])


@given(CURVES)
def test_curve__falls_with_distance(curve):
    p = curve.probability(np.linspace(0.0, 3 * curve.sweep_width_m, 200))
    assert (np.diff(p) <= 1e-12).all()


@given(CURVES, st.floats(0.001, 0.999))
def test_inverse__is_where_the_curve_falls_below(curve, share):
    p = share * curve.parameters["peak"]
    x = float(curve.inverse(p))
    before, after = curve.probability([x * (1 - 1e-6), x * (1 + 1e-6)])
    assert after <= p + 1e-6
    assert before >= p - 1e-6


def test_inverse__zero_where_the_curve_never_comes_up_to_it():
    assert HalfNormal(4.0, peak=0.9).inverse([0.95, 0.9]).tolist() == [0.0, 0.0]


@given(CURVES, WIDTHS)
def test_scaled__stretches_the_same_shape(curve, width_m):
    other = curve.scaled(width_m)
    ratio = np.linspace(0.0, 3.0, 20)
    assert np.allclose(
        curve.probability(ratio * curve.sweep_width_m), other.probability(ratio * width_m)
    )


@given(CURVES)
def test_curve_of__gives_the_stored_curve_back(curve):
    assert curve_of(curve.kind, curve.sweep_width_m, **curve.parameters) == curve


def test_hazard_rate__with_steepness_two_is_the_inverse_cube_law():
    x = np.linspace(0.0, 20.0, 50)
    hazard, cube = HazardRate(4.0, steepness=2.0), InverseCube(4.0)
    assert np.allclose(hazard.probability(x), cube.probability(x))


def test_inverse_cube__as_published():
    """p(x) = 1 - exp(-2kh / (w x²)), W = 2 sqrt(2 pi k h / w) (Koopman 1946; from memory)."""
    kh_w = 0.7
    x = np.array([0.5, 1.0, 3.0])
    curve = InverseCube(2 * math.sqrt(2 * math.pi * kh_w))
    assert np.allclose(curve.probability(x), 1 - np.exp(-2 * kh_w / x**2))


@pytest.mark.parametrize("curve", EXAMPLES, ids=lambda c: c.kind)
@pytest.mark.parametrize("sigma_m", [0.05, 0.5, 3.0])
def test_smeared__is_the_convolution_with_the_normal_law(curve, sigma_m):
    soft = smeared(curve, sigma_m)
    error = np.linspace(-8, 8, 200_001)
    weight = norm.pdf(error)
    for x in (0.0, 1.0, 2.0, 2.4, 6.0):
        expected = np.sum(weight * curve.probability(x + sigma_m * error)) / weight.sum()
        assert float(soft.probability(x)) == pytest.approx(expected, abs=1e-3)
    assert soft.sweep_width_m == curve.sweep_width_m
    x = np.linspace(0, 200, 400_001)
    step = x[1] - x[0]
    assert soft.probability(x).sum() == pytest.approx(curve.probability(x).sum(), abs=0.01 / step)


def test_smeared__definite_range_in_closed_form():
    soft = smeared(DefiniteRange(4.0), 0.7)
    x = np.linspace(0, 5, 40)
    expected = norm.cdf((2 - x) / 0.7) - norm.cdf((-2 - x) / 0.7)
    assert np.abs(soft.probability(x) - expected).max() < 5e-4


def test_smeared__half_normal_stays_half_normal():
    """Variances add: with s² = W² / 2 pi, peak falls by s / sqrt(s² + sigma²)."""
    curve, sigma = HalfNormal(4.0), 1.2
    s = 4.0 / math.sqrt(2 * math.pi)
    wide = math.hypot(s, sigma)
    x = np.linspace(0, 8, 50)
    expected = s / wide * np.exp(-0.5 * (x / wide) ** 2)
    assert np.abs(smeared(curve, sigma).probability(x) - expected).max() < 5e-4


def test_smeared__without_error_is_the_curve_itself():
    curve = HalfNormal(4.0)
    assert smeared(curve, 0.0) is curve


def test_smeared__inverse_and_scaled():
    soft = smeared(Logistic(4.0, peak=0.98), 0.5)
    assert float(soft.probability(soft.inverse(0.3))) == pytest.approx(0.3, abs=1e-3)
    assert soft.scaled(6.0).sweep_width_m == 6.0
    assert soft.scaled(6.0).probability(2.0) > soft.probability(2.0)


@pytest.mark.parametrize(
    ("make", "named"),
    [
        (lambda: HalfNormal(0.0), "sweep width"),
        (lambda: HalfNormal(math.nan), "sweep width"),
        (lambda: HalfNormal(4.0, peak=1.2), "peak"),
        (lambda: HazardRate(4.0, steepness=1.0), "steepness"),
        (lambda: Logistic(4.0, peak=1.0), "peak"),
        (lambda: curve_of("square", 4.0), "definite range"),
        (lambda: curve_of("half-normal", 4.0, steepness=3.0), "steepness"),
        (lambda: smeared(HalfNormal(4.0), -1.0), "position error"),
    ],
)
def test_curve__refuses_what_is_out_of_range(make, named):
    with pytest.raises(InputError, match=named):
        make()


def test_kinds__are_all_laws():
    assert len(KINDS) == 5
