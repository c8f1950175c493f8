"""Centre: exact on circles, its ellipse honest, mistakes bounded and named."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from gridtools.targets.centre import fit_centre
from gridtools.targets.marks import Marks
from gridtools.units import unit_vector

TRUTH = np.array([480_000.0, 6_000_000.0])


def marks(heading_deg, onset_m, sd_m=0.2, group=None, noise=0.0, xy=None):
    heading = np.asarray(heading_deg, dtype=np.float64)
    n = len(heading)
    if xy is None:
        xy = TRUTH - np.broadcast_to(onset_m, n)[:, None] * unit_vector(heading) + noise
    return Marks(
        xy=xy, heading_deg=heading, sd_m=np.full(n, sd_m),
        group=np.zeros(n, dtype=np.int64) if group is None else np.asarray(group),
        flag_xy=np.empty((0, 2)), flag_sd_m=np.empty(0),
        expected_xy=TRUTH + np.array([0.4, -0.3]), expected_sd_m=1.0,
    )  # fmt: skip


def holds(found):
    along = unit_vector(found.axis_deg)
    a, b = (TRUTH - found.xy) @ along, (TRUTH - found.xy) @ [along[1], -along[0]]
    return (a / found.semi_major_m) ** 2 + (b / found.semi_minor_m) ** 2 <= 1.0


@pytest.mark.parametrize("n", [2, 3, 4, 5, 6, 12])
def test_fit_centre__points_on_a_circle_give_its_centre(n):
    found = fit_centre(marks(np.arange(n) * 360 / n + 13, 1.7))
    assert np.abs(found.xy - TRUTH).max() < 1.1e-9  # a coordinate's last bit is 0.93e-9
    assert found.onset_m == pytest.approx([1.7], abs=1e-8)
    assert found.kept.all()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n", "sd_m", "true_sd_m", "runs"),
    [
        (8, 0.25, 0.25, 2000),
        # Fewer runs, for time: their share has a standard error of 1.3 %, not 0.7 %.
        (4, 0.25, 0.25, 500),
        (6, 0.25, 0.25, 500),
        (8, 0.5, 0.15, 500),
        (8, 0.15, 0.3, 500),
    ],
)
def test_fit_centre__ellipse_holds_the_truth_in_90_percent(n, sd_m, true_sd_m, runs):
    """From eight onsets on even where the stated error is wrong."""
    rng, heading = np.random.default_rng(n), np.arange(n) * 360.0 / n
    held = sum(
        holds(fit_centre(marks(heading, 1.8, sd_m, noise=rng.normal(0, true_sd_m, (n, 2)))))
        for _ in range(runs)
    )
    assert 0.87 <= held / runs <= 0.93


@pytest.mark.parametrize("wild_m", [-1.5, 1.0, 3.0, 10.0, 50.0])
@pytest.mark.parametrize("which", range(6))
def test_fit_centre__one_wild_point_in_six_moves_it_less_than_one_sigma(wild_m, which):
    onset = np.full(6, 1.8)
    onset[which] += wild_m
    found = fit_centre(marks(np.arange(6) * 60.0, onset, sd_m=0.2))
    assert np.hypot(*(found.xy - TRUTH)) < 0.2
    assert np.flatnonzero(~found.kept).tolist() == [which]


@pytest.mark.slow
def test_fit_centre__a_gross_mistake_among_noisy_points_moves_it_less_than_one_sigma():
    """One of six 5 m out, against the five good ones alone; sigma is that of an onset, 0.2 m."""
    rng, moved = np.random.default_rng(6), []
    for run in range(500):
        heading, onset, noise = np.arange(6) * 60.0, np.full(6, 1.8), rng.normal(0, 0.2, (6, 2))
        onset[run % 6] += 5.0
        good = np.arange(6) != run % 6
        with_it = fit_centre(marks(heading, onset, noise=noise))
        without = fit_centre(marks(heading[good], onset[good], noise=noise[good]))
        moved.append(np.hypot(*(with_it.xy - without.xy)))
    assert np.mean(np.less(moved, 0.2)) >= 0.95


def test_fit_centre__agrees_with_scipy():
    """Least squares on distances from the centre, no point beyond Huber's bound."""
    rng = np.random.default_rng(4)
    given = marks(np.arange(9) * 40.0, 2.0, sd_m=0.3, noise=rng.normal(0, 0.05, (9, 2)))

    def residual(q):
        return np.hypot(*(given.xy - TRUTH - q[:2]).T) - q[2]

    theirs = least_squares(residual, [0.1, 0.1, 1.0], xtol=1e-15, ftol=1e-15, gtol=1e-15).x
    found = fit_centre(given)
    assert found.xy - TRUTH == pytest.approx(theirs[:2], abs=1e-7)
    assert found.onset_m[0] == pytest.approx(theirs[2], abs=1e-7)


def test_fit_centre__worked_by_hand():
    """Onsets 1.9 m south, 2.1 m north, 2.0 m west and 2.0 m east of the truth.

    North and south: the middle is (2.1 - 1.9) / 2 = 0.1 m north; mean distance 2.0 m. Put there,
    the east and west onsets are sqrt(2.0^2 + 0.1^2) = 2.0025 m off and pull alike: to first order
    the onset distance is (2.0 + 2.0 + 2.0025 + 2.0025) / 4 = 2.00125 m.
    Each axis: the normal matrix is diag(2, 2, 4) / 0.2^2 to first order, so its standard error is
    0.2 / sqrt(2) = 0.1414 m, and the 90 % half-axes are sqrt(-2 ln 0.1) = 2.146 times that, 0.3035.
    """
    found = fit_centre(marks([0, 180, 90, 270], [1.9, 2.1, 2.0, 2.0], sd_m=0.2))
    assert found.xy - TRUTH == pytest.approx([0.0, 0.1], abs=5e-4)
    assert found.onset_m == pytest.approx([2.00125], abs=5e-4)
    assert (found.semi_major_m, found.semi_minor_m) == pytest.approx((0.3035, 0.3035), rel=0.01)


def test_fit_centre__opposite_points_cancel_only_under_one_leading_coil():
    """Front coil first along one axis, rear first along the other: each pair cancels."""
    found = fit_centre(marks([0, 180, 90, 270], [1.5, 1.5, 2.0, 2.0], group=[0, 0, 1, 1]))
    assert np.abs(found.xy - TRUTH).max() < 1e-8
    # One pair, a coil each: the shift between them is not known, and the ellipse says so.
    same = fit_centre(marks([0, 180], [1.5, 1.5]))
    mixed = fit_centre(marks([0, 180], [1.5, 1.5], group=[0, 1]))
    assert mixed.semi_minor_m > 1.5 * same.semi_minor_m


def test_fit_centre__a_long_object_is_told():
    heading = np.arange(8) * 45.0
    found = fit_centre(marks(heading, 2.0 + 0.8 * np.cos(2 * np.radians(heading - 30))))
    assert (found.long_deg, found.long_m) == pytest.approx((30.0, 1.6), abs=1e-6)
    assert found.kept.all()
    assert np.abs(found.xy - TRUTH).max() < 1e-8


def test_fit_centre__one_side_only_leans_on_the_candidate():
    one = fit_centre(marks([270.0], 1.5))
    assert one.leans
    assert not one.surrounded
    assert one.semi_major_m > 2.0


def test_fit_centre__four_that_disagree_are_not_averaged_away():
    found = fit_centre(marks([0, 90, 180, 270], [1.5, 1.5, 1.5, 4.0]))
    assert not found.consistent
