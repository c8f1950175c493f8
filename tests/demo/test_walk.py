import numpy as np
import pytest
import shapely

from gridtools.demo import inputs, scenario, walk
from gridtools.plan.area import no_go


@pytest.fixture(scope="module", params=["PASS_1", "PASS_2"])
def outing(request):
    return getattr(scenario, request.param)


def along(lane, xy, within_m=2.0):
    """Fixes beside a lane, its two ends left out."""
    line = lane.geometry[0]
    chainage = shapely.line_locate_point(line, shapely.points(xy))
    near = shapely.distance(line, shapely.points(xy)) < within_m
    return near & (chainage > 3.0) & (chainage < lane.length_m[0] - 3.0)


def lane_of(lane_id):
    lanes = inputs.planned()
    return lanes.take(lanes.lane_id == lane_id)


def test_walk__one_fix_a_second(outing):
    logged = inputs.walked(outing)
    assert np.array_equal(logged.seconds, np.arange(len(logged.seconds)))


def test_walk__never_faster_than_walking(outing):
    """Walking speed, and what a slowly changing GPS error adds to it from second to second."""
    step = np.hypot(*np.diff(inputs.walked(outing).xy, axis=0).T)
    assert np.median(step) == pytest.approx(walk.LANE_SPEED_MPS, abs=0.05)
    assert step.max() < walk.LANE_SPEED_MPS + 6 * walk.GPS_ERROR_M * np.sqrt(2 / walk.GPS_ERROR_S)


def test_walk__every_lane_but_the_missed_one(outing):
    xy = inputs.walked(outing).xy
    lanes = inputs.planned()
    for lane_id in lanes.lane_id[lanes.pass_no == outing.pass_no]:
        lane = lane_of(lane_id)
        if lane.length_m[0] < 25.0:
            continue
        line = lane.geometry[0]
        beside = xy[along(lane, xy, 1.4)]
        on_it = len(beside) and np.hypot(*np.ptp(beside, axis=0)) > 0.8 * (line.length - 6.0)
        assert bool(on_it) == (lane_id != outing.missed_lane), lane_id


def test_walk__lanes_after_the_missed_one_are_begun_at_the_nearer_end():
    """Peg counting went wrong: the walker did not go back to the start of the next lane."""
    xy = inputs.walked(scenario.PASS_1).xy
    for lane_id, forward in (("1-018", True), ("1-020", False), ("1-021", False), ("1-027", False)):
        lane = lane_of(lane_id)
        line = lane.geometry[0]
        there = shapely.line_locate_point(line, shapely.points(xy[along(lane, xy, 1.2)]))
        assert (np.median(np.diff(there)) > 0) == forward, lane_id


def test_walk__dwells_once():
    xy = inputs.walked(scenario.PASS_1).xy
    lane = lane_of(scenario.PASS_1.dwell_lane)
    spot = shapely.line_interpolate_point(lane.geometry[0], scenario.PASS_1.dwell_at_m)
    at_it = shapely.distance(spot, shapely.points(xy)) < 1.5
    assert walk.DWELL_S <= at_it.sum() <= walk.DWELL_S + 5


def test_walk__stops_at_each_hit(outing):
    logged = inputs.walked(outing)
    step = np.hypot(*np.diff(logged.xy, axis=0).T)
    for hit in logged.hit:
        assert step[hit - 1 : hit + 3].max() < 0.3


def test_walk__keeps_out_of_ground_not_to_be_walked(outing):
    """But for the error of the fixes, and of a walker who keeps along its edge."""
    site, exclusion, _ = inputs.ground()
    inner = shapely.buffer(no_go(site, exclusion), -5.0 * walk.GPS_ERROR_M)
    assert not shapely.intersects(inner, shapely.points(inputs.walked(outing).xy)).any()


def test_walk__metal_hits_lie_near_their_metal(outing):
    """On the walker's side of it: reach, lateness, stray and GPS error at their worst."""
    logged = inputs.walked(outing)
    for metal, shape in zip(scenario.METAL, scenario.metal_geometry(), strict=True):
        hits = shapely.points(logged.xy[logged.hit[logged.cause == metal.name]])
        assert (shapely.distance(hits, shape) < 1.5 * metal.half_reach_m + 2.0).all()


def test_walk__the_lane_over_the_fuel_tank_is_the_one_missed():
    """So that pass 1 alone does not find it."""
    missed = lane_of(scenario.PASS_1.missed_lane).geometry[0]
    assert shapely.distance(missed, scenario.metal_geometry()[0]) < 1.0
    assert "fuel tank" not in inputs.walked(scenario.PASS_1).cause


def test_smooth_error__has_the_stated_size_and_memory():
    series = walk._smooth_error(200_000, np.random.RandomState(5))
    assert series.std() == pytest.approx(walk.GPS_ERROR_M, rel=0.05)
    memory = np.corrcoef(series[:-60], series[60:])[0, 1]
    assert memory == pytest.approx(np.exp(-1.0), abs=0.05)


def test_walk__same_bytes_again():
    site, exclusion, _ = inputs.ground()
    again = walk.walk(inputs.planned(), scenario.PASS_1, no_go(site, exclusion))
    assert np.array_equal(again.xy, inputs.walked(scenario.PASS_1).xy)
