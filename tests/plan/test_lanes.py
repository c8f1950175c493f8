"""Lanes over random ground: where they lie, what they cover, and what they are called."""

import re

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from gridtools.columns import feature_id
from gridtools.errors import InputError
from gridtools.units import unit_vector

quick = settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
seeds = st.integers(0, 2**32 - 1)
bearings = st.floats(0.0, 360.0, exclude_max=True)
spacings = st.floats(1.0, 9.0)


def of_pass(plan, pass_no):
    return plan.lanes.take(plan.lanes.pass_no == pass_no)


def across(ends, bearing_deg):
    """Distance (n,) of legs to the right of an axis, from their middles."""
    east, north = unit_vector(bearing_deg)
    return ends.mean(axis=1) @ np.array([north, -east])


def swept(lanes, width_m):
    """Ground within half a width of legs, square at their ends: the strictest reading."""
    return shapely.union_all(shapely.buffer(lanes.geometry, width_m / 2, cap_style="flat"))


@given(seed=seeds, bearing=bearings, spacing=spacings)
@quick
def test_plan_lanes__neighbours_exactly_apart(random_field, local_ends, seed, bearing, spacing):
    plan = random_field(seed).plan(spacing, bearing)
    for pass_no in (1, 2):
        lanes = of_pass(plan, pass_no)
        where = across(local_ends(lanes), bearing + 90 * (pass_no - 1))
        number = [int(re.match(r"\d-(\d+)", name)[1]) for name in lanes.lane_id]
        order = np.argsort(number, kind="stable")
        steps, gaps = np.diff(np.array(number)[order]), np.diff(where[order])
        assert (np.abs(gaps[steps == 0]) < 1e-6).all()
        # Lanes without legs are not counted, so a step of one may be several spacings.
        spaces = np.rint(gaps[steps == 1] / spacing)
        assert (spaces >= 1).all()
        assert (np.abs(gaps[steps == 1] - spaces * spacing) < 1e-6).all()
        assert set(steps) <= {0, 1}


@given(seed=seeds, bearing=bearings, spacing=spacings)
@quick
def test_plan_lanes__pass_2_at_right_angles(random_field, local_ends, seed, bearing, spacing):
    plan = random_field(seed).plan(spacing, bearing)
    directions = []
    for pass_no in (1, 2):
        lanes = of_pass(plan, pass_no)
        # Map coordinates are good to 1e-9 m: the longest leg shows the angle to 1e-10 rad.
        start, finish = local_ends(lanes)[np.argmax(lanes.length_m)]
        directions.append((finish - start) / np.hypot(*(finish - start)))
    assert abs(directions[0] @ directions[1]) < 1e-9
    assert plan.passes[1].bearing_deg == pytest.approx((plan.passes[0].bearing_deg + 90) % 360)


@given(seed=seeds, bearing=bearings, spacing=spacings, run_on=st.sampled_from([None, 0.0, 4.0]))
@quick
def test_plan_lanes__never_in_no_go(random_field, seed, bearing, spacing, run_on):
    field = random_field(seed)
    lanes = field.plan(spacing, bearing, run_on_m=run_on).lanes
    # Coordinates are rounded to 1e-9 m, so a leg along an edge may lie that deep in it.
    interior = shapely.buffer(field.no_go, -2e-9, join_style="mitre")
    assert shapely.length(shapely.intersection(lanes.geometry, interior)).max() < 1e-6


@given(seed=seeds, bearing=bearings, spacing=spacings)
@quick
def test_plan_lanes__cover_with_sweep_width_equal_to_spacing(random_field, seed, bearing, spacing):
    """Without no-go ground all of it; with it, what lies further than one spacing from it."""
    for options in ({"holes": 0, "exclusions": 0}, {}):
        field = random_field(seed, **options)
        plan = field.plan(spacing, bearing)
        judged = shapely.difference(field.ground, shapely.buffer(field.no_go, spacing))
        for pass_no in (1, 2):
            left = shapely.difference(judged, swept(of_pass(plan, pass_no), spacing))
            assert left.area <= 1e-3 * field.ground.area + 1e-9
            assert plan.passes[pass_no - 1].planned_percent >= 99.9 or not field.no_go.is_empty


@given(seed=seeds, bearing=bearings, spacing=spacings, run_on=st.floats(0.0, 9.0))
@quick
def test_plan_lanes__run_on_reaches_past_the_boundary(
    random_field, local_ends, seed, bearing, spacing, run_on
):
    """No-go ground aside, each chord of the site and its run-on lie in one leg."""
    field = random_field(seed, holes=0, exclusions=0)
    plan = field.plan(spacing, bearing, run_on_m=run_on, passes=1)
    lines = shapely.linestrings(
        local_ends(plan.lanes).mean(axis=1)[:, None]
        + np.array([[-500.0], [500.0]]) * unit_vector(bearing)
        + shapely.get_coordinates(plan.lanes.geometry[0])[0]
        - local_ends(plan.lanes)[0, 0]
    )
    chords = shapely.get_parts(shapely.intersection(lines, field.ground))
    chords = chords[shapely.length(chords) > 1e-6]
    ends = shapely.get_coordinates(chords).reshape(-1, 2, 2)
    way = (ends[:, 1] - ends[:, 0]) / shapely.length(chords)[:, None]
    longer = shapely.linestrings(
        np.stack([ends[:, 0] - way * run_on, ends[:, 1] + way * run_on], axis=1)
    )
    walked = shapely.buffer(shapely.union_all(plan.lanes.geometry), 1e-6)
    assert shapely.covers(walked, longer).all()


@given(seed=seeds, bearing=bearings, spacing=st.floats(1.0, 2.5))
@quick
def test_plan_lanes__inside_length_times_spacing_is_the_area(random_field, seed, bearing, spacing):
    """The midpoint rule over about 10 ha, none of whose edges lies along the lanes."""
    field = random_field(seed, radius_m=230.0)
    edges = [
        np.diff(shapely.get_coordinates(ring), axis=0)
        for ring in shapely.get_rings(shapely.get_parts(field.ground))
    ]
    edges = np.concatenate(edges)
    turn = np.degrees(np.arctan2(edges[:, 0], edges[:, 1])) - bearing
    near = (np.abs((turn + 45) % 90 - 45) < 2) & (np.hypot(*edges.T) > 20)
    if near.any():
        event("an edge along the lanes: lanes are whole, so the last is wider than the ground")
        return
    plan = field.plan(spacing, bearing, stay_inside=True)
    for one in plan.passes:
        error = abs(one.length_m * spacing / field.ground.area - 1)
        assert error < 0.003


@given(seed=seeds, bearing=bearings, spacing=spacings)
@quick
def test_plan_lanes__excess_of_run_on(random_field, seed, bearing, spacing):
    field = random_field(seed)
    plan = field.plan(spacing, bearing)
    for one in plan.passes:
        excess = one.length_m * spacing / field.ground.area - 1
        bound = spacing * field.ground.length / (2 * field.ground.area)
        assert excess <= bound


@given(seed=seeds, bearing=bearings, spacing=spacings)
@quick
def test_plan_lanes__stay_inside_legs_are_those_of_intersections(
    random_field, seed, bearing, spacing
):
    """The same stretches as a loop of intersections, lane by lane."""
    field = random_field(seed)
    plan = field.plan(spacing, bearing, stay_inside=True, passes=1)
    lengths = []
    for lane in np.unique([re.sub(r"[a-z]+$", "", name) for name in plan.lanes.lane_id]):
        mine = [re.sub(r"[a-z]+$", "", name) == lane for name in plan.lanes.lane_id]
        legs = plan.lanes.geometry[np.array(mine)]
        start, finish = shapely.get_coordinates(legs[0])
        unit = (finish - start) / np.hypot(*(finish - start))
        line = shapely.LineString([start - 400 * unit, start + 400 * unit])
        expected = shapely.get_parts(shapely.intersection(line, field.ground))
        lengths.append((np.sort(shapely.length(legs)), np.sort(shapely.length(expected))))
    for got, expected in lengths:
        expected = expected[expected > 1e-6]
        assert len(got) == len(expected)
        # The line is drawn through one leg, whose direction is good to 1e-9 / its length.
        assert np.abs(got - expected).max() < 1e-3


@given(seed=seeds, bearing=bearings, spacing=spacings)
@quick
def test_plan_lanes__walked_once_in_order(random_field, seed, bearing, spacing):
    plan = random_field(seed).plan(spacing, bearing)
    lanes = plan.lanes
    assert lanes.seq.tolist() == list(range(1, len(lanes) + 1))
    assert (np.diff(lanes.pass_no) >= 0).all()
    assert len(set(lanes.lane_id)) == len(lanes) == sum(p.legs for p in plan.passes)
    assert len(set(lanes.feature_ids().tolist())) == len(lanes)
    pieces = shapely.intersection(lanes.geometry[:-1], lanes.geometry[1:])
    same = lanes.pass_no[:-1] == lanes.pass_no[1:]
    assert (shapely.length(pieces[same]) < 1e-6).all()


@given(seed=seeds, bearing=bearings, spacing=spacings)
@quick
def test_plan_lanes__drawn_in_walking_direction(random_field, local_ends, seed, bearing, spacing):
    lanes = random_field(seed).plan(spacing, bearing).lanes
    start, finish = local_ends(lanes).transpose(1, 0, 2)
    assert np.abs(np.hypot(*(finish - start).T) - lanes.length_m).max() < 1e-6
    walked = unit_vector(lanes.bearing_deg) * lanes.length_m[:, None]
    assert np.abs(finish - start - walked).max() < 1e-6


def test_plan_lanes__outermost_within_half_a_spacing(farm, local_ends):
    """A side that is an exact multiple of the spacing takes no extra lane: 60 / 2 = 30."""
    for bearing, across_m in ((90.0, 60.0), (0.0, 100.0)):
        plan = farm.plan(2.0, bearing, passes=1)
        assert plan.passes[0].lanes == across_m / 2
        axis = 1 if bearing else 0
        edge = local_ends(plan.lanes)[:, 0, axis].min()
        assert edge == pytest.approx(1.0, abs=1e-6)


def test_plan_lanes__legs_lettered_by_chainage(farm):
    """Lanes that the pond splits have legs a and b along the bearing of the pass."""
    plan = farm.plan(2.0, 90.0, passes=1)
    legs = [name for name in plan.lanes.lane_id if name.startswith("1-015")]
    assert sorted(legs) == ["1-015a", "1-015b"]
    a, b = (plan.lanes.geometry[plan.lanes.lane_id == name][0] for name in sorted(legs))
    assert a.bounds[2] < b.bounds[0]
    assert plan.passes[0].lanes == 30
    assert plan.passes[0].legs == 40
    assert plan.lanes.start_peg[0] == plan.lanes.lane_id[0] + "s"
    assert plan.lanes.finish_peg[0] == plan.lanes.lane_id[0] + "f"


def test_plan_lanes__many_letters(make_field):
    """Thirty fences across a field: after z come aa to ae."""
    fences = [shapely.box(10 * i + 9.9, -1, 10 * i + 10, 3) for i in range(30)]
    plan = make_field([shapely.box(0, 0, 310, 2)], fences).plan(2.0, 90.0, passes=1)
    assert plan.lanes.lane_id.tolist()[25:28] == ["1-001z", "1-001aa", "1-001ab"]
    assert len({feature_id(name) for name in plan.lanes.lane_id}) == 31


def test_plan_lanes__beyond_an_exclusion_only_where_there_is_ground(make_field):
    """A wall across the whole end of a field: nothing to search behind it, so no leg there."""
    field = make_field([shapely.box(0, 0, 50, 20)], [shapely.box(50, -5, 51, 25)])
    plan = field.plan(4.0, 90.0, passes=1, run_on_m=10.0)
    assert plan.passes[0].legs == 5
    assert shapely.length(plan.lanes.geometry).tolist() == pytest.approx([60.0] * 5)


def test_plan_lanes__over_a_corner_beside_the_lane(make_field):
    """A corner that lies beside a lane, which itself misses the ground, still gets a leg."""
    # Lanes at 2 and 6: the tip is above y = 6.5 only, beside the lane at 6.
    field = make_field(
        [shapely.Polygon([(0, 0), (40, 0), (40, 8), (38, 8), (38, 4), (2, 4), (2, 8), (0, 8)])]
    )
    inside = field.plan(4.0, 90.0, passes=1, stay_inside=True)
    assert inside.passes[0].legs == 3
    tip = make_field(
        [shapely.Polygon([(0, 0), (40, 0), (40, 4), (30, 4), (25, 8), (20, 4), (0, 4)])]
    )
    plan = tip.plan(4.0, 90.0, passes=1)
    assert sorted(plan.lanes.length_m.round(4)) == [10.0, 40.0]


def test_plan_lanes__several_parts_share_their_lanes(make_field, local_ends):
    """Two fields 30 m apart lie on the same lines, and lanes are counted where they have legs."""
    field = make_field([shapely.box(0, 0, 20, 10), shapely.box(50, 4, 70, 40)])
    plan = field.plan(2.0, 90.0, passes=1)
    assert plan.passes[0].lanes == 20
    north = local_ends(plan.lanes).mean(axis=1)[:, 1]
    assert np.abs((north - 1) / 2 - np.rint((north - 1) / 2)).max() < 1e-6


def test_plan_lanes__shorter_than_least_length(make_field):
    """The dropped tip is a triangle of 20 m², none of it within 2 m of the lane that is kept."""
    tip = make_field(
        [shapely.Polygon([(0, 0), (40, 0), (40, 4), (30, 4), (25, 8), (20, 4), (0, 4)])]
    )
    plan = tip.plan(4.0, 90.0, passes=1, min_length_m=12.0)
    assert plan.passes[0].legs == 1
    assert plan.notices == (
        "Pass 1: legs shorter than the least length were dropped (1), "
        "which leaves 20.0 m² uncovered.",
    )
    assert plan.passes[0].planned_percent == pytest.approx(100 * 160 / 180, abs=0.01)


def test_plan_lanes__numbers_go_on(farm):
    plan = farm.plan(2.0, 90.0, first_numbers=(995, 12))
    assert plan.lanes.lane_id[0] == "1-995"
    assert "1-1000" in plan.lanes.lane_id.tolist()
    assert sorted(set(plan.lanes.lane_id[plan.lanes.pass_no == 2].tolist()))[0] == "2-012"


def test_plan_lanes__true_and_magnetic(farm):
    """True = grid + convergence; magnetic = true - declination (some 5° east there in 2025)."""
    lanes = farm.plan(5.0, 0.0).lanes
    convergence = lanes.true_bearing_deg - lanes.bearing_deg
    # 12 km east of the central meridian at 45° north: 12345 / 6.38e6 * tan 45° = 0.11°.
    assert convergence == pytest.approx(0.111, abs=0.005)
    declination = (lanes.true_bearing_deg - lanes.magnetic_bearing_deg) % 360
    assert ((declination > 3) & (declination < 7)).all()


def test_plan_lanes__narrow_sweep_is_announced(farm):
    plan = farm.plan(4.0, 90.0, sweep_width_m=2.0)
    assert "less than the lane spacing" in plan.notices[-1]
    # Strips of 2 m in every 4 m, and half circles past no-go ends.
    assert 49.0 < plan.passes[0].planned_percent < 52.0


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"spacing_m": 0.0}, "lane spacing of 0 m"),
        ({"spacing_m": float("nan")}, "lane spacing of nan m"),
        ({"sweep_width_m": -1.0}, "sweep width of -1 m"),
        ({"passes": 3}, "3 passes"),
        ({"run_on_m": -2.0}, "run-on of -2 m"),
        ({"min_length_m": -2.0}, "least length of -2 m"),
        ({"min_length_m": 500.0}, "no leg of 500 m or more"),
        ({"speed_mps": 0.0}, "speed of 0 m/s"),
        ({"run_on_m": 1.0, "stay_inside": True}, "run on and stay inside"),
        ({"spacing_m": 1e-5}, "check its unit"),
    ],
)
def test_plan_lanes__unusable(farm, options, message):
    spacing = options.pop("spacing_m", 2.0)
    with pytest.raises(InputError, match=message):
        farm.plan(spacing, 90.0, **options)


def test_plan_lanes__same_again(random_field):
    one, other = (random_field(7).plan(2.0, None) for _ in range(2))
    assert (
        shapely.to_wkb(one.lanes.geometry).tolist() == shapely.to_wkb(other.lanes.geometry).tolist()
    )
    assert one.bearing_reason == other.bearing_reason
