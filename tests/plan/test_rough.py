import math

import pytest

from gridtools.plan.rough import DEPTHS_M, OBJECTS, limiting_distance_m, rough_spacing, rough_table


def test_limiting_distance__drum_and_square_root_of_size():
    """16 ft for a 55 US gallon drum (common practice, no source); 1.414 for twice the size."""
    assert limiting_distance_m(0.747) == pytest.approx(4.88, abs=0.01)
    assert limiting_distance_m(1.5) / limiting_distance_m(0.75) == pytest.approx(1.414, abs=1e-3)


def test_limiting_distance__small_object_is_of_the_order_of_the_trade():
    """A few inches: about 4 ft with a single loop (common practice, no source)."""
    assert 1.0 < limiting_distance_m(4 * 0.0254) < 2.0


def test_rough__cautious_and_falling_with_depth_and_size():
    for _, diameter in OBJECTS:
        row = [rough_spacing(diameter, d) for d in DEPTHS_M]
        known = [s for s in row if not math.isnan(s)]
        assert known == sorted(known, reverse=True)
        assert max(known) <= limiting_distance_m(diameter) / 2
    assert len(rough_table()) == len(OBJECTS) * len(DEPTHS_M)
