"""Figures are checked by placing objects at random, walking past them, and counting."""

import numpy as np
import pytest
import shapely
from scipy import stats

from gridtools.coverage.pod import PodMap, accepted_passes
from gridtools.coverage.residual import Tally, remaining, remaining_after_finds
from gridtools.errors import InputError, MissingError
from gridtools.layers import Lanes, Runs
from gridtools.sensor.curves import Logistic
from gridtools.swath.cells import CellGrid

AREA = shapely.Polygon([(0, 0), (60, 5), (52, 45), (5, 40)])
REDUCED = shapely.box(0, 0, 15, 60).intersection(AREA)
CURVE = Logistic(4.0, peak=0.95)
OBJECTS = 40_000


@pytest.fixture(scope="module")
def runs():
    """Lanes of pass 1 with a gap, and a few of pass 2."""
    walk = [shapely.LineString([(x, -9), (x + 1, 60)]) for x in (1, 5, 9, 22, 27, 33, 38, 44)]
    cross = [shapely.LineString([(-9, y), (70, y - 1)]) for y in (4, 10, 19, 28)]
    return Runs.build(
        geometry=walk + cross, pass_no=[1] * 8 + [2] * 4, heading_deg=[0.0] * 8 + [90.0] * 4,
        length_m=70.0, accepted=True,
    )  # fmt: skip


@pytest.fixture(scope="module")
def tally(runs):
    found = Tally(REDUCED, least_pod=0.8, dependence=0.4)
    passes = accepted_passes(Lanes.empty(), runs)
    pod = PodMap(AREA, passes, CURVE, CellGrid.over(AREA, 0.25))
    for _ in found.watch(pod.windows()):
        pass
    return found


@pytest.fixture(scope="module")
def chances(runs):
    """Objects placed at random, and the chance of each run (n, runs) to detect them."""
    rng = np.random.default_rng(11)
    xy = rng.uniform([0, 0], [60, 45], (4 * OBJECTS, 2))
    xy = xy[shapely.contains_xy(AREA, *xy.T)][:OBJECTS]
    assert len(xy) == OBJECTS
    distance = shapely.distance(shapely.points(xy)[:, None], runs.geometry[None, :])
    return xy, CURVE.probability(distance.ravel()).reshape(distance.shape)


def three_sigma(share):
    return 3 * np.sqrt(share * (1 - share) / OBJECTS)


def missed_by_way(p, rng):
    """Whether each object was missed, run by run: nobody looks at a formula here."""
    lots = rng.random(p.shape)
    independent = ~(lots < p).any(axis=1)
    # Runs of one pass that only repeat each other share one lot: if any detects, the best does.
    shared = np.repeat(lots[:, [0, 8]], [8, 4], axis=1)
    cautious = ~(shared < p).any(axis=1)
    one = rng.random((len(p), 1))
    wholly = rng.random(len(p)) < 0.4
    measured = np.where(wholly, ~(one < p).any(axis=1), independent)
    return {"independent": independent, "cautious": cautious, "measured": measured}


@pytest.mark.parametrize("way", ["independent", "cautious", "measured"])
def test_ground__as_counted(tally, chances, way):
    xy, p = chances
    missed = missed_by_way(p, np.random.default_rng(12))[way]
    share = tally.ground("all").missed[way]
    assert missed.mean() == pytest.approx(share, abs=three_sigma(share))
    inside = shapely.contains_xy(REDUCED, *xy.T)
    for confidence, chosen in (("reduced", inside), ("full", ~inside)):
        part = tally.ground(confidence).missed[way]
        sigma = 3 * np.sqrt(part * (1 - part) / chosen.sum())
        assert missed[chosen].mean() == pytest.approx(part, abs=sigma)
    hidden = tally.missed_unless_full(way)
    assert (missed | inside).mean() == pytest.approx(hidden, abs=three_sigma(hidden))


def test_ground__areas(tally, chances):
    _, p = chances
    whole = tally.ground("all")
    assert whole.area_m2 == pytest.approx(AREA.area, rel=2e-3)
    assert tally.ground("reduced").area_m2 == pytest.approx(REDUCED.area, rel=5e-3)
    below = np.mean(1 - (1 - p).prod(axis=1) < 0.8)
    assert whole.below_m2["independent"] / AREA.area == pytest.approx(below, abs=three_sigma(below))
    bare = np.mean((p < CURVE.probability([2.0])).all(axis=1))
    assert whole.not_passed_m2 / AREA.area == pytest.approx(bare, abs=three_sigma(bare))


def test_ground__none_of_that_confidence():
    with pytest.raises(MissingError, match="reduced"):
        Tally(REDUCED, least_pod=0.8).ground("reduced")


@pytest.mark.parametrize(("expected", "missed"), [(0.3, 0.2), (4.0, 0.15), (25.0, 0.5)])
def test_remaining__as_counted(expected, missed):
    """Poisson many objects, each missed with that chance."""
    rng = np.random.default_rng(13)
    left = rng.binomial(rng.poisson(expected, OBJECTS), missed)
    found = remaining(expected, missed)
    assert np.mean(left > 0) == pytest.approx(found.chance, abs=three_sigma(found.chance))
    assert left.mean() == pytest.approx(found.mean, abs=3 * left.std() / np.sqrt(OBJECTS))
    assert np.mean(left <= found.at_most) >= 0.95 - 0.005
    assert found.at_most == 0 or np.mean(left <= found.at_most - 1) < 0.95 + 0.005


@pytest.mark.parametrize("finds", [0, 1, 3])
def test_remaining_after_finds__as_counted(finds):
    """An exponential guess; only the trials in which just so many were found are kept."""
    rng = np.random.default_rng(14)
    objects = rng.poisson(rng.exponential(2.0, 40 * OBJECTS))
    left = rng.binomial(objects, 0.3)
    left = left[objects - left == finds]
    found = remaining_after_finds(2.0, 0.3, finds)
    sigma = 3 / np.sqrt(len(left))
    assert np.mean(left > 0) == pytest.approx(found.chance, abs=sigma / 2)
    assert left.mean() == pytest.approx(found.mean, abs=sigma * left.std())
    assert np.mean(left <= found.at_most) >= 0.95 - 0.005


def test_remaining__nothing_expected_or_missed():
    assert remaining(0.0, 0.4).at_most == 0
    assert remaining(3.0, 0.0).chance == 0.0
    assert remaining_after_finds(0.0, 0.4, 2).chance == 0.0
    assert remaining(2.5, 1.0).at_most == stats.poisson(2.5).ppf(0.95)


@pytest.mark.parametrize(("expected", "missed"), [(-1, 0.5), (float("nan"), 0.5), (2, 1.5)])
def test_remaining__out_of_range(expected, missed):
    with pytest.raises(InputError):
        remaining(expected, missed)
