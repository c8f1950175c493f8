"""Every distance is checked against shapely's own."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.swath.cells import CellGrid
from gridtools.swath.passages import Tracks

from .test_cells import centres

AREA = shapely.box(0, 0, 40, 30)


def assert_exact(lines, cell, reach, size=48):
    lines = np.array(lines, dtype=object)
    tracks = Tracks(lines, reach)
    for window in CellGrid.over(AREA, cell).windows(size):
        pad = tracks.padding(window)
        shape = window.rows + 2 * pad, window.columns + 2 * pad
        found = np.full((len(lines), shape[0] * shape[1]), np.inf)
        seen = np.zeros_like(found, dtype=int)
        for passage in tracks.near(window):
            found[passage.track][passage.cell] = passage.distance * cell
            np.add.at(seen[passage.track], passage.cell, 1)
        assert seen.max(initial=0) <= 1
        found = found.reshape(-1, *shape)[:, pad:-pad, pad:-pad]
        true = shapely.distance(shapely.points(*centres(window)), lines[:, None, None])
        near = true <= reach - 1e-3
        assert np.abs(found - true)[near].max(initial=0.0) < 1e-4
        assert (found[~near] > reach - 2e-3).all()


def walk(rng, kind):
    """A track somewhere about the area, of any heading and step."""
    n = int(rng.integers(2, 60))
    step, noise = rng.uniform(0.3, 3), rng.choice([0, 0.02, 0.1, 0.3, 1.0])
    u = np.cumsum(rng.uniform(0.2, 1, n)) * step
    v = np.cumsum(rng.normal(0, noise * step, n))
    if kind == "U-turn":
        u[n // 2 :] = 2 * u[n // 2] - u[n // 2 :]
        v[n // 2 :] += 3
    elif kind == "knot":
        u, v = rng.normal(0, 1, (2, n))
    elif kind == "dwell":
        u[: n // 2] = u[0] + rng.normal(0, 0.2, n // 2)
    elif kind == "bend":
        u, v = 12 * np.cos(u / 12), 12 * np.sin(u / 12)
    elif kind == "repeated":
        u[: n // 2], v[: n // 2] = u[0], v[0]
    turn = rng.uniform(0, 2 * np.pi)
    ahead = np.array([np.cos(turn), np.sin(turn)])
    aside = np.array([-ahead[1], ahead[0]])
    middle = rng.uniform([5, 5], [35, 25])
    return shapely.LineString(
        np.outer(u - u.mean(), ahead) + np.outer(v - v.mean(), aside) + middle
    )


KINDS = ["straight", "U-turn", "knot", "dwell", "bend", "repeated"]


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=25)
@given(seed=st.integers(0, 100_000), cell=st.sampled_from([0.4, 0.75, 1.1]))
def test_near__exact(kind, seed, cell):
    rng = np.random.default_rng(seed)
    assert_exact([walk(rng, kind) for _ in range(2)], cell, rng.uniform(0.5, 8))


@pytest.mark.parametrize(
    "line",
    [
        [(5, 5), (5, 5)],
        [(-500, 7), (900, 8.5)],
        [(20, -300), (20, 400)],
        [(-3, -3), (43, 33)],
        [(5, 5), (35, 25), (5, 25), (35, 5), (5, 5)],
        [(200, 200), (300, 200)],
    ],
)
def test_near__by_hand(line):
    """A place, long lines through, a diagonal, a bow, and one out of reach."""
    assert_exact([shapely.LineString(line)], 0.5, 3.0)


def test_near__no_tracks():
    tracks = Tracks(np.empty(0, dtype=object), 2.0)
    assert not list(tracks.near(next(CellGrid.over(AREA, 1.0).windows(64))))


def test_tracks__a_coordinate_that_is_not_a_number():
    lines = np.array([shapely.LineString([(0, 0), (1, float("inf"))])])
    with pytest.raises(InputError, match="line 1"):
        Tracks(lines, 2.0)
