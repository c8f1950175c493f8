import numpy as np
import pytest
import shapely

from gridtools.errors import InputError
from gridtools.field.intake import take_in
from gridtools.field.logs import RawLog
from gridtools.field.outing import Outing, Walked
from gridtools.field.repeats import repeated
from gridtools.field.rules import Rules
from gridtools.layers import Lanes

NAT = np.datetime64("NaT", "ms")


def texts(*values):
    return np.array(values, dtype=object)


def track(ground, xy, seconds, name="", segment=0):
    n = len(xy)
    return {
        "fix_xy": np.array(xy, dtype=float).reshape(n, 2),
        "fix_time": ground.START + (np.array(seconds) * 1000).astype("timedelta64[ms]"),
        "fix_track": texts(*[name] * n),
        "fix_segment": np.full(n, segment, dtype=np.int64),
    }


def hits(ground, *rows):
    """Rows (xy or None, seconds or None, part, lane, chainage, direction)."""
    xy, seconds, part, lane, chainage, direction = zip(*rows, strict=True)
    return {
        "hit_xy": np.array([p or (np.nan, np.nan) for p in xy], dtype=float),
        "hit_time": np.array(
            [
                NAT if s is None else ground.START + np.timedelta64(int(s * 1000), "ms")
                for s in seconds
            ],
            dtype="datetime64[ms]",
        ),
        "hit_part": texts(*part),
        "hit_strength": np.full(len(rows), np.nan),
        "hit_note": texts(*[""] * len(rows)),
        "hit_lane": texts(*lane),
        "hit_chainage_m": np.array([np.nan if c is None else c for c in chainage], dtype=float),
        "hit_direction": texts(*direction),
    }


def north(count=40):
    return [(0, 1.2 * i) for i in range(count)], np.arange(count, dtype=float)


def take(log, before=None, lanes=None, **outing):
    return take_in(
        log,
        Outing(log_id="L001", **outing),
        lanes if lanes is not None else Lanes.empty(),
        before or Walked.nothing(),
        Rules(),
    )


def test_take_in__ids_and_session(ground):
    log = RawLog(**track(ground, *north()), **hits(ground, ((0, 5), 4, "", "", None, "")))
    taken = take(
        log, operator="A", tuning="static", ahead_m=1.2, check_start=True, check_finish=False
    )
    new = taken.new
    assert new.fixes.fix_id[[0, -1]].tolist() == ["F000001", "F000040"]
    assert new.hits.hit_id.tolist() == ["H0001"]
    assert new.sessions.session_id.tolist() == ["S001"]
    assert new.sessions.tuning[0] == "static"
    assert new.sessions.start_utc[0] == ground.START
    assert new.sessions.finish_utc[0] == ground.START + np.timedelta64(39, "s")
    assert new.checks.check_id.tolist() == ["K001", "K002"]
    assert new.checks.passed.tolist() == [True, False]
    assert new.checks.time_utc.tolist() == [
        new.sessions.start_utc[0].astype(object),
        new.sessions.finish_utc[0].astype(object),
    ]
    assert (taken.counts.fixes, taken.counts.hits, taken.counts.repeated_fixes) == (40, 1, 0)


def test_take_in__twice_adds_nothing(ground):
    log = RawLog(**track(ground, *north()), **hits(ground, ((0, 5), 4, "", "", None, "")))
    first = take(log)
    again = take(log, Walked.nothing().plus(first.new))
    assert again.session_id == ""
    assert [
        len(getattr(again.new, n)) for n in ("sessions", "checks", "fixes", "tape", "hits")
    ] == [0] * 5
    assert (again.counts.repeated_fixes, again.counts.repeated_hits) == (40, 1)


def test_take_in__overlapping_log_adds_the_rest(ground):
    xy, seconds = north()
    first = take(RawLog(**track(ground, xy[:30], seconds[:30])))
    both = Walked.nothing().plus(first.new)
    second = take(RawLog(**track(ground, xy[20:], seconds[20:])), both)
    assert second.counts.fixes == 10
    assert second.counts.repeated_fixes == 10
    assert second.session_id == "S002"
    assert second.new.fixes.fix_id[0] == "F000031"


def test_take_in__same_fix_within_tolerance(ground):
    xy = [(0, 0), (0.009, 0), (0.02, 0), (0, 0), (0, 0)]
    taken = take(RawLog(**track(ground, xy, [0, 0, 0, 0.001, 0.003])))
    assert taken.new.fixes.time_utc.astype(int).tolist() == [
        ground.START.astype(int) + ms for ms in (0, 0, 3)
    ]
    assert taken.counts.repeated_fixes == 2


def test_take_in__untimed_fixes_are_left_out(ground):
    log = track(ground, *north())
    log["fix_time"][3] = NAT
    log["fix_xy"][5] = np.nan
    taken = take(RawLog(**log))
    assert taken.counts.fixes == 38
    assert taken.notices == ("2 fixes left out, without a time or position",)


def test_take_in__hit_by_time_only(ground):
    """Placed between the fixes before and after, in this log or in one taken in earlier."""
    fixes = track(ground, *north())
    only = hits(ground, (None, 10.5, "", "", None, ""), (None, 600, "", "", None, ""))
    taken = take(RawLog(**fixes, **only))
    assert shapely.get_coordinates(taken.new.hits.geometry)[0].tolist() == pytest.approx([0, 12.6])
    assert taken.new.hits.placed.tolist() == ["track"]
    assert "1 hit left out, with only a time that no track covers" in taken.notices[0]
    before = Walked.nothing().plus(take(RawLog(**fixes)).new)
    later = take(RawLog(**only), before)
    assert later.session_id == "S002"
    assert shapely.get_coordinates(later.new.hits.geometry)[0].tolist() == pytest.approx([0, 12.6])


def test_take_in__hit_by_time_in_a_break_or_two_sessions(ground):
    xy, seconds = north()
    broken = track(ground, xy, np.where(np.array(seconds) > 20, np.array(seconds) + 60, seconds))
    only = hits(ground, (None, 50, "", "", None, ""))
    assert take(RawLog(**broken, **only)).counts.hits == 0
    one = take(RawLog(**track(ground, xy, seconds)))
    before = Walked.nothing().plus(one.new)
    beside = [(50, y) for _, y in xy]
    before = before.plus(take(RawLog(**track(ground, beside, seconds)), before).new)
    unclear = take(RawLog(**hits(ground, (None, 10, "", "", None, ""))), before)
    assert unclear.counts.hits == 0
    assert "several sessions" in unclear.notices[0]


def test_take_in__hit_by_lane_and_chainage(ground):
    lanes = ground.planned(2)
    rows = [
        (None, None, "", "1-002", 30.0, "backward"),
        (None, None, "", "1-001", 7.0, ""),
        (None, None, "", "1-001", 7.004, ""),
    ]
    log = RawLog(**hits(ground, *rows))
    taken = take(log, lanes=lanes)
    new = taken.new.hits
    assert shapely.get_coordinates(new.geometry).tolist() == [[2, 50], [0, 7]]
    assert new.placed.tolist() == ["lane backward", "lane"]
    assert new.lane_id.tolist() == ["1-002", "1-001"]
    assert new.chainage_m.tolist() == [30, 7]
    assert taken.counts.repeated_hits == 1
    assert take(log, Walked.nothing().plus(taken.new), lanes).session_id == ""


def test_take_in__unknown_lane(ground):
    log = RawLog(**hits(ground, (None, None, "", "1-099", 30.0, "")))
    with pytest.raises(InputError, match="hit row 1: the job has no lane '1-099'"):
        take(log, lanes=ground.planned(2))


def test_take_in__tape(ground):
    log = RawLog(
        tape_lane=texts("1-001", "1-002", "1-001", "1-001"),
        tape_from_m=np.array([0, 0, 0, 80.0]),
        tape_to_m=np.array([80, 34, 80, 0.0]),
        tape_time=np.array([NAT] * 4),
    )
    taken = take(log, lanes=ground.planned(2), check_start=True)
    assert taken.new.tape.tape_id.tolist() == ["T001", "T002", "T003"]
    assert taken.new.tape.to_m.tolist() == [80, 34, 0]
    assert taken.counts.repeated_tape == 1
    assert np.isnat(taken.new.checks.time_utc[0])
    again = take(log, Walked.nothing().plus(taken.new), ground.planned(2))
    assert again.session_id == ""


def test_take_in__stated_lanes(ground):
    """The name of a track states a lane; a lane mark does from its time on."""
    xy, seconds = north()
    log = RawLog(
        **track(ground, xy, seconds, name="1-002"),
        mark_lane=texts("1-001", "nonsense"),
        mark_time=ground.START + np.array([10, 20], dtype="timedelta64[s]"),
    )
    stated = take(log, lanes=ground.planned(2), positions="lane").new.fixes.stated_lane
    assert stated.tolist() == ["1-002"] * 10 + ["1-001"] * 30
    unnamed = take(RawLog(**track(ground, xy, seconds, name="walk")), lanes=ground.planned(2))
    assert set(unnamed.new.fixes.stated_lane) == {""}


def test_take_in__then_derive(ground):
    """What was taken in gives the same runs as the walk itself."""
    lanes = ground.planned(4)
    fixes = ground.Walker().serpentine(lanes, overshoot=1.5).fixes()
    xy = shapely.get_coordinates(fixes.geometry)
    seconds = (fixes.time_utc - ground.START).astype(float) / 1000
    new = take(RawLog(**track(ground, xy, seconds)), lanes=lanes).new
    runs = ground.derive(lanes, new.fixes, new.sessions).runs
    assert list(runs.lane_id[runs.accepted]) == list(lanes.lane_id)


def test_outing__words():
    with pytest.raises(InputError, match="tuning is motion or static"):
        Outing(log_id="L001", tuning="fast")
    with pytest.raises(InputError, match="positions is gps or lane"):
        Outing(log_id="L001", positions="tape")


def test_raw_log__columns_of_one_length():
    with pytest.raises(InputError, match="differ in length"):
        RawLog(tape_lane=texts("1-001"))


def test_repeated__many_at_one_moment():
    """Rows at one time and different places are all kept; the earlier of two alike stays."""
    place = np.column_stack([np.arange(50) % 25, np.zeros(50)]).astype(float)
    when = np.zeros(50, dtype="datetime64[ms]")
    none = np.empty((0, 2)), np.empty(0, dtype="datetime64[ms]")
    assert repeated(place, when, *none, Rules()).tolist() == [False] * 25 + [True] * 25
    assert repeated(place[:25], when[:25], place, when, Rules()).all()


def test_rules__refused():
    with pytest.raises(InputError, match="restart_m must be greater than 0"):
        Rules(restart_m=0)
    with pytest.raises(InputError, match="least speed"):
        Rules(min_speed_mps=2.5)
