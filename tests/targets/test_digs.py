from datetime import UTC, datetime

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from gridtools.errors import InputError
from gridtools.layers import (
    Candidates,
    Digs,
    Exclusion,
    Interference,
    Outcomes,
    Permits,
    Pinpoints,
)
from gridtools.targets.digs import FIXED_HOURS, RATE_M3PH, DigRules, Ground, plan_digs
from gridtools.targets.holes import outlines
from gridtools.targets.nearby import LOCATION_ERROR_M
from gridtools.targets.permits import parse_permit
from gridtools.units import METRES_PER_UNIT

DAY = datetime(2026, 6, 10, tzinfo=UTC)
SERVICES = parse_permit("services,T-4711,2026-06-01,2026-06-14").with_columns(permit_id=["P001"])


def found(count, **columns):
    return Candidates.build(
        count,
        **{
            "geometry": [shapely.Point(20.0 * i, 0.0) for i in range(count)],
            "candidate_id": [f"C{i + 1:03d}" for i in range(count)],
            "p_metal": 0.95, "verdict": "metal", "sigma_m": 0.5, "axis_deg": np.nan,
            "strength": 5.0, "rank": np.arange(1, count + 1), "status": "open", **columns,
        },
    )  # fmt: skip


def pinned(candidates, depth_m=1.0, depth_sd_m=0.0):
    return Pinpoints.build(
        len(candidates),
        geometry=candidates.geometry, candidate_id=candidates.candidate_id, approaches=4,
        semi_major_m=0.3, semi_minor_m=0.2, axis_deg=30.0,
        depth_m=depth_m, depth_sd_m=depth_sd_m, basis="offset rule",
    )  # fmt: skip


def ground(**layers):
    return Ground(
        **{
            "interference": Interference.empty(),
            "exclusion": Exclusion.empty(),
            "permits": Permits.empty(),
            **layers,
        }
    )


def plan(
    candidates, pinpoints=None, *, where=None, previous=None, outcomes=None, budget=None, **rule
):
    return plan_digs(
        candidates,
        pinned(candidates) if pinpoints is None else pinpoints,
        where or ground(),
        DigRules(on=DAY, **{"object_height_m": 0.0, **rule}),
        previous=previous,
        outcomes=outcomes,
        budget_hours=budget,
    )


def source(kind, x, standoff=2.0):
    zone = shapely.LineString([(x, -100), (x, 100)]).buffer(standoff)
    return Interference.build(geometry=[zone], kind=[kind], standoff_m=standoff)


def test_plan_digs__volume_and_hours_by_hand_and_machine():
    """Base 2 x (0.3 + 0.4) by 2 x (0.2 + 0.4), 1 m deep, type B 1:1:
    L W d + s (L + W) d2 + 4/3 s2 d3 = 1.68 + 2.6 + 1.3333 = 5.6133 m3."""
    digs = plan(found(1), soil="B", by="hand").digs
    assert digs.volume_m3[0] == pytest.approx(5.61333, abs=1e-4)
    hours = FIXED_HOURS + 5.61333 / RATE_M3PH["hand"]
    assert digs.hours[0] == pytest.approx(hours, abs=1 / 60)
    by_machine = plan(found(1), soil="B", by="machine").digs
    assert by_machine.hours[0] == pytest.approx(
        FIXED_HOURS + 5.61333 / RATE_M3PH["machine"], abs=1 / 60
    )
    assert plan(found(1), soil="B", rate_m3ph=5.61333).digs.hours[0] == pytest.approx(1.5, abs=0.02)


def test_plan_digs__errors_of_place_found_on_this_ground_make_the_hole_larger():
    plain, wider = plan(found(1)).digs, plan(found(1), pinpoint_factor=2.0).digs
    assert wider.error_m[0] == pytest.approx(2 * plain.error_m[0])
    assert wider.volume_m3[0] > plain.volume_m3[0]


def test_plan_digs__without_a_pinpoint_it_is_on_hold_but_ranked():
    both = found(2)
    digs = plan(both, pinned(both.take([0]))).digs
    row = digs.take(digs.candidate_id == "C002")
    assert row.hold[0].startswith("pinpoint first: its place is known to 1.1 m")
    assert np.isnan(row.volume_m3[0])
    assert not row.picked[0]
    assert row.rank[0] == 2
    assert plan(both, pinned(both.take([0]))).pegs.dig_id.tolist() == ["D001", "D001"]


def test_plan_digs__a_least_depth_is_said():
    pins = pinned(found(1)).with_columns(basis="offset rule, at least")
    assert "may lie deeper than stated" in plan(found(1), pins).digs.cautions[0]
    assert "may lie deeper" not in plan(found(1)).digs.cautions[0]


def test_plan_digs__unknown_depth_is_a_hold():
    assert "depth unknown" in plan(found(1), pinned(found(1), np.nan, np.nan)).digs.hold[0]


@pytest.mark.parametrize(
    ("feet", "wanted"),
    [
        (3.9, set()),
        (4.0, {"way out and air"}),
        (5.0, {"way out and air", "protective system"}),
        (20.0, {"way out and air", "protective system"}),
        (20.1, {"way out and air", "protective system", "engineer's design"}),
    ],
)
def test_plan_digs__cautions_by_depth(feet, wanted):
    """29 CFR 1926.651(c)(2), .652(a)(1) and appendix B: from 4 ft, from 5 ft, over 20 ft."""
    digs = plan(found(1), pinned(found(1), feet * METRES_PER_UNIT["ft"])).digs
    heads = ("way out and air", "protective system", "engineer's design")
    assert {h for h in heads if h in digs.cautions[0]} == wanted
    assert ("engineer" in digs.hold[0]) == (feet > 20)


def test_plan_digs__depth_counts_as_deep_as_the_top_may_lie():
    digs = plan(found(1), pinned(found(1), 1.2, 0.3)).digs
    assert "protective system (1.7 m deep)" in digs.cautions[0]


def test_plan_digs__cautions_count_from_the_depth_at_which_the_object_is_freed():
    """1.0 m to the top and 0.6 m of object pass 5 ft (1.52 m); the hole itself does not."""
    digs = plan(found(1), pinned(found(1), 1.0), object_height_m=0.6).digs
    assert "protective system (1.6 m deep)" in digs.cautions[0]
    assert "goes deeper when the object is freed (to 1.6 m)" in digs.cautions[0]
    assert digs.hole_depth_m[0] == pytest.approx(1.0)


@pytest.mark.parametrize("rule", [{"pinpoint_factor": 0.3}, {"candidate_factor": 0.3}])
def test_plan_digs__errors_smaller_than_stated_never_shrink_a_hole(rule):
    both = found(2)
    pins = pinned(both.take([0]))
    learned, plain = plan(both, pins, **rule).digs, plan(both, pins).digs
    assert learned.error_m.tolist() == plain.error_m.tolist()
    np.testing.assert_array_equal(learned.top_length_m, plain.top_length_m)


@pytest.mark.parametrize(
    ("status", "held"), [("open", True), ("", True), ("gone", True), ("dropped", False),
                         ("dug", False)],
)  # fmt: skip
def test_plan_digs__a_suspected_munition_holds_every_dig_until_it_is_dealt_with(status, held):
    before = plan(found(2)).digs
    munition = before.dig_id == "D001"
    before = before.with_columns(
        expected=np.where(munition, "munition", ""), status=np.where(munition, status, "open")
    )
    digs = plan(found(2), previous=before).digs
    other = digs.take(digs.dig_id == "D002")
    assert ("suspected munition at D001" in other.hold[0]) == held
    assert bool(other.picked[0]) != held


@given(st.floats(-6.0, 6.0), st.sampled_from(["gas pipe", "cable", "HV line", ""]))
def test_plan_digs__never_in_a_tolerance_zone_without_the_caution(x, kind):
    where = ground(interference=source(kind, x), permits=SERVICES)
    digs = plan(found(1), where=where).digs
    hole = outlines(np.zeros((1, 2)), digs.top_length_m, digs.top_width_m, digs.axis_deg)[0]
    distance = shapely.distance(hole, shapely.LineString([(x, -100), (x, 100)]))
    reach = 24 * METRES_PER_UNIT["in"] + LOCATION_ERROR_M
    if distance <= reach:
        assert "hand dig near a service" in digs.cautions[0]
    elif distance > reach + 0.02:
        assert "hand dig" not in digs.cautions[0]


def test_plan_digs__near_a_service_it_waits_for_the_owner_and_is_dug_by_hand():
    where = ground(interference=source("gas pipe", 3.0))
    digs = plan(found(1), where=where, by="machine").digs
    assert "in the tolerance zone of a service (gas pipe)" in digs.hold[0]
    hand = plan(found(1), where=ground(), by="hand").digs
    assert digs.hours[0] == hand.hours[0]
    with_leave = ground(interference=source("gas pipe", 3.0), permits=SERVICES)
    assert plan(found(1), where=with_leave).digs.hold[0] == ""


def test_plan_digs__tolerance_in_inches():
    """The hole reaches to 2.92 m east; 18 in (0.46 m) and 24 in are what states require."""
    where = ground(interference=source("gas pipe, QL-B", 3.5), permits=SERVICES)
    assert "hand dig" in plan(found(1), where=where, tolerance_m=24 * 0.0254).digs.cautions[0]
    assert "hand dig" not in plan(found(1), where=where, tolerance_m=18 * 0.0254).digs.cautions[0]


def test_plan_digs__long_metal_may_be_a_service_until_somebody_says():
    pipe = found(1, axis_deg=[40.0])
    digs = plan(pipe).digs
    assert digs.consequence.tolist() == ["possible service"]
    assert "long metal may be a service" in digs.cautions[0]
    assert "ask the owners" in digs.hold[0]
    stated = plan(pipe, previous=digs.with_columns(expected="scrap")).digs
    assert (stated.consequence[0], stated.hold[0]) == ("scrap", "")


def test_plan_digs__suspected_munition_is_never_dug():
    digs = plan(found(1)).digs.with_columns(expected="munition")
    again = plan(found(1), previous=digs).digs
    assert "report it" in again.hold[0]
    assert again.cautions[0].startswith("suspected munition")
    assert not again.picked[0]


def test_plan_digs__permits():
    required = ("landowner", "services")
    digs = plan(found(1), required=required).digs
    assert digs.hold[0] == "no landowner permit; no services permit"
    assert not digs.picked[0]
    leave = [parse_permit(f"{kind},X,2026-06-01,2026-06-14") for kind in required]
    permits = Permits.concat(leave).with_columns(permit_id=["P001", "P002"])
    digs = plan(found(1), where=ground(permits=permits), required=required).digs
    assert (digs.hold[0], digs.picked[0], digs.visit[0]) == ("", True, 1)


def test_plan_digs__hole_that_reaches_out_or_into_ground_not_to_be_walked():
    pond = Exclusion.build(geometry=[shapely.box(1, -5, 6, 5)], reason=["pond"], buffer_m=0.0)
    digs = plan(found(1), where=ground(exclusion=pond)).digs
    assert "into ground not to be walked (pond)" in digs.hold[0]
    assert "water near by (pond, 0 m)" in digs.cautions[0]
    digs = plan(found(1), where=ground(site=shapely.box(-50, -50, 1, 50))).digs
    assert digs.hold[0] == "the hole reaches out of the site"


def test_plan_digs__budget_takes_the_best_set_and_orders_it_on_foot():
    three = found(3, p_metal=[0.95, 0.9, 0.85])
    pins = pinned(three, [1.8, 1.0, 1.0])
    all_ready = plan(three, pins).digs
    hours = dict(zip(all_ready.candidate_id, all_ready.hours, strict=True))
    assert all_ready.visit.tolist() != [0, 0, 0]
    digs = plan(three, pins, budget=hours["C002"] + hours["C003"]).digs
    assert set(digs.candidate_id[digs.picked]) == {"C002", "C003"}
    assert sorted(digs.visit.tolist()) == [0, 1, 2]


def test_plan_digs__numbers_are_kept_and_never_given_again():
    first = plan(found(3)).digs
    two = found(3).take([0, 2])
    second = plan(two, previous=first).digs
    assert dict(zip(second.candidate_id, second.status, strict=True)) == {
        "C001": "open", "C003": "open", "C002": "gone",
    }  # fmt: skip
    other = found(1, candidate_id=["C009"], geometry=[shapely.Point(90, 0)])
    third = plan(Candidates.concat([two, other]), previous=second).digs
    assert third.dig_id[third.candidate_id == "C009"].tolist() == ["D004"]
    back = plan(found(3), previous=third).digs
    assert back.dig_id[back.candidate_id == "C002"].tolist() == ["D002"]


def test_plan_digs__what_is_dug_or_dropped_stays_as_it_was():
    first = plan(found(2)).digs
    status = ["dug" if i == "D001" else "dropped" for i in first.dig_id]
    before = first.with_columns(status=status)
    moved = found(2, geometry=[shapely.Point(1, 1), shapely.Point(21, 1)], p_metal=0.3)
    digs = plan(moved, previous=before).digs
    assert digs.dig_id.tolist() == ["D001", "D002"]
    assert digs.p_metal.tolist() == [0.95, 0.95]
    assert digs.geometry[0] == before.geometry[before.dig_id == "D001"][0]
    assert not digs.picked.any()


def test_plan_digs__slim_chances_are_not_listed_unless_they_were():
    assert len(plan(found(1, p_metal=0.1)).digs) == 0
    first = plan(found(1)).digs
    assert plan(found(1, p_metal=0.1), previous=first).digs.status.tolist() == ["open"]


def test_plan_digs__a_lift_after_which_something_responds_leaves_the_dig_open():
    first = plan(found(1)).digs
    lift = Outcomes.build(
        geometry=first.geometry, outcome_id=["O001"], dig_id=["D001"], found=["pipe"],
        metal=True, recheck="responds",
    )  # fmt: skip
    digs = plan(found(1), previous=first, outcomes=lift).digs
    assert digs.recheck.tolist() == ["responds"]
    assert "more metal after the last lift" in digs.cautions[0]


def test_plan_digs__nothing_to_dig():
    result = plan(found(0))
    assert (len(result.digs), len(result.pegs)) == (0, 0)
    assert isinstance(result.digs, Digs)


def test_rules__bad_values():
    with pytest.raises(InputError, match="by hand or machine"):
        DigRules(by="spoon")
    with pytest.raises(InputError, match="more than 0"):
        DigRules(rate_m3ph=0.0)
