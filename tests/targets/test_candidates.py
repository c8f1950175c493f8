"""Candidates on hand-built ground. The rule that they test is common practice, no source: metal
responds on every crossing whatever the heading; a change of ground responds on one heading and
not on the opposite; drift shows anywhere, once.
"""

from datetime import date

import numpy as np
import pytest
import shapely
from pyproj import CRS

from gridtools.errors import InputError
from gridtools.layers import Candidates, Hits, Lanes, Recheck, Runs
from gridtools.targets.candidates import find_candidates
from gridtools.units import bearing_of, unit_vector

from .fieldsim import Setting, simulate

CRS_M = CRS.from_epsg(32630)
ORIGIN = np.array([500_000.0, 5_700_000.0])
SIZE_M, SPACING_M, SWEEP_M = 40.0, 2.0, 4.0


def grid_walk(*, missing=()):
    """Lanes and runs of both passes over a square, in serpentine; `missing` lanes not walked."""
    rows = []
    for pass_no in (1, 2):
        for k in range(int(SIZE_M / SPACING_M)):
            across = SPACING_M / 2 + k * SPACING_M
            ends = np.array([[across, 0.0], [across, SIZE_M]])
            ends = ends if pass_no == 1 else ends[:, ::-1]
            rows.append((f"{pass_no}-{k + 1:03d}", pass_no, ends if k % 2 == 0 else ends[::-1]))
    heading = [float(bearing_of(*(e[1] - e[0]))) for _, _, e in rows]
    lines = [shapely.LineString(e + ORIGIN) for _, _, e in rows]
    ids, passes = [r[0] for r in rows], [r[1] for r in rows]
    lanes = Lanes.build(
        geometry=lines, lane_id=ids, pass_no=passes, bearing_deg=heading,
        seq=np.arange(1, len(rows) + 1),
    )  # fmt: skip
    runs = Runs.build(
        geometry=lines, run_id=[f"S001-{i + 1:04d}" for i in range(len(rows))], session_id="S001",
        lane_id=ids, pass_no=passes, heading_deg=heading, accepted=True, length_m=SIZE_M,
    )  # fmt: skip
    return lanes, runs.take(~np.isin(runs.lane_id, missing))


def hits_at(runs, marks):
    """Hits on runs: (row of the run, how far along it) each."""
    places = [shapely.line_interpolate_point(runs.geometry[r], along) for r, along in marks]
    row = [r for r, _ in marks]
    return Hits.build(
        len(marks), geometry=places, hit_id=[f"H{i + 1:04d}" for i in range(len(marks))],
        session_id="S001", run_id=runs.run_id[row], lane_id=runs.lane_id[row],
        heading_deg=runs.heading_deg[row], strength=np.arange(1.0, len(marks) + 1),
    )  # fmt: skip


def metal_marks(runs, xy, reach_m=2.5, late_m=0.0):
    """One mark on every run that passes within reach."""
    point = shapely.Point(np.asarray(xy) + ORIGIN)
    rows = np.flatnonzero(shapely.distance(runs.geometry, point) <= reach_m)
    along = shapely.line_locate_point(runs.geometry[rows], point)
    return [(int(r), float(a) + late_m) for r, a in zip(rows, along, strict=True)]


def edge_marks(runs, y, heading_deg):
    """One mark on every run on one heading, where it crosses an east-west line."""
    rows = np.flatnonzero(np.abs(runs.heading_deg - heading_deg) < 1)
    return [(int(r), y if heading_deg == 0 else SIZE_M - y) for r in rows]


def find(runs, hits, lanes, **options):
    options = {"sweep_width_m": SWEEP_M, "position_sigma_m": 0.3, **options}
    return find_candidates(runs, hits, lanes=lanes, crs=CRS_M, on=date(2026, 5, 1), **options)


def local_xy(layer):
    return shapely.get_coordinates(layer.geometry) - ORIGIN


def test_find_candidates__metal_responds_on_every_heading():
    lanes, runs = grid_walk()
    found = find(runs, hits_at(runs, metal_marks(runs, (20.3, 19.6))), lanes)
    assert found.candidates.verdict.tolist() == ["metal"]
    assert found.candidates.headings_hit.tolist() == ["N, E, S, W"]
    assert found.candidates.headings_unwalked.tolist() == [""]
    assert np.hypot(*(local_xy(found.candidates)[0] - (20.3, 19.6))) < 0.3
    assert len(found.edges) == 0
    assert len(found.recheck) == 0


def test_find_candidates__one_sense_is_a_change_of_ground():
    lanes, runs = grid_walk()
    found = find(runs, hits_at(runs, edge_marks(runs, 17.0, 0.0)), lanes, heading_offset_m=0.0)
    assert not np.any(found.candidates.verdict == "metal")
    assert found.edges.hits.tolist() == [10]
    assert found.edges.heading_deg == pytest.approx([0.0], abs=1.0)
    assert shapely.get_coordinates(found.edges.geometry)[:, 1] - ORIGIN[1] == pytest.approx(17.0)


def test_find_candidates__lone_hits_are_drift():
    lanes, runs = grid_walk()
    found = find(runs, hits_at(runs, [(3, 12.0), (12, 30.0), (27, 8.0)]), lanes)
    assert len(found.candidates) == 0
    assert any("3 of 3 hits are best explained as drift" in n for n in found.notices)


def test_find_candidates__metal_beside_an_edge_is_told_from_it():
    lanes, runs = grid_walk()
    marks = edge_marks(runs, 10.0, 0.0) + metal_marks(runs, (25.0, 24.0))
    found = find(runs, hits_at(runs, marks), lanes, heading_offset_m=0.0)
    metal = found.candidates.verdict == "metal"
    assert metal.sum() == 1
    assert np.hypot(*(local_xy(found.candidates)[metal][0] - (25.0, 24.0))) < 0.5
    assert len(found.edges) == 1


def test_find_candidates__two_objects_four_metres_apart_stay_two():
    lanes, runs = grid_walk()
    marks = metal_marks(runs, (20.0, 14.0), 2.2) + metal_marks(runs, (20.0, 18.5), 2.2)
    found = find(runs, hits_at(runs, marks), lanes, heading_offset_m=0.0)
    assert (found.candidates.verdict == "metal").sum() == 2


def test_find_candidates__long_object_has_an_axis():
    """Both senses respond where they cross it; the runs along it may stay silent."""
    lanes, runs = grid_walk()
    marks = edge_marks(runs, 21.0, 0.0) + edge_marks(runs, 21.0, 180.0)
    across = [
        10.0 <= shapely.get_x(shapely.get_point(runs.geometry[r], 0)) - ORIGIN[0] <= 30
        for r, _ in marks
    ]
    marks = [m for m, inside in zip(marks, across, strict=True) if inside]
    found = find(runs, hits_at(runs, marks), lanes, heading_offset_m=0.0)
    assert found.candidates.verdict.tolist() == ["metal"]
    assert found.candidates.axis_deg == pytest.approx([90.0], abs=3)
    assert local_xy(found.candidates)[0] == pytest.approx([20.0, 21.0], abs=1.5)
    assert len(found.edges) == 0


def test_find_candidates__missed_headings_leave_it_open_and_a_lane_would_settle_it():
    """With one heading walked, metal and a change of ground cannot be told apart."""
    lanes, all_runs = grid_walk()
    northward = all_runs.take(all_runs.heading_deg == 0.0)
    marks = metal_marks(northward, (20.0, 20.0), 3.2)
    found = find(northward, hits_at(northward, marks), lanes, heading_offset_m=0.0)
    assert found.candidates.verdict.tolist() == ["unresolved"]
    assert found.candidates.headings_unwalked.tolist() == ["E, S, W"]
    lane = found.recheck
    assert lane.lane_id.tolist() == ["r001"]
    assert lane.candidate_id.tolist() == found.candidates.candidate_id.tolist()
    assert lane.length_m == pytest.approx([4 * SWEEP_M])
    assert lane.pass_no.tolist() == [0]
    assert lane.seq.tolist() == [41]
    assert (lane.start_peg[0], lane.finish_peg[0]) == ("r001s", "r001f")
    assert round(lane.bearing_deg[0]) in (90, 180, 270)
    assert np.isfinite(lane.true_bearing_deg[0] + lane.magnetic_bearing_deg[0])
    assert shapely.distance(lane.geometry[0], found.candidates.geometry[0]) < 1e-6
    assert "no run heading" in lane.reason[0]

    # Walked, and it responds: the case is settled, and the lane keeps its place and number.
    walked = Runs.build(
        geometry=lane.geometry, run_id=["S002-0001"], session_id="S002", lane_id=lane.lane_id,
        heading_deg=lane.bearing_deg, accepted=True, length_m=lane.length_m,
    )  # fmt: skip
    runs = Runs.concat([northward, walked])
    for responds in (True, False):
        more = [(len(runs) - 1, 2 * SWEEP_M)] if responds else []
        again = find(
            runs, hits_at(runs, marks + more), lanes, heading_offset_m=0.0,
            previous=found.candidates, previous_recheck=lane,
        )  # fmt: skip
        here = again.candidates.candidate_id == "C001"
        assert (again.candidates.p_metal[here] > found.candidates.p_metal[0]).all() == responds
        kept = again.recheck.take(again.recheck.lane_id == "r001")
        assert shapely.equals(kept.geometry[0], lane.geometry[0])
        assert len(set(again.recheck.lane_id)) == len(again.recheck)


def test_find_candidates__recheck_lane_not_yet_walked_is_kept():
    lanes, runs = grid_walk()
    runs = runs.take(runs.heading_deg == 0.0)
    hits = hits_at(runs, metal_marks(runs, (20.0, 20.0), 3.2))
    first = find(runs, hits, lanes, heading_offset_m=0.0)
    second = find(
        runs, hits, lanes, heading_offset_m=0.0,
        previous=first.candidates, previous_recheck=first.recheck,
    )  # fmt: skip
    assert second.recheck.lane_id.tolist() == ["r001"]
    assert shapely.equals(second.recheck.geometry[0], first.recheck.geometry[0])


def test_find_candidates__recheck_lane_keeps_out_of_no_go_ground():
    lanes, runs = grid_walk()
    runs = runs.take(runs.heading_deg == 0.0)
    hits = hits_at(runs, metal_marks(runs, (20.0, 20.0), 3.2))
    no_go = shapely.transform(shapely.box(25.0, 0.0, 40.0, 40.0), lambda xy: xy + ORIGIN)
    found = find(runs, hits, lanes, heading_offset_m=0.0, no_go=no_go)
    assert len(found.recheck) == 1
    assert not shapely.intersects(found.recheck.geometry[0], no_go)


def test_find_candidates__runs_not_accepted_and_struck_hits_say_nothing():
    """The answer is what it would be if they were not there."""
    lanes, runs = grid_walk()
    hits = hits_at(runs, metal_marks(runs, (20.3, 19.6)))
    bad = runs.take([7, 30]).with_columns(
        run_id=["S009-0001", "S009-0002"], accepted=False, reason="dwell"
    )
    extra = hits_at(runs, [(5, 20.0), (9, 20.0), (6, 19.0)]).with_columns(
        hit_id=["H0901", "H0902", "H0903"],
        run_id=["S009-0001", "S009-0002", runs.run_id[6]],
        struck=[False, False, True],
    )
    plain = find(runs, hits, lanes)
    more = find(Runs.concat([runs, bad]), Hits.concat([hits, extra]), lanes)
    assert_same(plain, more)
    assert any("struck out" in n for n in more.notices)
    assert any("no accepted run" in n for n in more.notices)


def test_find_candidates__evidence_is_every_accepted_run_within_reach():
    """Brute force over all candidates and runs."""
    field = simulate(3, Setting(width_m=60, height_m=40, objects=5, edges=1))
    accepted = np.arange(len(field.runs)) % 7 != 0
    runs = field.runs.with_columns(accepted=accepted)
    found = find(runs, field.hits, field.lanes)
    compact = np.isnan(found.candidates.axis_deg)
    assert compact.sum() >= 3
    rows = set(zip(found.evidence.candidate_id, found.evidence.run_id, strict=True))
    for i in np.flatnonzero(compact):
        near = shapely.distance(runs.geometry, found.candidates.geometry[i]) <= found.reach_m
        name = found.candidates.candidate_id[i]
        assert {r for c, r in rows if c == name} == set(runs.run_id[near & accepted])
        mine = found.evidence.candidate_id == name
        assert found.candidates.crossings[i] == mine.sum()
        assert found.candidates.hits[i] == found.evidence.responded[mine].sum()
        lateral = shapely.distance(runs.geometry[near & accepted], found.candidates.geometry[i])
        assert np.sort(np.abs(found.evidence.lateral_m[mine])) == pytest.approx(np.sort(lateral))
    used = found.evidence.hit_id[found.evidence.hit_id != ""]
    assert len(set(used)) == len(used)
    assert set(used) <= set(field.hits.hit_id)


def test_find_candidates__lateral_is_positive_to_the_right():
    lanes, runs = grid_walk()
    found = find(runs, hits_at(runs, metal_marks(runs, (20.3, 19.6))), lanes)
    place = local_xy(found.candidates)[0]
    for run_id, lateral in zip(found.evidence.run_id, found.evidence.lateral_m, strict=True):
        run = runs.take(runs.run_id == run_id)
        start = shapely.get_coordinates(run.geometry)[0] - ORIGIN
        right = unit_vector(run.heading_deg[0] + 90.0)
        assert lateral == pytest.approx((place - start) @ right, abs=1e-6)


def assert_same(one, other, *, turn_deg=0.0, moved=None, tolerance=1e-6):
    """Same layers but for a rigid motion."""
    moved = moved or (lambda xy: xy)
    for name in ("candidates", "edges", "recheck", "evidence"):
        a, b = getattr(one, name), getattr(other, name)
        assert len(a) == len(b), name
        xy = moved(shapely.get_coordinates(a.geometry))
        assert shapely.get_coordinates(b.geometry) == pytest.approx(xy, abs=tolerance)
    assert one.candidates.candidate_id.tolist() == other.candidates.candidate_id.tolist()
    assert one.candidates.verdict.tolist() == other.candidates.verdict.tolist()
    assert one.candidates.p_metal == pytest.approx(other.candidates.p_metal, abs=5e-4)
    assert one.candidates.sigma_m == pytest.approx(other.candidates.sigma_m, abs=tolerance)
    assert one.evidence.hit_id.tolist() == other.evidence.hit_id.tolist()
    turned = np.mod(one.edges.heading_deg + turn_deg - other.edges.heading_deg + 180, 360) - 180
    assert turned == pytest.approx(0.0, abs=1e-6)
    assert one.offset.offset_m == pytest.approx(other.offset.offset_m, abs=0.02)


@pytest.mark.parametrize("seed", [1, 2])
def test_find_candidates__order_of_input_does_not_matter(seed):
    field = simulate(seed, Setting(width_m=60, height_m=40, objects=5, edges=1))
    rng = np.random.default_rng(seed)
    one = find(field.runs, field.hits, field.lanes)
    other = find(
        field.runs.take(rng.permutation(len(field.runs))),
        field.hits.take(rng.permutation(len(field.hits))),
        field.lanes.take(rng.permutation(len(field.lanes))),
    )
    assert_same(one, other, tolerance=0.0)
    assert one.candidates.p_metal.tolist() == other.candidates.p_metal.tolist()


@pytest.mark.parametrize(("seed", "turn_deg"), [(1, 37.0), (2, 200.5)])
def test_find_candidates__turns_and_moves_with_the_ground(seed, turn_deg):
    field = simulate(seed, Setting(width_m=60, height_m=40, objects=5, edges=1))
    axes = unit_vector([90.0 + turn_deg, turn_deg])

    def moved(xy):
        return xy @ axes + ORIGIN

    def turned(layer, column):
        return layer.with_columns(
            geometry=shapely.transform(layer.geometry, moved),
            **{column: np.mod(getattr(layer, column) + turn_deg, 360.0)},
        )

    one = find(field.runs, field.hits, field.lanes)
    other = find(
        turned(field.runs, "heading_deg"), turned(field.hits, "heading_deg"),
        turned(field.lanes, "bearing_deg"),
    )  # fmt: skip
    assert len(one.candidates) >= 3
    assert one.offset.basis == "measured"
    assert_same(one, other, turn_deg=turn_deg, moved=moved, tolerance=1e-3)


def test_find_candidates__rerun_keeps_names_status_and_notes():
    """Numbers of places that are gone are not given again."""
    lanes, runs = grid_walk()
    both = metal_marks(runs, (10.0, 10.0)) + metal_marks(runs, (30.0, 30.0))
    first = find(runs, hits_at(runs, both), lanes).candidates
    assert first.candidate_id.tolist() == ["C001", "C002"]
    second_place = np.hypot(*(local_xy(first) - (30.0, 30.0)).T) < 1
    first = first.with_columns(
        status=np.where(second_place, "dug", "open"), note=np.where(second_place, "pipe", "")
    )
    kept_id = first.candidate_id[second_place][0]
    other = metal_marks(runs, (30.0, 30.0)) + metal_marks(runs, (10.0, 30.0))
    second = find(runs, hits_at(runs, other), lanes, previous=first).candidates
    by_id = dict(zip(second.candidate_id, second.status, strict=True))
    assert by_id == {kept_id: "dug", "C003": "open", ({"C001", "C002"} - {kept_id}).pop(): "gone"}
    assert second.note[second.candidate_id == kept_id].tolist() == ["pipe"]
    assert sorted(second.rank) == [1, 2, 3]
    third = find(runs, hits_at(runs, both), lanes, previous=second).candidates
    assert dict(zip(third.candidate_id, third.status, strict=True))["C003"] == "gone"
    assert set(third.candidate_id) == {"C001", "C002", "C003"}


def test_find_candidates__no_hits():
    lanes, runs = grid_walk()
    for hits in (Hits.empty(), hits_at(runs, [(3, 5.0)]).with_columns(run_id="")):
        found = find(runs, hits, lanes)
        assert len(found.candidates) == len(found.evidence) == len(found.edges) == 0
        assert any("no hits" in n for n in found.notices)
    nothing = find(Runs.empty(), Hits.empty(), Lanes.empty())
    assert len(nothing.candidates) == 0
    gone = find(
        runs, Hits.empty(), lanes,
        previous=Candidates.build(geometry=[shapely.Point(ORIGIN)], candidate_id=["C004"]),
        previous_recheck=Recheck.empty(),
    )  # fmt: skip
    assert gone.candidates.status.tolist() == ["gone"]


def test_find_candidates__all_hits_at_one_point():
    """A hundred marks on one spot of one run are one response; on every run there, metal."""
    lanes, runs = grid_walk()
    one_run = hits_at(runs, [(9, 20.0)] * 100)
    assert len(find(runs, one_run, lanes).candidates) == 0
    every_run = hits_at(runs, metal_marks(runs, (20.0, 20.0), 2.5) * 50)
    found = find(runs, every_run, lanes)
    assert found.candidates.verdict.tolist() == ["metal"]
    assert found.candidates.hits.tolist() == [4]


def test_find_candidates__ten_thousand_hits_on_one_run_are_no_metal():
    lanes, runs = grid_walk()
    marks = [(9, float(a)) for a in np.linspace(0, SIZE_M, 10_000)]
    found = find(runs, hits_at(runs, marks), lanes)
    assert not np.any(found.candidates.verdict == "metal")


def test_find_candidates__refuses_a_sweep_width_of_nothing():
    lanes, runs = grid_walk()
    with pytest.raises(InputError, match="sweep width"):
        find(runs, Hits.empty(), lanes, sweep_width_m=0.0)


def test_find_candidates__says_what_was_assumed():
    lanes, runs = grid_walk()
    found = find(runs, hits_at(runs, [(3, 12.0)]), lanes, position_sigma_m=None)
    assert any("fix accuracy not stated" in n for n in found.notices)
    assert any("heading offset not settled" in n for n in found.notices)
