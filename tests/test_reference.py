import pytest

from .reference import DOCS, PAGES


@pytest.mark.parametrize("name", PAGES)
def test_reference__page_is_current(name):
    """Renew the pages with ``python tests/reference.py``."""
    assert (DOCS / name).read_text(encoding="utf-8") == PAGES[name]()
