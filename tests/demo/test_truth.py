"""The demo from end to end, through the functions that the commands call."""

from datetime import date
from pathlib import Path
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import shapely
from pyproj import CRS

from gridtools.coverage.measure import measure_coverage
from gridtools.demo import inputs, scenario
from gridtools.field.derive import derive
from gridtools.field.intake import take_in
from gridtools.field.outing import Outing, Walked
from gridtools.field.rules import Rules
from gridtools.formats.logs import read_logs
from gridtools.layers import Infill
from gridtools.plan.area import no_go, search_area
from gridtools.targets.candidates import find_candidates
from gridtools.units import bearing_difference

DATA = Path(__file__).parents[2] / "data"
CRS_OF_JOB = CRS(scenario.JOB_CRS)


@pytest.fixture(scope="module")
def recorded():
    """What ``record`` works out from the three logs."""
    lanes = inputs.planned()
    rules = Rules(lane_spacing_m=scenario.SPACING_M)
    walked = Walked.nothing()
    for number, name in enumerate(("pass-1.gpx", "pass-2.gpx", "walked-lanes.txt"), start=1):
        (log,) = read_logs(
            [(name, (DATA / name).read_bytes())],
            crs=CRS_OF_JOB,
            lanes=lanes,
            tz=ZoneInfo("UTC"),
            site=inputs.ground()[0].geometry[0],
        )
        assert not log.notices
        outing = Outing(log_id=f"L{number:03d}", tuning="motion", accuracy_m=0.5)
        walked = walked.plus(take_in(log, outing, lanes, walked, rules).new)
    derived = derive(
        lanes, walked.sessions, walked.checks, walked.fixes, walked.tape, walked.hits, rules
    )
    return SimpleNamespace(lanes=lanes, walked=walked, derived=derived)


@pytest.fixture(scope="module")
def found(recorded):
    site, exclusion, _ = inputs.ground()
    return find_candidates(
        recorded.derived.runs,
        recorded.derived.hits,
        lanes=recorded.lanes,
        sweep_width_m=scenario.SWEEP_WIDTH_M,
        crs=CRS_OF_JOB,
        on=date(2026, 5, 14),
        position_sigma_m=0.5,
        no_go=no_go(site, exclusion),
    )


def test_record__takes_every_fix_and_hit(recorded):
    logged = [inputs.walked(o) for o in (scenario.PASS_1, scenario.PASS_2)]
    assert len(recorded.walked.fixes) == sum(len(w.seconds) for w in logged)
    in_gpx = recorded.walked.hits.session_id != "S003"
    assert in_gpx.sum() == sum(len(w.hit) for w in logged)
    strengths = np.concatenate([w.strength for w in logged])
    assert np.array_equal(np.sort(recorded.walked.hits.strength[in_gpx]), np.sort(strengths))


def test_record__every_lane_is_walked_and_only_the_missed_one_by_tape(recorded):
    runs = recorded.derived.runs
    good = runs.accepted
    assert set(runs.lane_id[good]) == set(recorded.lanes.lane_id)
    assert set(runs.lane_id[good & (runs.session_id == "S003")]) == {scenario.PASS_1.missed_lane}
    by_gps = good & (runs.session_id != "S003")
    assert scenario.PASS_1.missed_lane not in runs.lane_id[by_gps]


def test_record__sees_the_dwell(recorded):
    runs = recorded.derived.runs
    dwelt = runs.reason == "dwell"
    assert scenario.PASS_1.dwell_lane in runs.lane_id[dwelt]


def test_record__headings_are_those_walked(recorded):
    """Lanes begun at their finish after the missed one come out the other way round."""
    runs = recorded.derived.runs
    planned = dict(zip(recorded.lanes.lane_id, recorded.lanes.bearing_deg, strict=True))
    for lane_id, turned in (("1-018", 0.0), ("1-020", 180.0), ("1-027", 180.0), ("2-001", 0.0)):
        heading = runs.heading_deg[runs.accepted & (runs.lane_id == lane_id)]
        away = np.abs(bearing_difference(heading, planned[lane_id] + turned))
        assert (away < 5.0).all(), lane_id


@pytest.fixture(scope="module")
def covered(recorded):
    """Coverage before and after the missed lane was walked by tape."""
    runs = recorded.derived.runs
    site, exclusion, interference = inputs.ground()
    results = []
    for known in (runs.session_id != "S003", np.ones(len(runs), dtype=bool)):
        results.append(
            measure_coverage(
                search_area(site, exclusion, interference),
                runs.take(known),
                recorded.lanes,
                sweep_width_m=scenario.SWEEP_WIDTH_M,
                passes=2,
                fix_accuracy_m=0.5,
                infill=Infill.empty(),
                crs=CRS_OF_JOB,
                on=date(2026, 5, 14),
                no_go=no_go(site, exclusion),
                lane_spacing_m=scenario.SPACING_M,
            )
        )
    return results


def test_coverage__shows_the_missed_lane_and_closes_it(recorded, covered):
    """Between its neighbours twice the spacing less the sweep width is left: 1 m of each metre."""
    before, after = covered
    missed = recorded.lanes.take(recorded.lanes.lane_id == scenario.PASS_1.missed_lane)
    strip = shapely.buffer(missed.geometry[0], 1.0)
    left = 2 * scenario.SPACING_M - scenario.SWEEP_WIDTH_M

    def open_m2(result):
        gaps = result.gaps.geometry[result.gaps.pass_no == 1]
        return shapely.area(shapely.intersection(gaps, strip)).sum()

    assert open_m2(before) == pytest.approx(left * missed.length_m[0], rel=0.25)
    assert open_m2(after) < 0.1 * open_m2(before)
    assert after.percent("pass 1") > before.percent("pass 1") + 1.0


def test_coverage__infill_lanes_are_laid_along_the_missed_lane(recorded, covered):
    before, _ = covered
    missed = recorded.lanes.geometry[recorded.lanes.lane_id == scenario.PASS_1.missed_lane][0]
    infill = before.infill.take(before.infill.pass_no == 1)
    on_it = shapely.contains(shapely.buffer(missed, 1.0), infill.geometry)
    assert infill.length_m[on_it].sum() > 0.7 * missed.length


def test_coverage__agrees_with_a_plain_union(recorded, covered):
    """Buffers of all accepted runs in one union, and the search area without it."""
    area = shapely.union_all(search_area(*inputs.ground()).geometry)
    runs = recorded.derived.runs
    for number in (1, 2):
        good = runs.geometry[runs.accepted & (runs.pass_no == number)]
        swept = shapely.union_all(shapely.buffer(good, scenario.SWEEP_WIDTH_M / 2))
        expected = 100.0 * shapely.intersection(area, swept).area / area.area
        assert covered[1].percent(f"pass {number}") == pytest.approx(expected, abs=0.1)


def test_candidates__where_the_metal_is(found):
    """Each candidate that is called metal is metal, and all but one piece are found.

    The run of pipe lies askew to both passes: its hits are spread over six metres and are
    explained as a short edge.
    """
    layer = found.candidates
    away = shapely.distance(scenario.metal_geometry()[:, None], layer.geometry[None, :])
    metal = layer.verdict == "metal"
    assert (away[:, metal].min(axis=0) < 2.5).all()
    likely = layer.p_metal > 0.5
    near = {
        m.name for m, d in zip(scenario.METAL, away[:, likely].min(axis=1), strict=True) if d < 2.5
    }
    assert near >= {"fuel tank", "weighbridge frame", "tractor axle", "valve box"}


def test_candidates__edges_where_the_ground_changes(found):
    """Each change of ground has an edge along it that responds on its heading."""
    for change, line in zip(scenario.CHANGES, scenario.change_geometry(), strict=True):
        along = shapely.hausdorff_distance(
            shapely.intersection(found.edges.geometry, shapely.buffer(line, 3.0)),
            found.edges.geometry,
        )
        turn = bearing_difference(found.edges.heading_deg, change.heading_deg + scenario.TURN_DEG)
        seen = (along < 1.0) & (np.abs(turn) < 60.0)
        assert found.edges.hits[seen].sum() >= 5, change.name
