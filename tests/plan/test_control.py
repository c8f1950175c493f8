import numpy as np
import pytest
import shapely

from gridtools.errors import InputError
from gridtools.layers import Control
from gridtools.plan.control import fit_control

LOCAL = np.array([[0.0, 0.0], [120.0, 0.0], [120.0, 80.0], [0.0, 80.0]])


def marks(local=LOCAL, *, move=(0.0, 0.0), accuracy_m=0.02, scale=1.0, swap=False):
    """Marks on a local grid turned 30° clockwise from the CRS; the last one moved."""
    turn = np.radians(30.0)
    xy = scale * local @ [[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]
    xy += np.array([500_000.0, 5_800_000.0])
    xy[-1] += move
    stated = local[:, ::-1] if swap else local
    return Control.build(
        geometry=shapely.points(xy),
        name=[f"mark {i}" for i in range(1, len(local) + 1)],
        local_e_m=stated[:, 0],
        local_n_m=stated[:, 1],
        accuracy_m=accuracy_m,
    )


def test_fit__marks_that_agree():
    fit, residuals, notices = fit_control(marks(), 1.0)
    assert fit.rotation_deg == pytest.approx(30.0)
    assert fit.scale == pytest.approx(1.0)
    assert max(abs(r.east_m) + abs(r.north_m) for r in residuals) < 1e-8
    assert [r.mark for r in residuals] == ["mark 1", "mark 2", "mark 3", "mark 4"]
    assert notices == []


def test_fit__names_a_mark_that_was_measured_wrongly():
    _, _, notices = fit_control(marks(move=(0.5, 0.0)), 1.0)
    assert any("mark 4 misses the local grid" in n for n in notices)


def test_fit__no_doubt_within_the_stated_accuracy():
    _, residuals, notices = fit_control(marks(move=(0.03, 0.0)), 1.0)
    assert notices == []
    assert max(abs(r.east_m) for r in residuals) > 0.005


def test_fit__false_alarms_are_as_rare_as_stated():
    """Three sigmas on a circular normal law: exp(-9/2), 1.1 % of residuals (computed)."""
    rng = np.random.default_rng(8)
    alarms = trials = 0
    for _ in range(500):
        control = marks(accuracy_m=0.05)
        noise = rng.normal(0.0, 0.05, (len(control), 2))
        xy = shapely.get_coordinates(control.geometry) + noise
        _, _, notices = fit_control(control.with_columns(geometry=shapely.points(xy)), 1.0)
        alarms += sum("misses" in n for n in notices)
        trials += len(control)
    assert 0.004 < alarms / trials < 0.02


def test_fit__unknown_accuracy_raises_no_doubt():
    assert fit_control(marks(move=(0.5, 0.0), accuracy_m=np.nan), 1.0)[2] == []


def test_fit__two_marks_check_nothing():
    fit, _, notices = fit_control(marks(LOCAL[:2]), 1.0)
    assert fit is not None
    assert any("add a third" in n for n in notices)


@pytest.mark.parametrize("scale", [0.3048, 1.03])
def test_fit__refuses_a_grid_that_is_not_in_metres(scale):
    with pytest.raises(InputError, match="layer control: a metre in the local grid of mark 1"):
        fit_control(marks(scale=scale), 1.0)


def test_fit__refuses_swapped_eastings_and_northings():
    with pytest.raises(InputError, match="eastings and northings"):
        fit_control(marks(swap=True), 1.0)


def test_fit__doubts_a_stretched_grid():
    _, _, notices = fit_control(marks(scale=1.005), 1.0)
    assert any("100 m 100.50 m on the ground" in n for n in notices)


def test_fit__allows_for_the_scale_of_the_crs():
    assert fit_control(marks(scale=0.9955), 0.9955)[2] == []


def test_fit__without_local_coordinates():
    bare = marks().with_columns(local_e_m=np.nan)
    fit, residuals, notices = fit_control(bare, 1.0)
    assert fit is None
    assert residuals == ()
    assert "P001" in notices[0]
    assert "nothing ties" not in notices[0]
    assert "nothing ties" in fit_control(Control.empty(), 1.0)[2][0]
