from collections import Counter

import numpy as np
import pytest
import shapely

from gridtools.demo import inputs, responses, scenario
from gridtools.layers import Lanes

RUNS = 60


@pytest.fixture(scope="module")
def lanes():
    return inputs.planned()


@pytest.fixture(scope="module")
def many(lanes):
    """Responses of many walks over the whole plan."""
    return [responses.respond(lanes, np.zeros(len(lanes)), s) for s in range(RUNS)]


def pooled(many, name):
    return np.concatenate([getattr(r, name) for r in many])


def test_respond__metal_is_heard_on_the_lanes_near_it_only(lanes, many):
    lane, cause = pooled(many, "lane"), pooled(many, "cause")
    for metal, shape in zip(scenario.METAL, scenario.metal_geometry(), strict=True):
        away = shapely.distance(lanes.geometry, shape)
        heard = np.bincount(lane[cause == metal.name], minlength=len(lanes)) / RUNS
        assert (heard[away < 0.5 * metal.half_reach_m] > 0.8).all(), metal.name
        assert (heard[away > 1.3 * metal.half_reach_m] < 0.15).all(), metal.name


def test_respond__changes_are_heard_in_one_sense(lanes, many):
    lane, cause = pooled(many, "lane"), pooled(many, "cause")
    for change, line in zip(scenario.CHANGES, scenario.change_geometry(), strict=True):
        crosses = shapely.intersects(lanes.geometry, line)
        turn = np.radians(lanes.bearing_deg - change.heading_deg - scenario.TURN_DEG)
        heard = np.bincount(lane[cause == change.name], minlength=len(lanes)) / RUNS
        with_it, against = crosses & (np.cos(turn) > 0.5), crosses & (np.cos(turn) < -0.5)
        assert heard[with_it].mean() == pytest.approx(responses.CHANCE_WITH_CHANGE, abs=0.05)
        assert heard[against].mean() == pytest.approx(responses.CHANCE_AGAINST_CHANGE, abs=0.03)


def test_respond__drift_comes_at_its_rate(lanes, many):
    drift = Counter(pooled(many, "cause").tolist())["drift"] / RUNS
    expected = lanes.length_m.sum() / responses.DRIFT_EVERY_M
    # A few fall within 3 m of another response and are logged with it.
    assert 0.85 * expected < drift < expected


def test_respond__hits_are_logged_late_along_the_heading(lanes, many):
    lane, at, cause = (pooled(many, n) for n in ("lane", "chainage_m", "cause"))
    box = cause == "valve box"
    abreast = shapely.line_locate_point(lanes.geometry[lane[box]], scenario.metal_geometry()[-1])
    late = at[box] - abreast
    assert late.mean() == pytest.approx(responses.LATE_M, abs=0.1)
    assert late.std() == pytest.approx(responses.LATE_SD_M, abs=0.1)


def test_respond__hits_stay_on_the_lane_and_apart(lanes, many):
    for heard in many:
        assert (heard.chainage_m > 0).all()
        assert (heard.chainage_m < lanes.length_m[heard.lane]).all()
        assert set(heard.strength.tolist()) <= set(range(1, 10))
        same = np.diff(heard.lane) == 0
        assert (np.diff(heard.chainage_m)[same] >= responses.ONE_RESPONSE_M).all()


def test_respond__no_lanes():
    heard = responses.respond(Lanes.empty(), np.empty(0), 1)
    assert len(heard.lane) == 0


def test_respond__does_not_depend_on_the_order_of_the_lanes(lanes):
    turned = lanes.take(np.arange(len(lanes))[::-1])
    there, back = (responses.respond(part, np.zeros(len(part)), 7) for part in (lanes, turned))
    heard = [
        sorted(zip(part.lane_id[r.lane], r.chainage_m.tolist(), r.cause, strict=True))
        for part, r in ((lanes, there), (turned, back))
    ]
    assert heard[0] == heard[1]
