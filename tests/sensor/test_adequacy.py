import numpy as np
import pytest

from gridtools.errors import InputError
from gridtools.sensor.adequacy import check_fit, check_trials, goodness
from gridtools.sensor.curves import HalfNormal, Logistic
from gridtools.sensor.fit import fit_curves
from gridtools.sensor.trials import Trials

X = np.linspace(-5, 5, 60)


def drawn(curve, x=X, shift=0.0, seed=3):
    p = curve.probability(x - shift)
    return Trials.build(x, np.random.default_rng(seed).random(len(x)) < p)


def test_check__nothing_to_say_of_good_passes():
    trials = drawn(Logistic(4.0, peak=0.995), np.repeat(X, 3))
    assert check_trials(trials) == []
    assert check_fit(trials, fit_curves(trials)) == []


def test_check__responses_off_the_piece():
    trials = drawn(Logistic(4.0, peak=0.995), shift=1.0)
    said = " ".join(check_fit(trials, fit_curves(trials)))
    assert "to the right of the piece" in said


def test_check__no_pass_near_the_piece():
    x = X[np.abs(X) > 1.2]
    trials = drawn(Logistic(4.0, peak=0.995), np.repeat(x, 2))
    assert "nearer than" in " ".join(check_fit(trials, fit_curves(trials)))


def test_check__few_passes_are_worth_a_word():
    trials = drawn(HalfNormal(4.0), X[::3])
    assert "20 test passes are few" in check_trials(trials)[0]


def test_check__responses_at_the_far_end():
    trials = drawn(HalfNormal(4.0))
    far = np.abs(X) > 4.5
    hit = trials.responded | (far & (X > 4.6))
    assert "farthest test passes responded" in " ".join(check_trials(Trials.build(X, hit)))


def test_check__a_pass_without_a_distance():
    with pytest.raises(InputError, match="no lateral distance"):
        Trials.build([1.0, np.nan], [True, False])


def test_goodness__true_curve_fits_and_a_wrong_one_does_not():
    truth = Logistic(4.0, peak=0.99)
    trials = drawn(truth, np.repeat(X, 4))
    good, bad = goodness(trials, truth), goodness(trials, HalfNormal(9.0))
    assert good.p > 0.05
    assert bad.p < 0.01
    assert "poorly" in bad.words
    assert good.hits.sum() == trials.responded.sum()
    assert good.passes.sum() == len(trials)


def test_goodness__calls_few_true_curves_poor():
    """Under the true curve the chance is below 1 % in about one set of a hundred."""
    truth = HalfNormal(4.0)
    chances = [goodness(drawn(truth, seed=seed), truth).p for seed in range(100)]
    assert np.mean(np.array(chances) < 0.01) <= 0.05
    assert 0.35 < np.mean(chances) < 0.65
