import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.geodesy import fit_conformal
from gridtools.units import bearing_difference, bearing_of


def test_fit__ghilani_and_wolf():
    """Ghilani and Wolf, Adjustment Computations, example 18.1 (attribution from memory).

    Their rotation turns anticlockwise from x to y, 183°13'05.0"; ours is clockwise, so it is
    360° less theirs.
    """
    local = [(121.622, -128.066), (141.228, 187.718), (175.802, 135.728)]
    known = [(1049422.40, 51089.20), (1049413.95, 49659.30), (1049244.95, 49884.95)]
    fit = fit_conformal(local, known)
    assert fit.scale == pytest.approx(4.519621, abs=5e-7)
    assert 360.0 - fit.rotation_deg == pytest.approx(183 + 13 / 60 + 5.0 / 3600, abs=0.06 / 3600)
    assert fit.apply([(174.148, -120.262), (513.520, -192.130)]) == pytest.approx(
        np.array([(1049187.361, 51040.629), (1047637.713, 51278.829)]), abs=0.0006
    )
    assert np.abs(fit.residuals_m).max() < 0.2
    # Least squares leaves residuals that sum to nothing.
    assert fit.residuals_m.sum(axis=0) == pytest.approx([0.0, 0.0], abs=1e-6)


def test_fit__agrees_with_a_general_least_squares():
    """The four-parameter design matrix, solved by numpy, gives the same fit."""
    rng = np.random.default_rng(5)
    local = rng.uniform(0, 100, (6, 2))
    known = local @ [[0.8, 0.6], [-0.6, 0.8]] + [4e5, 5e6] + rng.normal(0, 0.05, (6, 2))
    fit = fit_conformal(local, known)
    x, y = local.T
    one, zero = np.ones(6), np.zeros(6)
    design = np.vstack([np.column_stack([x, -y, one, zero]), np.column_stack([y, x, zero, one])])
    offset = known.mean(axis=0)
    solution, *_ = np.linalg.lstsq(design, (known - offset).T.ravel(), rcond=None)
    fitted = (design @ solution).reshape(2, -1).T + offset
    assert fit.apply(local) == pytest.approx(fitted, abs=1e-7)
    assert fit.residuals_m == pytest.approx(known - fitted, abs=1e-7)


coordinate = st.floats(-1000, 1000)
points = st.lists(st.tuples(coordinate, coordinate), min_size=2, max_size=8)


@settings(max_examples=100, deadline=None)
@given(points, st.floats(0.5, 2.0), st.floats(0, 360), coordinate, coordinate)
def test_fit__recovers_an_exact_transformation(local, scale, turn, east, north):
    local = np.array(local)
    if np.ptp(local, axis=0).max() < 1.0:
        return
    r = np.radians(turn)
    a, b = scale * np.cos(r), scale * np.sin(r)
    known = np.column_stack(
        [a * local[:, 0] + b * local[:, 1] + east, -b * local[:, 0] + a * local[:, 1] + north]
    )
    fit = fit_conformal(local, known)
    assert fit.scale == pytest.approx(scale, rel=1e-9)
    assert abs(float(bearing_difference(fit.rotation_deg, turn))) < 1e-7
    assert np.abs(fit.residuals_m).max() < 1e-8
    assert fit.inverse().apply(fit.apply(local)) == pytest.approx(local, abs=1e-8)
    assert fit.apply(fit.inverse().apply(known)) == pytest.approx(known, abs=1e-8)


def test_rotation__bearings_grow_by_it():
    fit = fit_conformal([[0, 0], [0, 10]], [[5, 5], [10, 5]])
    before, after = np.array([3.0, 4.0]), fit.apply([[3.0, 4.0]])[0] - fit.apply([[0.0, 0.0]])[0]
    assert float(bearing_difference(bearing_of(*after), bearing_of(*before))) == pytest.approx(
        fit.rotation_deg
    )


@pytest.mark.parametrize(
    ("local", "known", "words"),
    [
        ([[0, 0]], [[1, 1]], "two or more"),
        ([[0, 0], [1, 0]], [[1, 1]], "two or more"),
        ([[3, 3], [3, 3]], [[1, 1], [9, 9]], "one place"),
        ([[0, 0], [9, 9]], [[1, 1], [1, 1]], "one place"),
    ],
)
def test_fit__refuses(local, known, words):
    with pytest.raises(InputError, match=words):
        fit_conformal(local, known)
