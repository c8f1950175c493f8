import pytest

from gridtools.demo.script import STEPS

from .reference import DOCS, PAGES, README, typed_commands


@pytest.mark.parametrize("name", PAGES)
def test_reference__page_is_current(name):
    """Renew the pages with ``python tests/reference.py``."""
    assert (DOCS / name).read_text(encoding="utf-8") == PAGES[name]()


def test_readme__shows_commands_of_the_demo():
    """Renew the output shown with ``python tests/reference.py``."""
    shown = typed_commands(README.read_text(encoding="utf-8"))
    assert len(shown) >= 8
    assert set(shown) <= {step.line for step in STEPS}
