import pytest

from gridtools.errors import InputError
from gridtools.formats.waypoints import HitFilter, parse_hit_filter


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("auto", HitFilter()),
        ("ALL", HitFilter("all")),
        (" none ", HitFilter("none")),
        ("name=hit*", HitFilter("name", "hit*")),
        ("Type = metal", HitFilter("type", "metal")),
        ("sym=Flag, Blue", HitFilter("sym", "Flag, Blue")),
    ],
)
def test_parse_hit_filter(text, expected):
    assert parse_hit_filter(text) == expected


@pytest.mark.parametrize("text", ["", "some", "name", "name=", "colour=red", "all=x"])
def test_parse_hit_filter__refuses(text):
    with pytest.raises(InputError, match="does not say which waypoints are hits"):
        parse_hit_filter(text)
