import pytest

from .fuzz import READERS, fuzz


@pytest.mark.slow
def test_fuzz__readers_raise_only_our_errors():
    made = fuzz(30, seed=2)
    assert all(made[name] > 100 and made[f"{name} read"] > 0 for name in READERS)
