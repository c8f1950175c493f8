import numpy as np
import pytest

from gridtools.targets.offset import estimate_heading_offset
from gridtools.units import unit_vector


def walk(rng, *, objects, offset_m, sigma_m, headings=(0.0, 180.0), noise_hits=0):
    """Hits of objects on a wide field, one on each heading, each abreast of its object."""
    xy, heading = [], []
    for k in range(objects):
        at = np.array([k * 30.0, rng.uniform(0, 100)])
        for h in headings:
            along, right = unit_vector([h, h + 90.0])
            late = offset_m + rng.normal() * sigma_m
            xy.append(at + late * along + rng.uniform(-2, 2) * right)
            heading.append(h)
    for _ in range(noise_hits):
        xy.append(rng.uniform([0, 0], [30.0 * objects, 100]))
        heading.append(rng.choice(headings))
    return np.array(xy), np.array(heading), np.arange(len(xy))


@pytest.mark.parametrize("offset_m", [-0.7, 0.0, 0.9, 1.6])
def test_estimate_heading_offset__recovers_truth(offset_m):
    """Within three stated standard errors, with drift among the hits, on every seed."""
    for seed in range(10):
        rng = np.random.default_rng(seed)
        hits = walk(rng, objects=25, offset_m=offset_m, sigma_m=0.6, noise_hits=40)
        found = estimate_heading_offset(*hits, lateral_m=5.0, sigma_m=0.6)
        assert found.basis == "measured"
        assert abs(found.offset_m - offset_m) < max(3 * found.standard_error_m, 0.1)


def test_estimate_heading_offset__one_heading_settles_nothing():
    hits = walk(np.random.default_rng(1), objects=25, offset_m=0.9, sigma_m=0.3, headings=(0.0,))
    found = estimate_heading_offset(*hits, lateral_m=5.0, sigma_m=0.3)
    assert (found.offset_m, found.basis, found.pairs) == (0.0, "assumed", 0)


def test_estimate_heading_offset__drift_settles_nothing():
    """Hits that have nothing to do with one another agree on no offset."""
    settled = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        xy, heading = rng.uniform(0, 40, (60, 2)), rng.choice([0.0, 180.0], 60)
        found = estimate_heading_offset(xy, heading, np.arange(60), lateral_m=5.0, sigma_m=0.6)
        settled += found.basis == "measured"
    assert settled <= 2


def test_estimate_heading_offset__no_hits():
    found = estimate_heading_offset(
        np.empty((0, 2)), np.empty(0), np.empty(0, dtype=int), lateral_m=5.0, sigma_m=0.5
    )
    assert (found.offset_m, found.basis) == (0.0, "assumed")
