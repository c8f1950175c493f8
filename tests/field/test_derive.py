"""Simulated walks come back as they were walked."""

import time

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.field.rules import Rules
from gridtools.layers import Checks, Fixes, Lanes, Sessions, Tape


def reasons(runs):
    return [r for r in runs.reason if r]


def total(values):
    return sum(values.values())


def lane_at(runs, fixes):
    """Lane of each fix by its run."""
    lane = dict(zip(runs.run_id, runs.lane_id, strict=True))
    return np.array([lane.get(r, "") for r in fixes.run_id], dtype=object)


def true_lane_at(ground, walker, fixes):
    """Lane that the simulated walker was on at each fix, empty in turns."""
    t = (fixes.time_utc - ground.START).astype(float) / 1000
    out = np.full(len(t), "", dtype=object)
    knots = np.array(walker.knots)
    for name, a, b in walker.truth:
        leg = np.flatnonzero((knots[:-1, 1:] == a).all(1) & (knots[1:, 1:] == b).all(1))
        for k in leg:
            out[(t >= knots[k, 0]) & (t <= knots[k + 1, 0])] = name
    return out


@pytest.mark.parametrize("hz", [1.0, 0.2, 10.0])
@pytest.mark.parametrize("bearing", [0.0, 37.0, 251.5])
def test_derive__serpentine_assigned_and_covered(ground, hz, bearing):
    """At 0.3 m noise and 2 m spacing every fix on a lane is given to that lane."""
    lanes = ground.planned(bearing=bearing)
    walker = ground.Walker().serpentine(lanes, overshoot=1.5)
    fixes = walker.fixes(hz=hz, seed=int(bearing))
    found = ground.derive(lanes, fixes)
    truth = true_lane_at(ground, walker, fixes)
    given_lane = lane_at(found.runs, found.fixes)
    both = (truth != "") & (given_lane != "")
    assert (truth[both] == given_lane[both]).all()
    assert both.sum() > 0.98 * (truth != "").sum()
    share = total(ground.accepted_m(lanes, found.runs)) / total(ground.true_m(lanes, walker))
    # At one fix in 5 s the walker is seen every 6 m, so that up to 6 m at each end are unknown.
    assert (0.92 if hz == 0.2 else 0.99) <= share <= 1.01
    accepted = found.runs.take(found.runs.accepted)
    assert list(accepted.lane_id) == list(lanes.lane_id)
    turned = np.abs((accepted.heading_deg - accepted.heading_deg[0] + 90) % 360 - 90)
    assert turned.round(6).tolist() == [0.0, 180.0] * 5
    assert set(reasons(found.runs)) == {"turn"}


@pytest.mark.parametrize(("noise", "least"), [(0.7, 0.98), (1.0, 0.85)])
def test_derive__noisy_fixes_still_count(ground, noise, least):
    """Where error nears the spacing, ground walked is not lost and lanes are seldom mixed up."""
    lanes = ground.planned(12)
    right = []
    for seed in range(6):
        walker = ground.Walker().serpentine(lanes, overshoot=1.5)
        fixes = walker.fixes(noise=noise, seed=seed)
        found = ground.derive(lanes, fixes, accuracy_m=noise)
        truth = true_lane_at(ground, walker, fixes)
        given_lane = lane_at(found.runs, found.fixes)
        both = (truth != "") & (given_lane != "")
        right.append((truth[both] == given_lane[both]).mean())
        walked = sum(t.length_m for t in found.tally if t.reason == "")
        assert walked >= 0.98 * total(ground.true_m(lanes, walker))
    assert np.mean(right) >= least


def test_derive__dwell_in_motion_tuning(ground):
    """A stop counts up to the stop and again one instrument length after it."""
    lanes = ground.planned(1)
    walker = ground.Walker().start(0, 0).go(0, 30, lane="1-001").stand(10)
    walker.go(0, 31).go(0, 80, lane="1-001")
    found = ground.derive(lanes, walker.fixes(hz=2.0, noise=0.05))
    assert found.runs.reason.tolist() == ["", "dwell", ""]
    assert found.runs.lane_id.tolist() == ["1-001"] * 3
    before, after = (shapely.get_coordinates(found.runs.geometry[i])[:, 1] for i in (0, 2))
    assert before.max() == pytest.approx(30.0, abs=0.15)
    assert after.min() == pytest.approx(31.0, abs=0.15)


def test_derive__dwell_in_static_tuning(ground):
    lanes = ground.planned(1)
    walker = ground.Walker().start(0, 0).go(0, 30, lane="1-001").stand(10).go(0, 80, lane="1-001")
    found = ground.derive(lanes, walker.fixes(), tuning="static")
    assert found.runs.reason.tolist() == [""]
    assert total(ground.accepted_m(lanes, found.runs)) == pytest.approx(80, abs=2)


def test_derive__restart_length(ground):
    lanes = ground.planned(1)
    walker = ground.Walker().start(0, 0).go(0, 30).stand(10).go(0, 80)
    fixes = walker.fixes(noise=0.0)
    found = ground.derive(lanes, fixes, rules=Rules(restart_m=2.5))
    assert shapely.get_coordinates(found.runs.geometry[2])[0].tolist() == pytest.approx([0, 32.5])


def test_derive__short_hesitation_counts(ground):
    lanes = ground.planned(1)
    walker = ground.Walker().start(0, 0).go(0, 30).stand(2).go(0, 80)
    assert reasons(ground.derive(lanes, walker.fixes()).runs) == []


def test_derive__too_fast(ground):
    lanes = ground.planned(1)
    walker = ground.Walker().start(0, 0).go(0, 30, lane="1-001").go(0, 50, speed=2.8)
    walker.go(0, 80, lane="1-001")
    found = ground.derive(lanes, walker.fixes())
    assert found.runs.reason.tolist() == ["", "too fast", ""]
    assert found.runs.length_m[1] == pytest.approx(20, abs=5)
    assert found.runs.speed_mps[1] > 2.0
    slow = ground.derive(lanes, walker.fixes(), rules=Rules(max_speed_mps=3.5))
    assert slow.runs.reason.tolist() == [""]


def test_derive__missed_lane(ground):
    lanes = ground.planned(8)
    walker = ground.Walker()
    for number, name in enumerate(n for n in lanes.lane_id if n != "1-004"):
        walker.lane(lanes, name, overshoot=1.5, backward=number > 2)
    found = ground.derive(lanes, walker.fixes())
    walked = found.runs.lane_id[found.runs.accepted]
    assert list(walked) == [n for n in lanes.lane_id if n != "1-004"]


def test_derive__wandering_off_the_lane(ground):
    """Leaving the field of lanes for 20 m and coming back is off lane."""
    lanes = ground.planned(1)
    walker = ground.Walker().start(0, 0).go(0, 30, lane="1-001").go(4, 34).go(4, 54).go(0, 58)
    walker.go(0, 80, lane="1-001")
    found = ground.derive(lanes, walker.fixes())
    assert found.runs.reason.tolist() == ["", "off lane", ""]
    assert total(ground.accepted_m(lanes, found.runs)) == pytest.approx(52, abs=3.5)


def test_derive__u_turn_in_mid_lane(ground):
    lanes = ground.planned(1)
    walker = ground.Walker().start(0, 0).go(0, 40, lane="1-001")
    walker.go(0, 0, lane="1-001")
    found = ground.derive(lanes, walker.fixes(hz=2.0))
    accepted = found.runs.take(found.runs.accepted)
    assert accepted.heading_deg.tolist() == [0.0, 180.0]
    assert total(ground.accepted_m(lanes, found.runs)) == pytest.approx(40, abs=1.0)


def test_derive__overshoot_stays_in_the_run(ground):
    """Ground past the end of a lane counts while the walker goes straight on, up to a limit."""
    lanes = ground.planned(1)
    walker = ground.Walker().start(0, -4).go(0, 84)
    found = ground.derive(lanes, walker.fixes(noise=0.0))
    assert found.runs.reason.tolist() == [""]
    assert found.runs.length_m[0] == pytest.approx(88, abs=1.3)
    far = ground.Walker().start(0, 0).go(0, 120)
    found = ground.derive(lanes, far.fixes(noise=0.0))
    assert found.runs.reason.tolist() == ["", "off lane"]
    assert found.runs.length_m[0] == pytest.approx(90, abs=1.3)


def test_derive__break_in_fixes(ground):
    """The ground across a break is shown, and is never part of an accepted run."""
    lanes = ground.planned(1)
    walker = ground.Walker().start(0, 0).go(0, 30, lane="1-001").unlogged(0, 50)
    walker.go(0, 80, lane="1-001")
    found = ground.derive(lanes, walker.fixes())
    assert found.runs.reason.tolist() == ["", "break in fixes", ""]
    lost = shapely.box(-5, 31, 5, 49)
    assert not shapely.intersects(found.runs.geometry[found.runs.accepted], lost).any()
    assert total(ground.accepted_m(lanes, found.runs)) == pytest.approx(60, abs=2.5)


def test_derive__new_segment_breaks(ground):
    lanes = ground.planned(1)
    fixes = ground.Walker().start(0, 0).go(0, 80).fixes(noise=0.0)
    parted = fixes.with_columns(segment=(np.arange(len(fixes)) >= 30).astype(int))
    assert ground.derive(lanes, parted).runs.reason.tolist() == ["", "break in fixes", ""]


def test_derive__jump_breaks(ground):
    lanes = ground.planned(1)
    fixes = ground.Walker().start(0, 0).go(0, 80).fixes(noise=0.0)
    xy = shapely.get_coordinates(fixes.geometry)
    xy[30:, 1] += 12.0
    found = ground.derive(lanes, fixes.with_columns(geometry=shapely.points(xy)))
    assert "break in fixes" in found.runs.reason


def test_derive__no_lanes(ground):
    fixes = ground.Walker().start(0, 0).go(0, 80).fixes()
    found = ground.derive(Lanes.empty(), fixes)
    assert found.runs.reason.tolist() == ["off lane"]
    assert found.runs.lane_id.tolist() == [""]
    assert found.runs.pass_no.tolist() == [0]


def test_derive__nothing_at_all(ground):
    found = ground.derive(Lanes.empty(), Fixes.empty(), sessions=Sessions.empty())
    assert (len(found.runs), found.tally, found.notices) == (0, (), ())


@pytest.mark.parametrize("count", [1, 2, 3])
def test_derive__a_few_fixes(ground, count):
    fixes = ground.Walker().start(0, 0).go(0, 80).fixes().take(np.arange(count))
    found = ground.derive(ground.planned(2), fixes)
    assert not found.runs.accepted.any()
    assert len(found.runs) == (count > 1)


def test_derive__two_passes(ground):
    first = ground.planned(10, length=20.0)
    second = ground.planned(10, length=20.0, bearing=90.0, pass_no=2, origin=(0, 19))
    lanes = Lanes.concat([first, second])
    walker = ground.Walker().serpentine(first, overshoot=1.5)
    walker.go(18, -12).go(-8, -12).go(-8, 19).serpentine(second, overshoot=1.5)
    found = ground.derive(lanes, walker.fixes(noise=0.2, hz=2.0))
    accepted = found.runs.take(found.runs.accepted)
    assert list(accepted.lane_id) == list(lanes.lane_id)
    assert list(accepted.pass_no) == [1] * 10 + [2] * 10


def test_derive__infill_and_recheck_lanes(ground):
    """A short lane between others is taken if it is walked, and leaves the others alone."""
    lanes = ground.planned(6)
    infill = Lanes.build(
        geometry=[shapely.LineString([(5, 20), (5, 40)])], lane_id=["1-i001"], pass_no=1
    )
    recheck = Lanes.build(
        geometry=[shapely.LineString([(0, 30), (9, 45)])], lane_id=["r001"], pass_no=0
    )
    both = Lanes.concat([lanes, infill, recheck])
    walker = ground.Walker().serpentine(lanes, overshoot=1.5)
    walker.go(5, 10).go(5, 17).go(5, 43, lane="1-i001").go(-2, 42).go(-1.8, 27).go(10.2, 47)
    found = ground.derive(both, walker.fixes(hz=2.0, noise=0.15))
    accepted = found.runs.take(found.runs.accepted)
    assert list(lanes.lane_id) == list(accepted.lane_id[:6])
    assert "1-i001" in accepted.lane_id[6:]
    assert accepted.lane_id[-1] == "r001"
    assert accepted.pass_no[-1] == 0
    covered = ground.accepted_m(both, found.runs)
    assert covered["1-i001"] == pytest.approx(20, abs=0.3)
    assert covered["r001"] == pytest.approx(recheck.geometry[0].length, abs=0.5)


def test_derive__legs_of_a_split_lane(ground):
    """Walked straight through, each leg has its own part and nothing between is lost."""
    lanes = Lanes.build(
        geometry=[shapely.LineString([(0, a), (0, b)]) for a, b in ((0, 30), (34, 80))],
        lane_id=["1-001a", "1-001b"],
        pass_no=1,
    )
    found = ground.derive(lanes, ground.Walker().start(0, 0).go(0, 80).fixes(noise=0.0))
    assert found.runs.lane_id.tolist() == ["1-001a", "1-001b"]
    assert found.runs.accepted.all()
    assert found.runs.length_m.sum() == pytest.approx(80, abs=1.3)


def test_derive__lever_arm(ground):
    """The coil 1.5 m ahead and 0.4 m right of the antenna is where the run goes, both ways."""
    lanes = ground.planned(2)
    walker = ground.Walker().start(-0.4, -1.5).go(-0.4, 78.5)
    walker.go(2.4, 81.5).go(2.4, 1.5)
    found = ground.derive(lanes, walker.fixes(noise=0.0), ahead_m=1.5, right_m=0.4)
    accepted = found.runs.take(found.runs.accepted)
    assert list(accepted.lane_id) == ["1-001", "1-002"]
    for run, x in zip(accepted.geometry, (0.0, 2.0), strict=True):
        middle = shapely.get_coordinates(run)[10:-10]
        assert middle[:, 0] == pytest.approx(np.full(len(middle), x), abs=1e-9)
    assert shapely.get_coordinates(accepted.geometry[0])[0, 1] == pytest.approx(0.0, abs=1e-9)


def test_derive__stated_lanes(ground):
    """Where the lane gives the position, poor fixes give time and progress only."""
    lanes = ground.planned(4)
    walker = ground.Walker().serpentine(lanes, overshoot=1.5)
    fixes = walker.fixes(noise=2.5, tau=200.0, seed=4)
    stated = true_lane_at(ground, walker, fixes)
    fixes = fixes.with_columns(stated_lane=stated)
    found = ground.derive(lanes, fixes, positions="lane")
    accepted = found.runs.take(found.runs.accepted)
    assert list(accepted.lane_id) == list(lanes.lane_id)
    assert accepted.offline_rms_m.max() < 1e-9
    assert accepted.heading_deg.tolist() == [0.0, 180.0, 0.0, 180.0]
    # Along the lane the error of the fixes remains.
    assert total(ground.accepted_m(lanes, found.runs)) > 0.93 * 320
    lost = ground.derive(lanes, fixes.with_columns(stated_lane=""), positions="lane")
    assert not lost.runs.accepted.any()
    assert "no lane was stated" in lost.notices[0]


def test_derive__lanes_stated_by_timed_tape_rows(ground):
    lanes = ground.planned(2)
    walker = ground.Walker().serpentine(lanes, overshoot=1.5)
    fixes = walker.fixes(noise=1.5, tau=200.0, seed=3)
    tape = Tape.build(
        tape_id=["T001", "T002"],
        session_id="S001",
        lane_id=["1-001", "1-002"],
        time_utc=ground.START + np.array([0, 70], dtype="timedelta64[s]"),
    )
    found = ground.derive(lanes, fixes, tape=tape, positions="lane")
    accepted = found.runs.take(found.runs.accepted)
    assert list(accepted.lane_id) == ["1-001", "1-002"]
    assert not np.isnat(accepted.finish_utc).any()


def two_checks(ground, *rows):
    return Checks.build(
        check_id=[f"K{i:03d}" for i in range(1, len(rows) + 1)],
        session_id="S001",
        time_utc=[ground.START + np.timedelta64(s, "s") for s, _ in rows],
        kind="function",
        passed=[passed for _, passed in rows],
    )


def test_derive__failed_check_back_to_the_last_good_one(ground):
    lanes = ground.planned(6)
    fixes = ground.Walker().serpentine(lanes, overshoot=1.5).fixes()
    last = int(fixes.time_utc.max().astype(int) - ground.START.astype(int)) // 1000 + 1
    checks = two_checks(ground, (0, True), (141, True), (last, False))
    runs = ground.derive(lanes, fixes, checks=checks).runs
    on = runs.lane_id != ""
    assert runs.reason[on].tolist() == ["", "", *["failed check"] * 4]
    only_start = two_checks(ground, (0, False), (141, True))
    runs = ground.derive(lanes, fixes, checks=only_start).runs
    assert runs.reason[runs.lane_id != ""].tolist() == ["failed check"] * 2 + [""] * 4


def test_derive__struck_session_and_run(ground):
    lanes = ground.planned(3)
    fixes = ground.Walker().serpentine(lanes, overshoot=1.5).fixes()
    once = ground.derive(lanes, fixes)
    assert set(ground.derive(lanes, fixes, struck=True).runs.reason) == {"struck"}
    second = once.runs.run_id[once.runs.lane_id == "1-002"][0]
    marked = once.fixes.with_columns(struck=once.fixes.run_id == second)
    again = ground.derive(lanes, marked)
    assert again.runs.reason.tolist() == ["", "turn", "struck", "turn", ""]
    assert again.runs.run_id.tolist() == once.runs.run_id.tolist()
    assert [shapely.to_wkb(g) for g in again.runs.geometry] == [
        shapely.to_wkb(g) for g in once.runs.geometry
    ]


def test_derive__interleaved_sessions_do_not_mix(ground):
    lanes = ground.planned(8)
    a = ground.Walker().serpentine(lanes.take(np.arange(4)), overshoot=1.5)
    b = ground.Walker(speed=1.0).serpentine(lanes.take(np.arange(4, 8)), overshoot=1.5)
    one = a.fixes(seed=1)
    two = b.fixes(seed=2, session="S002", first=5001)
    together = ground.derive(lanes, Fixes.concat([one, two]))
    runs = together.runs
    assert set(runs.lane_id[runs.accepted & (runs.session_id == "S001")]) == set(lanes.lane_id[:4])
    assert set(runs.lane_id[runs.accepted & (runs.session_id == "S002")]) == set(lanes.lane_id[4:])
    alone = ground.derive(lanes, one).runs
    mine = runs.take(runs.session_id == "S001")
    assert same(alone, mine)


def same(a, b):
    """Same bytes in every column."""
    for name in ["geometry", *(c.name for c in a.columns())]:
        x, y = getattr(a, name), getattr(b, name)
        if name == "geometry":
            x, y = shapely.to_wkb(x), shapely.to_wkb(y)
        if x.dtype == object:
            if list(x) != list(y):
                return False
        elif x.tobytes() != y.tobytes():
            return False
    return True


@st.composite
def walks(draw):
    """Any walk over a field: legs in all directions, stops, breaks, speeds."""
    seed = draw(st.integers(0, 2**31))
    legs = draw(
        st.lists(
            st.tuples(
                st.integers(-5, 25),
                st.integers(-5, 35),
                st.sampled_from([0.5, 1.2, 2.5]),
                st.sampled_from(["go", "go", "go", "stand", "unlogged"]),
            ),
            min_size=1,
            max_size=12,
        )
    )
    return seed, legs, draw(st.sampled_from([0.2, 1.0, 5.0])), draw(st.sampled_from([0.0, 0.4]))


def walked(ground, case):
    seed, legs, hz, noise = case
    walker = ground.Walker().start(0, 0)
    for x, y, speed, what in legs:
        if what == "stand":
            walker.stand(8)
        elif what == "unlogged":
            walker.unlogged(x, y)
        else:
            walker.go(x, y, speed=speed)
    walker.stand(1)
    return walker, walker.fixes(hz=hz, noise=noise, seed=seed)


@settings(max_examples=60, deadline=None)
@given(case=walks(), shuffle=st.randoms(use_true_random=False))
def test_derive__properties(ground, case, shuffle):
    """Order of rows is irrelevant, every fix is kept, nothing accepted crosses a break."""
    first = ground.planned(10, length=30.0)
    lanes = Lanes.concat(
        [first, ground.planned(10, length=20.0, bearing=90.0, pass_no=2, origin=(0, 1))]
    )
    _, fixes = walked(ground, case)
    found = ground.derive(lanes, fixes)
    runs = found.runs

    order = list(range(len(fixes)))
    shuffle.shuffle(order)
    mixed = ground.derive(lanes, fixes.take(order))
    assert same(runs, mixed.runs)
    assert same(found.fixes.take(order), mixed.fixes)

    assert found.fixes.fix_id.tolist() == fixes.fix_id.tolist()
    assert set(found.fixes.run_id) - {""} <= set(runs.run_id)
    assert (runs.accepted == (runs.reason == "")).all()
    assert runs.run_id.tolist() == [f"S001-{i:04d}" for i in range(1, len(runs) + 1)]
    assert (np.diff(runs.start_utc).astype(int) >= 0).all()

    # Runs add up to the whole path; only breaks are left out.
    xy, t = shapely.get_coordinates(fixes.geometry), fixes.time_utc.astype(int) / 1000
    gap, apart = np.diff(t), np.hypot(*np.diff(xy, axis=0).T)
    rules = Rules()
    interval = np.median(gap) if len(gap) else 1.0
    broken = (gap > max(rules.break_s, rules.break_intervals * interval)) | (
        apart > rules.jump_m + rules.jump_speed_mps * gap
    )
    real = runs.take(runs.reason != "break in fixes")
    assert real.length_m.sum() == pytest.approx(apart[~broken].sum(), abs=1e-6)
    for k in np.flatnonzero(broken):
        inside = (
            runs.accepted
            & (runs.start_utc.astype(int) / 1000 < t[k + 1])
            & (runs.finish_utc.astype(int) / 1000 > t[k])
        )
        assert not inside.any()


@pytest.mark.slow
def test_derive__a_hundred_hectares(ground):
    """Both passes of 100 ha at one fix a second, 1 M fixes: right, and in seconds of CPU."""
    second = ground.planned(625, 1000.0, 1.6, bearing=90.0, pass_no=2, origin=(0, 1000))
    lanes = Lanes.concat([ground.planned(625, 1000.0, 1.6), second])
    walker = ground.Walker(speed=1.3).serpentine(lanes, overshoot=1.0)
    fixes = walker.fixes()
    assert len(fixes) > 950_000
    begin = time.process_time()
    found = ground.derive(lanes, fixes)
    assert time.process_time() - begin < 20.0  # about 3 s on one core when this was written
    covered = ground.accepted_m(lanes, found.runs)
    assert set(covered) == set(lanes.lane_id)
    assert total(covered) == pytest.approx(lanes.length_m.sum(), rel=1e-3)
