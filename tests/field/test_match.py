import numpy as np
import pytest
import shapely

from gridtools.field.match import lane_lines
from gridtools.field.rules import Rules
from gridtools.layers import Lanes


def lanes(*rows):
    names, ends = zip(*rows, strict=True)
    return Lanes.build(
        geometry=[shapely.LineString(e) for e in ends],
        lane_id=list(names),
        pass_no=[0 if n.startswith("r") else int(n[0]) for n in names],
    )


def test_lane_lines__groups_of_one_bearing(ground):
    both = Lanes.concat(
        [
            ground.planned(3, bearing=179.99),
            ground.planned(2, bearing=89.99, pass_no=2),
            ground.planned(1, bearing=0.01),
            lanes(("r001", [(0, 0), (3, 4)])),
        ]
    )
    group = lane_lines(both).group
    assert len(set(group[:3]) | {group[5]}) == 1
    assert len(set(group)) == 3
    assert group[3] == group[4]


@pytest.mark.parametrize("bearing", [0.0, 90.0, 211.0])
def test_lane_lines__spacing_is_that_of_planned_neighbours(ground, bearing):
    """Infill lanes between them, and legs of one lane, do not make it smaller."""
    plan = ground.planned(5, spacing=3.0, bearing=bearing)
    infill = ground.planned(4, spacing=0.7, bearing=bearing).with_columns(
        lane_id=[f"1-i{i:03d}" for i in range(1, 5)]
    )
    legs = ground.planned(5, spacing=3.0, bearing=bearing, origin=(1e-3, 0)).with_columns(
        lane_id=[f"1-{i:03d}b" for i in range(1, 6)]
    )
    lines = lane_lines(Lanes.concat([plan, infill, legs]))
    assert lines.spacing_m == pytest.approx(np.full(14, 3.0), abs=2e-3)
    assert lines.tolerance_m(Rules(), float("nan")) == pytest.approx(
        np.full(14, 0.75 * 3.0), abs=2e-3
    )
    assert lines.tolerance_m(Rules(), 2.0) == pytest.approx(np.full(14, 4.0))
    assert lines.tolerance_m(Rules(), 9.0) == pytest.approx(np.full(14, 4.5), abs=4e-3)
    assert set(lane_lines(plan, 2.5).spacing_m) == {2.5}


def test_lane_lines__single_lane_has_no_spacing():
    lines = lane_lines(lanes(("1-001", [(0, 0), (0, 9)])))
    assert np.isnan(lines.spacing_m).all()
    assert lines.tolerance_m(Rules(), float("nan")).tolist() == [1.5]


def test_lane_lines__chainage_and_side():
    lines = lane_lines(lanes(("1-001", [(10, 0), (10, 50)]), ("1-002", [(20, 50), (20, 0)])))
    xy = np.array([[11.0, 20.0], [21.0, 20.0]])
    lane = np.array([0, 1])
    assert lines.along(lane, xy).tolist() == [20, 30]
    assert lines.across(lane, xy).tolist() == [1, -1]
    assert lines.at(lane, np.array([20.0, 30.0])).tolist() == [[10, 20], [20, 20]]
    assert lines.rows_of(np.array(["1-002", "x"], dtype=object)).tolist() == [1, -1]


def test_lane_lines__empty():
    lines = lane_lines(Lanes.empty())
    assert len(lines) == 0
    assert lines.rows_of(np.array(["1-001"], dtype=object)).tolist() == [-1]
