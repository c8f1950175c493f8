"""Infill lanes: they close what is listed, keep out of no-go ground, and keep their ids."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.coverage.infill import NARROW_M
from gridtools.layers import Infill, Lanes, Runs

FIELD = shapely.box(0, 0, 60, 50)


def walk_infill(surveys, runs, infill):
    """Runs, and one more along each infill lane."""
    return Runs.concat([runs, surveys.runs(infill)])


def missed(surveys, *rows):
    """Sixteen lanes 4 m apart over the field, W = 5 m, some of them not walked."""
    lanes = surveys.north_lanes(np.arange(0.0, 61, 4.0))
    return lanes, surveys.runs(lanes).take(~np.isin(np.arange(len(lanes)), rows))


def test_infill__missed_lane(surveys):
    """The infill lane lies on the missed lane, over the length of the gap and half of W beyond,
    but not beyond the boundary."""
    lanes, runs = missed(surveys, 6)
    found = surveys.measure(surveys.area(FIELD), runs, lanes, 5.0, lane_spacing_m=4.0)
    assert found.infill.lane_id.tolist() == ["1-i001"]
    assert found.infill.reason.tolist() == ["gap 1-001"]
    assert found.infill.pass_no.tolist() == [1]
    assert found.infill.seq.tolist() == [17]
    ends = shapely.get_coordinates(found.infill.geometry[0])
    assert ends[np.argsort(ends[:, 1])] == pytest.approx(np.array([[24, 0], [24, 50]]), abs=1e-6)
    assert found.infill.start_peg.tolist() == ["1-i001s"]
    assert found.infill.bearing_deg[0] % 180 == pytest.approx(0.0, abs=1e-9)
    # 50 m at 1.2 m/s.
    assert found.infill_seconds == pytest.approx(50 / 1.2)
    # Grid convergence of UTM zone 31 at the false origin's side of the zone is a few degrees.
    assert 0 < abs(found.infill.true_bearing_deg[0] - found.infill.bearing_deg[0]) < 360


def test_infill__closes_when_walked(surveys):
    lanes, runs = missed(surveys, 3, 9)
    area = surveys.area(FIELD)
    before = surveys.measure(area, runs, lanes, 5.0)
    after = surveys.measure(
        area, walk_infill(surveys, runs, before.infill), lanes, 5.0, infill=before.infill
    )
    assert before.percent("pass 1") < 95
    assert after.percent("pass 1") == pytest.approx(100.0)
    assert len(after.gaps) == 0
    assert len(after.infill_to_walk) == 0
    assert after.infill.lane_id.tolist() == before.infill.lane_id.tolist()
    assert after.infill.reason.tolist() == ["walked"] * len(before.infill)
    assert after.infill_seconds == 0.0


def test_infill__lanes_not_come_to_yet_are_walked_as_planned(surveys):
    """Of 16 lanes the last six are to walk; only the one missed before needs an infill lane."""
    lanes, runs = missed(surveys, 4, *range(10, 16))
    found = surveys.measure(surveys.area(FIELD), runs, lanes, 5.0)
    assert found.infill.lane_id.tolist() == ["1-i001"]
    assert found.infill.geometry[0].centroid.x == pytest.approx(16.0)
    assert found.notices == (
        "Pass 1: no infill lanes over lanes that the walking has not come to yet; "
        "walk 1-011 to 1-016.",
    )


def test_infill__no_plan(surveys):
    """Without lanes the whole gap is laned, no further apart than W."""
    runs = Runs.build(
        geometry=[shapely.LineString([(2, -5), (2, 55)])], lane_id="", pass_no=1,
        heading_deg=0.0, length_m=60.0, accepted=True,
    )  # fmt: skip
    found = surveys.measure(surveys.area(FIELD), runs, Lanes.empty(), 4.0)
    x = np.sort([line.centroid.x for line in found.infill.geometry])
    assert x.tolist() == pytest.approx(np.arange(6.0, 60, 4.0).tolist(), abs=1e-4)
    after = surveys.measure(
        surveys.area(FIELD), walk_infill(surveys, runs, found.infill), Lanes.empty(), 4.0,
        infill=found.infill,
    )  # fmt: skip
    assert after.percent("pass 1") == pytest.approx(100.0, abs=1e-6)


def test_infill__neighbouring_gaps_share_a_lane(surveys):
    """Two breaks 6 m apart on one lane are closed in one go; one 50 m away is not.

    Lanes lie just W apart, so that each gap is exactly as wide as one lane closes.
    """
    lanes = surveys.lanes(1, [[[x, 0.0], [x, 120.0]] for x in (2.0, 6.0, 10.0)])
    pieces = [(0, 30), (36, 42), (48, 100), (106, 120)]
    middle = lanes.take([1] * 4)
    broken = surveys.runs(
        middle, [shapely.LineString([(6.0, low), (6.0, high)]) for low, high in pieces]
    )
    runs = Runs.concat([surveys.runs(lanes.take([0, 2])), broken])
    found = surveys.measure(surveys.area(shapely.box(0, 0, 12, 120)), runs, lanes, 4.0)
    assert len(found.gaps) == 3
    assert sorted(found.infill.reason) == ["gap 1-003", "gaps 1-001, 1-002"]


def test_infill__walking_order_alternates(surveys):
    lanes, runs = missed(surveys, 2, 5, 8, 11)
    found = surveys.measure(surveys.area(FIELD), runs, lanes, 5.0)
    assert [round(line.centroid.x) for line in found.infill.geometry] in (
        [8, 20, 32, 44],
        [44, 32, 20, 8],
    )
    headings = found.infill.bearing_deg.round(6) % 360
    assert (np.abs(np.diff(headings)) == 180.0).all()
    # Three steps of 12 m from lane to lane.
    assert found.infill_dead_m == pytest.approx(36.0, abs=1e-3)


def test_infill__narrow_gaps_get_no_lane(surveys):
    """A strip of 0.05 m by 50 m is a gap of 2.5 m², but nobody walks that exactly."""
    lanes = surveys.north_lanes([5.0, 15.05, 25.05])
    found = surveys.measure(
        surveys.area(shapely.box(0, 0, 30.05, 50)), surveys.runs(lanes), lanes, 10.0
    )
    assert found.gaps.width_m.round(2).tolist() == [0.05]
    assert len(found.infill) == 0
    assert "narrower than 0.1 m" in found.notices[0]


def test_infill__ids_stay_and_are_not_used_again(surveys):
    lanes, runs = missed(surveys, 3, 6, 9)
    area = surveys.area(FIELD)
    first = surveys.measure(area, runs, lanes, 5.0)
    place = {
        lane: round(line.centroid.x)
        for lane, line in zip(first.infill.lane_id, first.infill.geometry, strict=True)
    }
    assert sorted(place.values()) == [12, 24, 36]
    # The middle one is walked, another lane is struck out: two stay, one is new.
    done = first.infill.take([round(g.centroid.x) == 24 for g in first.infill.geometry])
    struck = runs.lane_id == "1-013"
    less = runs.with_columns(accepted=~struck, reason=np.where(struck, "struck", "").astype(object))
    second = surveys.measure(
        area, walk_infill(surveys, less, done), lanes, 5.0,
        infill=first.infill,
    )  # fmt: skip
    again = {
        lane: round(line.centroid.x)
        for lane, line in zip(second.infill.lane_id, second.infill.geometry, strict=True)
    }
    assert again == {**place, "1-i004": 48}
    assert second.infill.lane_id[second.infill.reason == "walked"].tolist() == done.lane_id.tolist()
    # All closed by walking the planned lanes after all: the ids stay, and nothing is to walk.
    third = surveys.measure(area, surveys.runs(lanes), lanes, 5.0, infill=second.infill)
    assert len(third.infill_to_walk) == 0
    assert dict(zip(third.infill.lane_id, third.infill.reason, strict=True)) == dict.fromkeys(
        again, "closed"
    )
    # Those gaps open again, and another one.
    fourth = surveys.measure(
        area, runs.take(runs.lane_id != "1-013"), lanes, 5.0, infill=third.infill
    )
    assert {
        lane: round(line.centroid.x)
        for lane, line in zip(fourth.infill.lane_id, fourth.infill.geometry, strict=True)
    } == again


def test_infill__issued_lane_stays_while_somebody_is_out_with_it(surveys):
    """Once issued, an id stands for one line for ever, also when its gap has gone meanwhile."""
    lanes, runs = missed(surveys, 6)
    area = surveys.area(FIELD)
    first = surveys.measure(area, runs, lanes, 5.0)
    after = surveys.measure(area, surveys.runs(lanes), lanes, 5.0, infill=first.infill)
    assert after.infill.lane_id.tolist() == first.infill.lane_id.tolist() == ["1-i001"]
    assert after.infill.reason.tolist() == ["closed"]
    assert shapely.equals_exact(after.infill.geometry[0], first.infill.geometry[0])
    assert (len(after.infill_to_walk), after.infill_length_m) == (0, 0.0)
    # It comes back walked: that is what it is, then.
    walked = surveys.measure(
        area, walk_infill(surveys, surveys.runs(lanes), after.infill), lanes, 5.0,
        infill=after.infill,
    )  # fmt: skip
    assert walked.infill.reason.tolist() == ["walked"]


@pytest.mark.parametrize(("left_from", "same"), [(3.0, True), (20.0, False)])
def test_infill__keeps_the_line_that_a_shorter_one_lies_on(surveys, left_from, same):
    """The planned lane is walked in part meanwhile. W = 5 m: up to 5 m too far keeps the id."""
    lanes, runs = missed(surveys, 6)
    area = surveys.area(FIELD)
    first = surveys.measure(area, runs, lanes, 5.0)
    part = surveys.runs(lanes.take([6]), [shapely.LineString([(24, -2), (24, left_from)])])
    second = surveys.measure(area, Runs.concat([runs, part]), lanes, 5.0, infill=first.infill)
    to_walk = second.infill_to_walk
    assert len(to_walk) == 1
    assert (to_walk.lane_id[0] == "1-i001") == same
    assert shapely.equals_exact(to_walk.geometry[0], first.infill.geometry[0]) == same
    assert "1-i001" in second.infill.lane_id


def test_infill__new_no_go_ground_closes_the_lane_that_enters_it(surveys):
    lanes, runs = missed(surveys, 6)
    first = surveys.measure(surveys.area(FIELD), runs, lanes, 5.0)
    tip = shapely.box(22, 49, 26, 60)
    second = surveys.measure(
        surveys.area(FIELD.difference(tip)), runs, lanes, 5.0, infill=first.infill, no_go=tip
    )
    reason = dict(zip(second.infill.lane_id, second.infill.reason, strict=True))
    assert reason["1-i001"] == "closed"
    assert second.infill_to_walk.lane_id.tolist() == ["1-i002"]


def test_infill__walked_in_vain_is_walked_again(surveys):
    """A walked infill lane whose run was not accepted keeps its id, and is still to walk."""
    lanes, runs = missed(surveys, 6)
    area = surveys.area(FIELD)
    first = surveys.measure(area, runs, lanes, 5.0)
    vain = surveys.runs(first.infill, accepted=False, reason="too fast")
    second = surveys.measure(area, Runs.concat([runs, vain]), lanes, 5.0, infill=first.infill)
    assert second.infill.lane_id.tolist() == ["1-i001"]
    assert second.infill_to_walk.lane_id.tolist() == ["1-i001"]
    assert shapely.equals_exact(second.infill.geometry[0], first.infill.geometry[0])
    assert second.gaps.reason.tolist() == ["lane not walked 1-007; too fast on 1-i001"]


def test_infill__stays_out_of_no_go(surveys):
    """A pond in the middle of a missed lane: two legs that end at its edge."""
    pond = shapely.box(20, 20, 28, 30)
    lanes, runs = missed(surveys, 6)
    found = surveys.measure(surveys.area(FIELD.difference(pond)), runs, lanes, 5.0, no_go=pond)
    assert len(found.infill) == 2
    assert shapely.length(shapely.intersection(found.infill.geometry, pond)).max() < 1e-6
    assert len(set(found.infill.lane_id)) == 2


seeds = st.integers(0, 2**32 - 1)


@settings(max_examples=15, deadline=None)
@given(seeds, st.floats(1.0, 4.5))
def test_infill__random_surveys_are_closed(surveys, seed, width_m):
    """Walked exactly, infill lanes close at least 99.9 % of the gaps that are wide enough to be
    laned, enter no hole, run along the pass, and leave nothing more to lane."""
    rng = np.random.default_rng(seed)
    site = surveys.site(rng, 50.0)
    holes = shapely.Polygon(site.exterior).difference(site)
    lanes = surveys.crossed_lanes(site, rng.uniform(0, 180), 3.0)
    # First and last lane of each pass walked, so that none is merely still to walk.
    ends = np.zeros(len(lanes), dtype=bool)
    for p in (1, 2):
        ends[np.flatnonzero(lanes.pass_no == p)[[0, -1]]] = True
    walked = (rng.uniform(size=len(lanes)) > 0.15) | ends
    runs = surveys.runs(lanes, surveys.wander(rng, lanes, 0.4)).take(walked)
    options = {"passes": 2, "no_go": holes, "lane_spacing_m": 3.0}
    first = surveys.measure(surveys.area(site), runs, lanes, width_m, **options)
    after = surveys.measure(
        surveys.area(site), walk_infill(surveys, runs, first.infill), lanes, width_m,
        infill=first.infill, **options,
    )  # fmt: skip
    for p in (1, 2):
        laned = first.gaps.take((first.gaps.pass_no == p) & (first.gaps.width_m >= NARROW_M))
        if not len(laned):
            continue
        rest = shapely.intersection_all(
            [
                shapely.union_all(laned.geometry),
                shapely.union_all(after.gaps.geometry[after.gaps.pass_no == p]),
            ]
        )
        assert rest.area <= 1e-3 * laned.area_m2.sum()
        mine = first.infill.take(first.infill.pass_no == p)
        bearing = lanes.bearing_deg[lanes.pass_no == p][0]
        assert np.abs(np.sin(np.radians(mine.bearing_deg - bearing))).max() < 1e-6
    inside = shapely.buffer(holes, -1e-6)
    assert shapely.length(shapely.intersection(first.infill.geometry, inside)).sum() == 0
    assert len(set(first.infill.lane_id)) == len(first.infill)
    assert (np.diff(first.infill.seq) == 1).all()


def test_infill__empty_layer_in_and_out(surveys):
    lanes, runs = missed(surveys)
    found = surveys.measure(surveys.area(FIELD), runs, lanes, 5.0, infill=Infill.empty())
    assert (len(found.infill), found.infill_length_m, found.notices) == (0, 0.0, ())
