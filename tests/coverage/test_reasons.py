"""Why ground was left, in words."""

import numpy as np
import pytest
import shapely

from gridtools.layers import Lanes, Runs

FIELD = shapely.box(0, 0, 40, 100)


def plan(surveys):
    """Ten lanes 4 m apart, W = 4 m, over 40 m by 100 m."""
    return surveys.north_lanes(np.arange(2.0, 40, 4.0), 0.0, 100.0)


def pieces(surveys, lane, *stretches):
    """Runs of one lane over stretches (low, high, reason) of northing."""
    x = lane.geometry[0].centroid.x
    found = []
    for low, high, reason in stretches:
        line = shapely.LineString([(x, low), (x, high)])
        found.append(surveys.runs(lane, [line], accepted=not reason, reason=reason))
    return Runs.concat(found)


def reasons(surveys, runs, lanes, **options):
    return surveys.measure(surveys.area(FIELD), runs, lanes, 4.0, **options).gaps.reason.tolist()


def others(surveys, lanes, *rows):
    return surveys.runs(lanes).take(~np.isin(np.arange(len(lanes)), rows))


@pytest.mark.parametrize(
    "reason", ["dwell", "too fast", "break in fixes", "failed check", "struck"]
)
def test_reasons__run_not_accepted(surveys, reason):
    lanes = plan(surveys)
    broken = pieces(surveys, lanes.take([4]), (0, 40, ""), (40, 60, reason), (60, 100, ""))
    runs = Runs.concat([others(surveys, lanes, 4), broken])
    assert reasons(surveys, runs, lanes) == [f"{reason} on 1-005"]


def test_reasons__off_lane_runs_have_no_lane(surveys):
    lanes = plan(surveys)
    broken = pieces(surveys, lanes.take([4]), (0, 40, ""), (40, 60, "off lane"), (60, 100, ""))
    off = broken.reason == "off lane"
    broken = broken.with_columns(
        lane_id=np.where(off, "", broken.lane_id).astype(object),
        pass_no=np.where(off, 0, broken.pass_no),
    )
    runs = Runs.concat([others(surveys, lanes, 4), broken])
    # The lane's own stretch was not walked, by anyone who kept to it.
    assert reasons(surveys, runs, lanes) == ["off lane; part not walked on 1-005"]


def test_reasons__lanes_not_walked(surveys):
    lanes = plan(surveys)
    assert reasons(surveys, others(surveys, lanes, 2, 3, 4, 7), lanes) == [
        "lanes not walked 1-003 to 1-005",
        "lane not walked 1-008",
    ]


def test_reasons__ends_short(surveys):
    lanes = plan(surveys)
    short = pieces(surveys, lanes.take([6]), (0, 70, ""))
    runs = Runs.concat([others(surveys, lanes, 6), short])
    assert reasons(surveys, runs, lanes) == ["1-007 ends short"]


def test_reasons__part_not_walked(surveys):
    """A stretch left out of tape notes has no run at all, accepted or not."""
    lanes = plan(surveys)
    broken = pieces(surveys, lanes.take([6]), (0, 30, ""), (60, 100, ""))
    runs = Runs.concat([others(surveys, lanes, 6), broken])
    assert reasons(surveys, runs, lanes) == ["part not walked on 1-007"]


def test_reasons__between_lanes(surveys):
    """Two walkers stray apart: the strip between their lanes opens."""
    lanes = plan(surveys)
    lines = lanes.geometry.copy()
    lines[4] = shapely.LineString([(18, 0), (18, 30), (17, 45), (17, 55), (18, 70), (18, 100)])
    lines[5] = shapely.LineString([(22, 0), (22, 30), (22.5, 45), (22.5, 55), (22, 70), (22, 100)])
    assert reasons(surveys, surveys.runs(lanes, lines), lanes) == ["between lanes 1-005 and 1-006"]


def test_reasons__several(surveys):
    """A gap over a missed lane and a long dwell next to it names both, the larger one first."""
    lanes = plan(surveys)
    broken = pieces(surveys, lanes.take([4]), (0, 40, ""), (40, 60, "dwell"), (60, 100, ""))
    runs = Runs.concat([others(surveys, lanes, 3, 4), broken])
    assert reasons(surveys, runs, lanes) == ["lane not walked 1-004; dwell on 1-005"]


def test_reasons__turns_explain_nothing(surveys):
    lanes = plan(surveys)
    short = pieces(surveys, lanes.take([6]), (0, 70, ""))
    turn = pieces(surveys, lanes.take([6]), (70, 100, "turn"))
    runs = Runs.concat([others(surveys, lanes, 6), short, turn])
    assert reasons(surveys, runs, lanes) == ["1-007 ends short"]


def test_reasons__no_plan(surveys):
    lanes = plan(surveys)
    runs = others(surveys, lanes, 4).with_columns(lane_id="")
    assert reasons(surveys, runs, Lanes.empty()) == ["between runs"]


def test_gaps__order_follows_the_lanes(surveys):
    """Three gaps on lane 3 come in walking order of that lane, before those of lane 7."""
    lanes = plan(surveys)
    left = pieces(surveys, lanes.take([2]), (0, 20, ""), (30, 60, ""), (70, 90, ""))
    right = pieces(surveys, lanes.take([7]), (0, 20, ""), (40, 100, ""))
    runs = Runs.concat([others(surveys, lanes, 2, 7), left, right])
    gaps = surveys.measure(surveys.area(FIELD), runs, lanes, 4.0).gaps
    assert [round(g.centroid.x) for g in gaps.geometry] == [10, 10, 10, 30]
    assert [round(g.centroid.y) for g in gaps.geometry[:3]] == [25, 65, 96]
