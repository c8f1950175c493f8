"""Approaches taken in and turned into pinpoints."""

import numpy as np
import pytest
import shapely

from gridtools.errors import InputError
from gridtools.layers import Approaches, Candidates, DepthFactors, Sessions
from gridtools.targets.approaches import take_in_approaches
from gridtools.targets.pinpoints import find_pinpoints
from gridtools.units import unit_vector

CENTRE = np.array([100.0, 200.0])
THOUGHT = Candidates.build(
    geometry=shapely.points([CENTRE + np.array([0.4, -0.2]), CENTRE + 50]),
    candidate_id=["C001", "C002"],
    sigma_m=0.5,
)


def walked(headings, onset_m=1.5, start_m=6.0, **columns):
    xy = CENTRE - np.multiply(onset_m, unit_vector(headings).T).T
    given = {"kind": "onset", "placed": "survey", "candidate_id": "C001", **columns}
    return Approaches.build(
        len(headings), geometry=shapely.points(xy), heading_deg=headings,
        approach_id=[f"A{i + 1:03d}" for i in range(len(headings))],
        start_distance_m=start_m, **given,
    )  # fmt: skip


def found(rows, sessions=None, **options):
    sessions = Sessions.empty() if sessions is None else sessions
    return find_pinpoints(rows, THOUGHT, sessions, DepthFactors.empty(), **options)


def test_find_pinpoints__carry_height_is_taken_off():
    pin = found(walked([0.0, 90.0, 180.0, 270.0]), carry_height_m=0.3).pinpoints
    assert shapely.get_coordinates(pin.geometry)[0] == pytest.approx(CENTRE, abs=1e-9)
    assert pin.depth_m[0] == pytest.approx(1.2)


def test_find_pinpoints__gps_marks_are_those_of_the_antenna():
    """Coils 0.6 m ahead of the antenna and 0.1 m right of it; marks 0.2 m late."""
    headings = np.array([0.0, 90.0, 180.0, 270.0])
    rows = walked(headings, placed="gps", session_id="S001")
    shift = (0.6 - 0.2) * unit_vector(headings) + 0.1 * unit_vector(headings + 90)
    rows = rows.with_columns(
        geometry=shapely.points(shapely.get_coordinates(rows.geometry) - shift)
    )
    session = Sessions.build(session_id=["S001"], ahead_m=0.6, right_m=0.1)
    pin = found(rows, session, heading_offset_m=0.2).pinpoints
    assert shapely.get_coordinates(pin.geometry)[0] == pytest.approx(CENTRE, abs=1e-9)
    assert pin.onset_m[0] == pytest.approx(1.5, abs=1e-9)


def test_find_pinpoints__begun_too_near_gives_at_least():
    pin = found(walked([0.0, 90.0, 180.0, 270.0], start_m=2.0)).pinpoints
    assert pin.basis[0].startswith("at least")


def test_find_pinpoints__the_one_begun_too_near_does_not_make_it_shallow():
    rows = walked([0.0, 90.0, 180.0, 270.0, 45.0], [1.5, 1.5, 1.5, 1.5, 1.0])
    rows = rows.with_columns(start_distance_m=[6.0, 6.0, 6.0, 6.0, 1.2])
    pin = found(rows).pinpoints
    assert pin.depth_m[0] == pytest.approx(1.5, abs=0.02)
    assert "4 approaches" in pin.basis[0]


def test_find_pinpoints__one_side_says_what_is_missing():
    pin = found(walked([270.0])).pinpoints
    assert "opposite side" in pin.missing[0]


def test_find_pinpoints__a_mistake_is_named():
    rows = walked(np.arange(6) * 60.0, [1.5, 1.5, 4.5, 1.5, 1.5, 1.5])
    assert found(rows).pinpoints.disagree.tolist() == ["A003"]


def test_find_pinpoints__struck_rows_do_not_count():
    rows = walked(np.arange(6) * 60.0, [1.5, 1.5, 4.5, 1.5, 1.5, 1.5])
    pin = found(rows.with_columns(struck=np.arange(6) == 2)).pinpoints
    assert (pin.approaches[0], pin.disagree[0]) == (5, "")


def test_take_in__taped_from_a_flag_and_counted_once():
    flag = walked([0.0], 0.0, kind="centre")
    taped = walked([0.0, 180.0], [1.4, 1.6], placed="tape", distance_m=[1.4, 1.6])
    taped = taped.with_columns(geometry=[shapely.Point()] * 2)
    read = Approaches.concat([flag, taped]).with_columns(approach_id="")
    place = np.array(["row 2", "row 3", "row 4"], dtype=object)
    first = take_in_approaches(read, place, THOUGHT, Approaches.empty())
    assert first.new.approach_id.tolist() == ["A001", "A002", "A003"]
    at = shapely.get_coordinates(first.new.geometry)[1:]
    assert at == pytest.approx(np.array([[100.0, 198.6], [100.0, 201.6]]))
    again = take_in_approaches(read, place, THOUGHT, first.new)
    assert (len(again.new), again.repeated) == (0, 3)


def test_take_in__without_a_name_goes_to_the_nearest_candidate():
    read = walked([0.0], candidate_id="")
    taken = take_in_approaches(read, np.array(["row 2"], object), THOUGHT, Approaches.empty())
    assert taken.new.candidate_id.tolist() == ["C001"]
    assert "C001" in taken.notices[0]


def test_take_in__refuses_a_candidate_that_is_not_there():
    read = walked([0.0], candidate_id="C009")
    with pytest.raises(InputError, match="row 2: the job has no candidate C009"):
        take_in_approaches(read, np.array(["row 2"], object), THOUGHT, Approaches.empty())
