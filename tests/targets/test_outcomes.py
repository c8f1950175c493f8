import numpy as np
import shapely

from gridtools.layers import Candidates, Digs, Evidence, Outcomes
from gridtools.targets.outcomes import (
    dig_results,
    dig_status,
    metal_finds,
    neighbours_of_nothing,
    new_outcomes,
)


def outcomes(*rows, **columns):
    """Rows of (dig, found, metal, recheck)."""
    dig, found, metal, recheck = zip(*rows, strict=True)
    return Outcomes.build(
        len(rows),
        geometry=[shapely.Point(0, 0)] * len(rows), dig_id=list(dig), found=list(found),
        metal=list(metal), recheck=list(recheck), **columns,
    )  # fmt: skip


def digs(count=3, status="open", hole_depth_m=1.5):
    return Digs.build(
        count,
        geometry=[shapely.Point(3.0 * i, 0) for i in range(count)],
        dig_id=[f"D{i + 1:03d}" for i in range(count)],
        candidate_id=[f"C{i + 1:03d}" for i in range(count)],
        hole_depth_m=hole_depth_m, status=status,
    )  # fmt: skip


def numbered(layer):
    return new_outcomes(layer, Outcomes.empty())


def test_new_outcomes__the_same_twice_counts_once():
    given = outcomes(("D001", "Tank", True, "quiet"), ("D001", "tank", True, "quiet"))
    known = numbered(given)
    assert known.outcome_id.tolist() == ["O001"]
    assert len(new_outcomes(given, known)) == 0
    more = outcomes(("D001", "tank", True, ""), ("D002", "tank", True, "quiet"))
    assert new_outcomes(more, known).outcome_id.tolist() == ["O002", "O003"]


def test_new_outcomes__struck_rows_may_come_again_under_a_new_number():
    given = outcomes(("D001", "tank", True, "quiet"))
    known = numbered(given).with_columns(struck=True)
    assert new_outcomes(given, known).outcome_id.tolist() == ["O002"]


def test_dig_results__lifts_of_one_dig():
    found = numbered(
        outcomes(
            ("D001", "brick", False, "responds"),
            ("D001", "pipe", True, "responds"),
            ("D001", "re-check", False, "quiet"),
            ("D002", "nothing", False, ""),
        )
    )
    results = dig_results(found, digs())
    assert results.dig_id.tolist() == ["D001", "D002"]
    assert results.metal.tolist() == [True, False]
    assert results.nothing.tolist() == [False, True]
    assert results.recheck.tolist() == ["quiet", "not made"]
    assert metal_finds(results, found, digs()).dig_id.tolist() == ["D001"]
    assert dig_status(digs(), results).tolist() == ["dug", "dug", "open"]


def test_dig_status__open_while_something_responds_or_it_stopped_short():
    found = numbered(
        outcomes(
            ("D001", "pipe", True, "responds"),
            ("D002", "nothing", False, ""),
            ("D003", "nothing", False, ""),
            dug_to_m=[np.nan, 0.8, 1.5],
        )
    )
    results = dig_results(found, digs(hole_depth_m=1.5))
    assert results.short.tolist() == [False, True, False]
    assert dig_status(digs(), results).tolist() == ["open", "open", "dug"]


def test_dig_results__struck_rows_do_not_count():
    found = numbered(outcomes(("D001", "pipe", True, "quiet"))).with_columns(struck=True)
    assert len(dig_results(found, digs()).dig_id) == 0


def test_neighbours_of_nothing__near_and_crossed_by_the_same_runs():
    candidates = Candidates.build(
        4,
        geometry=[shapely.Point(x, 0) for x in (0.0, 3.0, 6.0, 40.0)],
        candidate_id=["C001", "C002", "C003", "C004"],
        status=["open", "open", "dropped", "open"],
    )
    rows = [("C001", "r1", True), ("C001", "r2", True), ("C001", "r3", False),
            ("C002", "r1", False), ("C002", "r3", True), ("C003", "r1", True),
            ("C004", "r1", True)]  # fmt: skip
    evidence = Evidence.build(
        len(rows),
        geometry=[shapely.LineString([(0, 0), (1, 1)])] * len(rows),
        candidate_id=[c for c, _, _ in rows], run_id=[r for _, r, _ in rows],
        responded=[h for _, _, h in rows],
    )  # fmt: skip
    near = neighbours_of_nothing("D001", digs(), candidates, evidence, within_m=8.0)
    assert near == [("C002", 3.0, 1)]
    assert neighbours_of_nothing("D009", digs(), candidates, evidence, within_m=8.0) == []
