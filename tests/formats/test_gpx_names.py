import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.formats.gpx_names import is_name_of, shorten_names

ids = st.builds(
    "{}-{}{:03d}{}{}".format,
    st.integers(1, 2),
    st.sampled_from(["", "i"]),
    st.integers(1, 1200),
    st.sampled_from(["", "a", "b", "aa"]),
    st.sampled_from(["s", "f"]),
)


@settings(deadline=None)
@given(st.lists(ids, unique=True, min_size=1, max_size=40), st.integers(2, 12))
def test_shorten_names__short_and_unique(names, limit):
    short = shorten_names(names, limit)
    assert len(set(short)) == len(names)
    assert all(0 < len(s) <= limit for s in short)
    assert all(s == n for s, n in zip(short, names, strict=True) if len(n) <= limit)
    assert short == shorten_names(names, limit)


@settings(deadline=None)
@given(st.lists(ids, unique=True, min_size=1, max_size=40))
def test_shorten_names__told_again_at_six_characters(names):
    """Of lane ends, six characters keep all but doubled names; each is known when it comes back."""
    short = shorten_names(names, 6)
    known = [is_name_of(s, n) for s, n in zip(short, names, strict=True)]
    assert all(k for k, n in zip(known, names, strict=True) if len(n.replace("-", "")) <= 6)


def test_shorten_names__steps():
    assert shorten_names(["1-003as"], 7) == ["1-003as"]
    assert shorten_names(["1-003as"], 6) == ["1003as"]
    assert shorten_names(["1-003as"], 5) == ["1-3as"]
    assert shorten_names(["1-003as", "2-003as"], 4) == ["03as", "2000"]
    assert shorten_names(["1-003as"], None) == ["1-003as"]


def test_shorten_names__refuses():
    with pytest.raises(InputError, match="11 names cannot be told apart in 1 characters"):
        shorten_names([f"P{i:03d}" for i in range(11)], 1)


@pytest.mark.parametrize(
    ("short", "name", "expected"),
    [
        ("1-003s", "1-003s", True),
        ("1-003S ", "1-003s", True),
        ("1003s", "1-003s", True),
        ("1-3s", "1-003s", True),
        ("03as", "1-003as", True),
        ("C001", "C001", True),
        ("", "C001", False),
        ("001", "C001", False),
        ("C001", "C002", False),
        ("hit", "C001", False),
        ("3s", "1-003s", False),
    ],
)
def test_is_name_of(short, name, expected):
    assert is_name_of(short, name) is expected
