import numpy as np
import pytest

from gridtools.errors import InputError
from gridtools.targets.reach import reach_law


def test_reach_law__half_at_the_half_reach():
    law = reach_law(sweep_width_m=4.0, position_sigma_m=0.0)
    for k, half in enumerate(law.half_reach_m):
        assert law.probability([half])[k, 0] == pytest.approx(0.95 / 2, abs=0.01)


def test_reach_law__integral_for_the_smallest_object_is_the_sweep_width():
    """W is the integral of the lateral range curve (Koopman 1946, from memory)."""
    law = reach_law(sweep_width_m=4.0, position_sigma_m=0.0)
    x = np.linspace(-law.reach_m, law.reach_m, 2001)
    width = np.trapezoid(law.probability(x), x, axis=1)
    assert width[0] == pytest.approx(4.0, rel=1e-2)
    assert np.all(np.diff(width) > 0)


def test_reach_law__position_error_smears_and_does_not_sharpen():
    sharp = reach_law(sweep_width_m=4.0, position_sigma_m=0.0)
    soft = reach_law(sweep_width_m=4.0, position_sigma_m=1.0)
    assert np.all(soft.probability([0.0]) < sharp.probability([0.0]) + 1e-9)
    assert np.all(soft.probability([3.4])[:3] > sharp.probability([3.4])[:3])


@pytest.mark.parametrize("width", [0.0, -1.0, np.nan, np.inf])
def test_reach_law__refuses(width):
    with pytest.raises(InputError, match="sweep width"):
        reach_law(sweep_width_m=width, position_sigma_m=0.3)
