import numpy as np
import pytest
import shapely

from gridtools.field.rules import Rules
from gridtools.field.walk import held, lasting, sampling_interval_s, stretches, walk_of
from gridtools.layers import Fixes


def walk(ground, xy, seconds, *, ahead=0.0, right=0.0, **columns):
    fixes = Fixes.build(
        geometry=shapely.points(np.array(xy, dtype=float)),
        fix_id=[f"F{i:06d}" for i in range(1, len(xy) + 1)],
        session_id="S001",
        time_utc=ground.START + (np.array(seconds) * 1000).astype("timedelta64[ms]"),
        **columns,
    )
    rows = np.arange(len(fixes))
    return walk_of(fixes, rows, ahead_m=ahead, right_m=right, rules=Rules())


def test_stretches__empty_and_several_labels():
    assert [len(part) for part in stretches(np.empty(0))] == [0, 0]
    start, stop = stretches(np.array([1, 1, 1, 2]), np.array(["a", "b", "b", "b"]))
    assert start.tolist() == [0, 1, 3]
    assert stop.tolist() == [1, 3, 4]


def test_lasting__keeps_what_is_long_enough():
    mask = np.array([1, 1, 0, 1, 1, 1, 1], dtype=bool)
    time = np.arange(7) * 1000
    block = np.array([0, 0, 0, 0, 0, 1, 1])
    assert lasting(mask, block, time, 0.5).astype(int).tolist() == [1, 1, 0, 1, 1, 1, 1]
    assert not lasting(mask, block, time, 1.0).any()


def test_held__last_valid_else_next_of_the_block():
    valid = np.array([0, 1, 0, 0, 0, 1, 0], dtype=bool)
    block = np.array([0, 0, 0, 1, 2, 2, 2])
    assert held(valid, block).tolist() == [1, 1, 1, -1, 5, 5, 5]


def test_sampling_interval__median_within_segments():
    assert sampling_interval_s(np.array([0, 1000, 2000, 90_000]), np.array([0, 0, 0, 1])) == 1.0
    assert np.isnan(sampling_interval_s(np.array([0]), np.array([0])))


@pytest.mark.parametrize("hz", [0.2, 1.0, 10.0])
@pytest.mark.parametrize("bearing", [0.0, 123.0])
def test_walk_of__speed_and_heading(ground, hz, bearing):
    t = np.arange(0, 60, 1 / hz)
    way = np.array([np.sin(np.radians(bearing)), np.cos(np.radians(bearing))])
    found = walk(ground, 1.3 * t[:, None] * way, t)
    assert found.speed_mps == pytest.approx(np.full(len(t), 1.3))
    assert found.velocity == pytest.approx(np.tile(1.3 * way, (len(t), 1)), abs=1e-6)
    assert not found.dwell.any()


def test_walk_of__lever_arm_turns_with_the_walker(ground):
    t = np.arange(0, 30.0)
    east = walk(ground, np.column_stack([1.2 * t, 0 * t]), t, ahead=2.0, right=0.5)
    assert east.coil_xy - np.column_stack([1.2 * t, 0 * t]) == pytest.approx(
        np.tile([2.0, -0.5], (30, 1))
    )


def test_walk_of__heading_held_while_standing(ground):
    """The coil does not whirl about the antenna when jitter is all that moves."""
    rng = np.random.default_rng(3)
    t = np.arange(0, 60.0)
    y = np.minimum(1.2 * t, 24.0)
    jitter = rng.normal(scale=0.05, size=60) * (t > 20)
    found = walk(ground, np.column_stack([jitter, y + jitter]), t, ahead=2.0)
    assert found.dwell[24:].all()
    assert found.coil_xy[26:, 1] == pytest.approx(np.full(34, 26.0), abs=0.3)


@pytest.mark.parametrize(
    ("gap_s", "rate_s", "blocks"),
    [(4, 1, 1), (6, 1, 2), (14, 5, 1), (16, 5, 2)],
)
def test_walk_of__breaks_by_time(ground, gap_s, rate_s, blocks):
    t = np.concatenate([np.arange(10) * rate_s, 9 * rate_s + gap_s + np.arange(10) * rate_s])
    found = walk(ground, np.column_stack([0 * t, 1.2 * t]), t)
    assert found.block.max() + 1 == blocks


def test_walk_of__breaks_by_jump_and_segment(ground):
    t = np.arange(20.0)
    y = 1.2 * t
    assert walk(ground, np.column_stack([8.0 * (t > 9), y]), t).block.max() == 1
    assert walk(ground, np.column_stack([5.0 * (t > 9), y]), t).block.max() == 0
    parted = walk(ground, np.column_stack([0 * t, y]), t, segment=(t > 9).astype(int))
    assert parted.block.tolist() == [0] * 10 + [1] * 10


def test_walk_of__equal_times_go_by_id(ground):
    found = walk(ground, [(0, 0), (0, 1), (0, 2)], [1, 0, 0])
    assert found.row.tolist() == [1, 2, 0]
