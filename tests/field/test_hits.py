import numpy as np
import pytest
import shapely

from gridtools.field.hits import response_numbers, responses
from gridtools.field.rules import Rules
from gridtools.layers import Fixes, Hits, Runs, Sessions, Tape


def at(ground, *seconds):
    return [ground.START + np.timedelta64(int(s * 1000), "ms") for s in seconds]


def logged(ground, xy, seconds, **columns):
    return Hits.build(
        geometry=shapely.points(np.array(xy, dtype=float)),
        hit_id=[f"H{i:04d}" for i in range(1, len(xy) + 1)],
        time_utc=at(ground, *seconds),
        **{"session_id": "S001", "placed": "gps", **columns},
    )


def test_hits__run_lane_chainage_heading(ground):
    lanes = ground.planned(2)
    walker = ground.Walker().serpentine(lanes, overshoot=0.0)
    hits = logged(ground, [(0, 24), (2, 50)], (20, walker.time - 50 / 1.2))
    found = ground.derive(lanes, walker.fixes(noise=0.0), hits=hits)
    assert found.hits.lane_id.tolist() == ["1-001", "1-002"]
    assert found.hits.chainage_m.tolist() == pytest.approx([24, 30])
    assert found.hits.heading_deg.tolist() == pytest.approx([0, 180])
    lane = dict(zip(found.runs.run_id, found.runs.lane_id, strict=True))
    assert [lane[r] for r in found.hits.run_id] == ["1-001", "1-002"]
    assert found.notices == ()


def test_hits__logged_during_a_stop(ground):
    """A hit logged while standing belongs to the run walked up to the stop."""
    lanes = ground.planned(1)
    walker = ground.Walker().start(0, 0).go(0, 30).stand(12).go(0, 80)
    hits = logged(ground, [(0, 30)], [25 + 8])
    found = ground.derive(lanes, walker.fixes(noise=0.0), hits=hits)
    assert found.runs.reason.tolist() == ["", "dwell", ""]
    assert found.hits.run_id.tolist() == ["S001-0001"]
    assert found.hits.chainage_m[0] == pytest.approx(30)


def test_hits__off_any_lane(ground):
    walker = ground.Walker().start(40, 0).go(40, 80)
    hits = logged(ground, [(40, 12)], [10])
    found = ground.derive(ground.planned(2), walker.fixes(noise=0.0), hits=hits)
    assert found.hits.run_id.tolist() == ["S001-0001"]
    assert found.hits.lane_id.tolist() == [""]
    assert np.isnan(found.hits.heading_deg[0])
    assert np.isnan(found.hits.chainage_m[0])


def test_hits__without_track(ground):
    hits = logged(ground, [(0, 12)], [10])
    sessions = Sessions.build(session_id=["S001"], tuning="motion", positions="gps")
    found = ground.derive(ground.planned(2), Fixes.empty(), sessions, hits=hits)
    assert found.hits.run_id.tolist() == [""]
    assert found.notices == ("1 of 1 hit could not be tied to a run: H0001",)


def test_hits__in_another_session(ground):
    """Hits in a log of their own take the run of the nearer walker at that time."""
    lanes = ground.planned(4)
    one = ground.Walker().start(0, 0).go(0, 80).fixes(noise=0.0)
    two = ground.Walker().start(6, 0).go(6, 80).fixes(noise=0.0, session="S002", first=1001)
    hits = logged(ground, [(6.3, 24), (0.2, 36)], [20, 30], session_id="S003")
    sessions = Sessions.build(session_id=["S001", "S002", "S003"], tuning="motion", positions="gps")
    found = ground.derive(lanes, Fixes.concat([one, two]), sessions, hits=hits)
    assert found.hits.lane_id.tolist() == ["1-004", "1-001"]
    assert found.hits.run_id.tolist() == ["S002-0001", "S001-0001"]


def test_hits__lever_arm(ground):
    """Chainage is that of the coil, 2 m ahead of the antenna, whichever way one walks."""
    lanes = ground.planned(1)
    walker = ground.Walker().start(0, 0).go(0, 80)
    walker.go(0, 0)
    hits = logged(ground, [(0, 24), (0, 60)], [20, 80 / 1.2 + 20 / 1.2])
    found = ground.derive(lanes, walker.fixes(noise=0.0), hits=hits, ahead_m=2.0)
    assert found.hits.chainage_m.tolist() == pytest.approx([26, 58])
    one = responses(found.hits, found.runs, lanes, Rules())
    assert shapely.get_coordinates(one.geometry)[:, 1].tolist() == pytest.approx([26, 58])


def tape_walk():
    return Tape.build(
        tape_id=["T001", "T002", "T003"],
        session_id="S001",
        lane_id=["1-001", "1-002", "1-002"],
        from_m=[0.0, 0.0, 80.0],
        to_m=[80.0, 80.0, 40.0],
    )


@pytest.mark.parametrize(
    ("lane", "chainage", "placed", "run", "heading"),
    [
        ("1-001", 20.0, "lane", "S001-0001", 0.0),
        ("1-002", 20.0, "lane", "S001-0002", 180.0),  # the way back stopped short of it
        ("1-002", 60.0, "lane", "", np.nan),  # walked both ways: open
        ("1-002", 60.0, "lane backward", "S001-0003", 0.0),
        ("1-002", 60.0, "lane forward", "S001-0002", 180.0),
        ("1-001", 20.0, "lane backward", "", 180.0),  # stated, but never walked so
    ],
)
def test_hits__by_lane_and_chainage(ground, lane, chainage, placed, run, heading):
    lanes = ground.planned(2)
    y = chainage if lane == "1-001" else 80 - chainage
    hits = Hits.build(
        hit_id=["H0001"],
        geometry=[shapely.Point(0 if lane == "1-001" else 2, y)],
        session_id="S001",
        placed=placed,
        lane_id=lane,
        chainage_m=chainage,
    )
    found = ground.derive(lanes, Fixes.empty(), tape=tape_walk(), hits=hits)
    for result in (
        found,
        ground.derive(lanes, Fixes.empty(), tape=tape_walk(), hits=found.hits),
    ):
        assert result.hits.run_id.tolist() == [run]
        assert result.hits.lane_id.tolist() == [lane]
        assert result.hits.chainage_m.tolist() == [chainage]
        assert result.hits.heading_deg.tolist() == pytest.approx([heading], nan_ok=True)


def rows(ground, *parts, step=1.0, **columns):
    count = len(parts)
    return logged(
        ground,
        [(0, 10 + step * i) for i in range(count)],
        range(count),
        part=list(parts),
        **columns,
    )


@pytest.mark.parametrize(
    ("parts", "numbers"),
    [
        (("start", "end"), [0, 0]),
        (("start", "peak", "end"), [0, 0, 0]),
        (("", "", "start", "end", ""), [0, 1, 2, 2, 3]),
        (("start", "start", "end"), [0, 1, 1]),
        (("peak", "end", "end"), [0, 0, 1]),
        (("peak", "peak"), [0, 1]),
        (("end", "start"), [0, 1]),
        (("start", "", "end"), [0, 1, 2]),
    ],
)
def test_response_numbers__parts(ground, parts, numbers):
    assert response_numbers(rows(ground, *parts), Rules()).tolist() == numbers


def test_response_numbers__never_across(ground):
    """Lanes, sessions, headings and a distance beyond reason keep responses apart."""
    for columns in (
        {"lane_id": ["1-001", "1-002"]},
        {"session_id": ["S001", "S002"]},
        {"heading_deg": [0.0, 180.0]},
    ):
        assert len(set(response_numbers(rows(ground, "start", "end", **columns), Rules()))) == 2
    far = rows(ground, "start", "end", step=60.0)
    assert len(set(response_numbers(far, Rules()))) == 2
    assert len(set(response_numbers(far, Rules(response_max_m=70)))) == 1


def test_response_numbers__struck_rows_do_not_count(ground):
    hits = rows(ground, "start", "", "end", struck=[False, True, False])
    assert response_numbers(hits, Rules()).tolist() == [0, -1, 0]


def test_responses__one_row_each(ground):
    hits = rows(ground, "start", "peak", "end", "", "start", "end", strength=[1, 9, 2, 4, 5, 6])
    found = responses(hits, Runs.empty(), ground.planned(1), Rules())
    assert found.hit_id.tolist() == ["H0002", "H0004", "H0005"]
    assert shapely.get_y(found.geometry).tolist() == [11, 13, 14.5]
    assert found.strength.tolist() == [9, 4, 6]
    assert found.response_m.tolist() == pytest.approx([2, np.nan, 1], nan_ok=True)
    assert found.time_utc.tolist() == [t.astype(object) for t in at(ground, 1, 3, 4.5)]
    assert set(found.part) == {""}


def test_responses__on_the_run(ground):
    """A hit logged 0.8 m beside the run is brought onto it at its chainage."""
    lanes = ground.planned(1)
    walker = ground.Walker().start(0.2, 0).go(0.2, 80)
    hits = logged(ground, [(1.0, 24)], [20])
    found = ground.derive(lanes, walker.fixes(noise=0.0), hits=hits)
    one = responses(found.hits, found.runs, lanes, Rules())
    assert shapely.get_coordinates(one.geometry)[0].tolist() == pytest.approx([0.2, 24])


def test_responses__empty(ground):
    assert len(responses(Hits.empty(), Runs.empty(), ground.planned(1), Rules())) == 0
