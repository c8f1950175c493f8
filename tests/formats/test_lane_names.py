import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.formats.lane_names import LaneNames
from gridtools.layers import Lanes

IDS = ["1-001", "1-002", "1-003a", "1-003b", "1-004", "1-1000", "2-001", "1-i001", "r001"]


@pytest.fixture
def names():
    line = shapely.LineString([(0, 0), (0, 45.2)])
    return LaneNames(Lanes.build(geometry=[line] * len(IDS), lane_id=IDS))


@pytest.mark.parametrize(
    ("text", "ids"),
    [
        ("1-001", ("1-001",)),
        (" 1-1 ", ("1-001",)),
        ("1-3", ("1-003a", "1-003b")),
        ("1-003B", ("1-003b",)),
        ("1-I1", ("1-i001",)),
        ("R1", ("r001",)),
    ],
)
def test_find(names, text, ids):
    assert names.find(text) == ids


@pytest.mark.parametrize("text", ["1-005", "3-001", "1-001a", "r002", "1-003c"])
def test_find__unknown(names, text):
    with pytest.raises(InputError, match=f"there is no lane {text}"):
        names.find(text)


@pytest.mark.parametrize("text", ["", "lane", "1-", "١-٢x!"])
def test_find__not_a_name(names, text):
    with pytest.raises(InputError, match="is not the name of a lane"):
        names.find(text)


def test_one__split_lane(names):
    with pytest.raises(InputError, match="lane 1-003 is split into 1-003a, 1-003b"):
        names.one("1-003")


@pytest.mark.parametrize(
    ("first", "last", "ids"),
    [
        ("1-002", "1-004", ("1-002", "1-003a", "1-003b", "1-004")),
        ("1-4", "1-2", ("1-004", "1-003b", "1-003a", "1-002")),
        ("1-003", "1-003", ("1-003a", "1-003b")),
        ("1-002", "1-003", ("1-002", "1-003a", "1-003b")),
        ("1-003", "1-002", ("1-003b", "1-003a", "1-002")),
        ("1-003b", "1-1000", ("1-003b", "1-004", "1-1000")),
        ("1-002", "1-002", ("1-002",)),
    ],
)
def test_between(names, first, last, ids):
    assert names.between(first, last) == ids


def test_between__two_passes(names):
    with pytest.raises(InputError, match="1-001 and 2-001 are not lanes of one pass"):
        names.between("1-001", "2-001")


def test_of_pass(names):
    assert names.of_pass(1) == ("1-001", "1-002", "1-003a", "1-003b", "1-004", "1-1000")
    with pytest.raises(InputError, match="no lanes of pass 3"):
        names.of_pass(3)


def test_chainage__a_tape_reads_a_little_long(names):
    """Allowed beyond the end: 2 % of 45.2 m and 1 m, so 47.104 m (own rule, no source)."""
    assert names.chainage("1-001", 12.5) == 12.5
    assert names.chainage("1-001", 47.1) == 45.2
    for off in (47.2, -0.1, float("nan")):
        with pytest.raises(InputError, match=r"is not on lane 1-001, which is 45.2 m long"):
            names.chainage("1-001", off)


@given(st.lists(st.integers(1, 1500), unique=True, min_size=1, max_size=30), st.data())
def test_between__every_lane_once_in_order(numbers, data):
    line = shapely.LineString([(0, 0), (0, 1)])
    ids = [f"1-{n:03d}" for n in numbers]
    names = LaneNames(Lanes.build(geometry=[line] * len(ids), lane_id=ids))
    a, b = (data.draw(st.sampled_from(numbers)) for _ in range(2))
    found = names.between(f"1-{a}", f"1-{b}")
    expected = [n for n in sorted(numbers, reverse=a > b) if min(a, b) <= n <= max(a, b)]
    assert list(found) == [f"1-{n:03d}" for n in expected]
