import numpy as np
import pytest
import statsmodels.api as sm

from gridtools.sensor.curves import (
    DefiniteRange,
    HalfNormal,
    HazardRate,
    InverseCube,
    Logistic,
)
from gridtools.sensor.fit import fit_curves
from gridtools.sensor.trials import Trials

from . import stakes


@pytest.fixture(scope="module")
def wooden():
    return fit_curves(stakes.trials())


def law(fit, kind):
    return next(f for f in fit.laws if f.law.kind == kind)


def test_stakes__width_of_the_bins_as_published():
    assert pytest.approx(16.71, abs=0.005) == stakes.WIDTH_M


def test_stakes__width_by_fit(wooden):
    """Within 5 % of the binned width, and inside the interval."""
    print(f"sweep width by fit {wooden.best.width_m:.2f} m, binned {stakes.WIDTH_M:.2f} m")
    assert wooden.best.width_m == pytest.approx(stakes.WIDTH_M, rel=0.05)
    assert wooden.low_m < stakes.WIDTH_M < wooden.high_m


def test_stakes__half_normal_near_the_published_fit(wooden):
    """16.61 m by a half-normal fit to the distances (check computed from the same data)."""
    assert law(wooden, "half-normal").width_m == pytest.approx(16.61, rel=0.05)


def glm(trials):
    model = sm.GLM(
        trials.responded.astype(float),
        sm.add_constant(np.abs(trials.lateral_m)),
        family=sm.families.Binomial(),
    )
    return model.fit(tol=1e-12)


def test_logistic__maximum_equals_that_of_statsmodels(wooden):
    expected = glm(stakes.trials())
    found = law(wooden, "logistic")
    assert found.log_likelihood == pytest.approx(expected.llf, abs=1e-6)
    a, b = expected.params
    assert found.law.sweep_width_m == pytest.approx(2 * np.logaddexp(0, a) / -b, rel=1e-3)


@pytest.mark.parametrize("seed", range(4))
def test_logistic__maximum_equals_that_of_statsmodels_on_simulated_passes(seed):
    rng = np.random.default_rng(seed)
    x = rng.uniform(-5.0, 5.0, 60)
    trials = Trials.build(x, rng.random(60) < Logistic(4.0, peak=0.95).probability(x))
    found = law(fit_curves(trials), "logistic")
    assert found.log_likelihood == pytest.approx(glm(trials).llf, abs=1e-6)


@pytest.mark.parametrize(
    "truth",
    [
        DefiniteRange(4.0, peak=0.9),
        InverseCube(4.0, peak=0.95),
        HalfNormal(4.0),
        HazardRate(4.0, steepness=6.0, peak=0.9),
        Logistic(4.0, peak=0.97),
    ],
    ids=lambda c: c.kind,
)
def test_fit__finds_law_and_width_from_very_many_passes(truth):
    """4,000 passes: the right law is chosen, or one that is as good, and the width is found."""
    rng = np.random.default_rng(4)
    x = np.round(rng.uniform(-8.0, 8.0, 4000), 1)
    fit = fit_curves(Trials.build(x, rng.random(4000) < truth.probability(x)))
    tested = 2 * truth.probability(np.linspace(0, 8, 4001)).mean() * 8
    assert law(fit, truth.kind).aic - fit.best.aic < 4.0
    assert fit.best.width_m == pytest.approx(tested, rel=0.05)
    assert fit.low_m < tested < fit.high_m


def test_fit__same_passes_same_result_in_any_order():
    trials = stakes.trials()
    order = np.random.default_rng(0).permutation(len(trials))
    other = Trials.build(-trials.lateral_m[order], trials.responded[order])
    assert fit_curves(other) == fit_curves(trials)


def test_fit__what_no_pass_tested_is_not_counted(wooden):
    """The hazard rate law as fitted goes on beyond the last bin; its curve is drawn in."""
    best = wooden.best
    assert best.width_m < best.law.sweep_width_m
    x = np.linspace(0, 40, 200)
    assert (best.curve.probability(x) <= best.law.probability(x) + 1e-12).all()


def test_fit__more_passes_narrow_the_interval():
    x = np.linspace(-4, 4, 40)
    rng = np.random.default_rng(2)
    p = HalfNormal(4.0).probability(x)
    few = fit_curves(Trials.build(x, rng.random(40) < p))
    many = fit_curves(Trials.build(np.tile(x, 8), rng.random(320) < np.tile(p, 8)))
    assert many.high_m - many.low_m < 0.6 * (few.high_m - few.low_m)
