"""Coverage in figures: cases worked by hand, properties, and an independent computation."""

from statistics import NormalDist

import geopandas
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.coverage.measure import CAUTION_SIGMAS
from gridtools.errors import InputError, MissingError
from gridtools.layers import Lanes, Runs, SearchArea
from gridtools.swath.uncovered import MIN_PART_M2, QUAD_SEGS

seeds = st.integers(0, 2**32 - 1)


# --- worked by hand -------------------------------------------------------------------------


def test_measure__lanes_with_strips_between(surveys):
    """W = 2 m every 3 m over 30 m by 50 m covers two thirds; 9 strips of 1 m are left between,
    and 0.5 m at either side."""
    lanes = surveys.north_lanes(np.arange(1.5, 30, 3))
    found = surveys.measure(
        surveys.area(shapely.box(0, 0, 30, 50)), surveys.runs(lanes), lanes, 2.0
    )
    assert found.percent("pass 1") == pytest.approx(100 * 2 / 3, rel=1e-12)
    assert found.gaps.gap_id.tolist() == [f"1-{i:03d}" for i in range(1, 12)]
    assert found.gaps.area_m2.round(9).tolist() == [25.0, *[50.0] * 9, 25.0]
    assert found.gaps.width_m.round(2).tolist() == [0.5, *[1.0] * 9, 0.5]
    assert found.covered.area_m2.tolist() == pytest.approx([1000.0], rel=1e-12)
    assert found.covered.geometry[0].area == pytest.approx(1000.0, rel=1e-9)
    assert found.coverage.gaps.tolist() == [11, 0, 11]


def test_measure__missed_lane(surveys):
    """One lane of ten left out: a gap as wide as two spacings less W, 2 * 3 - 4 = 2 m."""
    lanes = surveys.north_lanes(np.arange(1.5, 30, 3))
    walked = np.arange(10) != 4
    found = surveys.measure(
        surveys.area(shapely.box(0, 0, 30, 50)),
        surveys.runs(lanes).take(walked), lanes, 4.0, lane_spacing_m=3.0,
    )  # fmt: skip
    assert found.gaps.area_m2.tolist() == pytest.approx([100.0], rel=1e-12)
    assert found.gaps.width_m.tolist() == pytest.approx([2.0], abs=0.01)
    assert found.gaps.reason.tolist() == ["lane not walked 1-005"]
    assert found.percent("pass 1") == pytest.approx(100 * (1 - 100 / 1500), rel=1e-12)


def test_measure__two_passes(surveys):
    """Pass 1 covers the west half, pass 2 the south half: either 3/4, both 1/4."""
    east = surveys.north_lanes([5.0, 15.0], -9.0, 49.0)
    north = surveys.lanes(2, [[[-9.0, 5.0], [49.0, 5.0]], [[49.0, 15.0], [-9.0, 15.0]]])
    lanes = Lanes.concat([east, north])
    found = surveys.measure(
        surveys.area(shapely.box(0, 0, 40, 40)), surveys.runs(lanes), lanes, 10.0, passes=2
    )
    parts = [found.percent(part) for part in ("pass 1", "pass 2", "either", "both")]
    assert parts == pytest.approx([50.0, 50.0, 75.0, 25.0], rel=1e-9)
    row = {
        part: (gaps, largest)
        for part, confidence, gaps, largest in zip(
            found.coverage.part, found.coverage.confidence,
            found.coverage.gaps, found.coverage.largest_gap_m2, strict=True,
        )
        if confidence == "all"
    }  # fmt: skip
    assert row["either"] == (1, pytest.approx(400.0))
    assert row["both"] == (1, pytest.approx(1200.0))


def test_measure__reduced_confidence(surveys):
    """A standoff over the eastern fifth: full and reduced ground are told apart."""
    lanes = surveys.north_lanes([5.0, 15.0, 25.0, 35.0])
    found = surveys.measure(
        surveys.area(shapely.box(0, 0, 40, 50), shapely.box(40, 0, 50, 50)),
        surveys.runs(lanes), lanes, 10.0,
    )  # fmt: skip
    assert found.percent("pass 1", "full") == pytest.approx(100.0)
    assert found.percent("pass 1", "reduced") == pytest.approx(0.0, abs=1e-9)
    assert found.percent("pass 1") == pytest.approx(80.0)
    assert found.coverage.gaps.tolist() == [0, 1, 1]
    assert found.coverage.largest_gap_m2.tolist() == pytest.approx([0.0, 500.0, 500.0])


def test_measure__cautious(surveys):
    """Lanes 10 m apart, W = 10 m, fixes to 1 m: each strip keeps 10 - 2 * 1.645 m of its 10."""
    lanes = surveys.north_lanes([5.0, 15.0, 25.0, 35.0])
    area = surveys.area(shapely.box(0, 0, 40, 50))
    found = surveys.measure(area, surveys.runs(lanes), lanes, 10.0, fix_accuracy_m=1.0)
    assert found.percent("pass 1") == pytest.approx(100.0)
    assert found.cautious_width_m == pytest.approx(6.71)
    assert found.percent("pass 1", cautious=True) == pytest.approx(67.1)
    assert "standard error of 1.00 m may lie 1.65 m off" in found.notices[0]
    hopeless = surveys.measure(area, surveys.runs(lanes), lanes, 10.0, fix_accuracy_m=4.0)
    assert hopeless.percent("pass 1", cautious=True) == 0.0
    plain = surveys.measure(area, surveys.runs(lanes), lanes, 10.0)
    assert np.isnan(plain.coverage.cautious_percent).all()


def test_caution_sigmas__normal_quantile():
    """One-sided 95 % point of the normal distribution, by the standard library."""
    assert pytest.approx(NormalDist().inv_cdf(0.95), abs=5e-4) == CAUTION_SIGMAS


def test_measure__slivers_are_summed(surveys):
    """Strips of 0.01 m by 50 m are no gaps of 0.6 m² or more, but are not hidden."""
    lanes = surveys.north_lanes(np.arange(5.0, 50, 10.0))
    found = surveys.measure(
        surveys.area(shapely.box(0, 0, 50, 50)), surveys.runs(lanes), lanes, 9.99, min_gap_m2=0.6
    )
    assert len(found.gaps) == 0
    assert found.coverage.slivers.tolist() == [6, 0, 6]
    assert found.coverage.slivers_m2[0] == pytest.approx(50 * 0.05, rel=1e-6)
    assert found.percent("pass 1") == pytest.approx(99.9, rel=1e-9)


@pytest.mark.parametrize("with_lanes", [True, False])
def test_measure__pass_without_runs(surveys, with_lanes):
    """A pass not begun leaves each part of the site as one gap."""
    ground = shapely.MultiPolygon([shapely.box(0, 0, 20, 50), shapely.box(30, 0, 50, 50)])
    lanes = surveys.north_lanes(np.arange(2.0, 50, 4.0)) if with_lanes else Lanes.empty()
    found = surveys.measure(surveys.area(ground), Runs.empty(), lanes, 4.0, passes=2)
    assert found.gaps.area_m2.tolist() == [1000.0] * 4
    assert found.gaps.gap_id.tolist() == ["1-001", "1-002", "2-001", "2-002"]
    assert found.gaps.reason.tolist() == [*["pass 1 not walked"] * 2, *["pass 2 not walked"] * 2]
    assert len(found.covered) == 0
    assert found.coverage.percent[found.coverage.confidence != "reduced"].tolist() == [0.0] * 8


def test_measure__runs_of_no_pass_and_rejected_runs_cover_nothing(surveys):
    lanes = surveys.north_lanes([5.0, 15.0])
    area = surveys.area(shapely.box(0, 0, 20, 50))
    off = surveys.runs(lanes).with_columns(pass_no=0, lane_id="")
    dwell = surveys.runs(lanes, accepted=False, reason="dwell")
    for runs in (off, dwell):
        assert surveys.measure(area, runs, lanes, 10.0).percent("pass 1") == 0.0


def test_measure__refuses(surveys):
    area = surveys.area(shapely.box(0, 0, 9, 9))
    none = (Runs.empty(), Lanes.empty())
    with pytest.raises(InputError, match="a sweep width of -1 m cannot be used"):
        surveys.measure(area, *none, -1.0)
    with pytest.raises(InputError, match="a smallest gap of nan m² cannot be used"):
        surveys.measure(area, *none, 2.0, min_gap_m2=np.nan)
    with pytest.raises(InputError, match="a fix accuracy of -1 m cannot be used"):
        surveys.measure(area, *none, 2.0, fix_accuracy_m=-1.0)
    with pytest.raises(InputError, match="3 passes cannot be measured"):
        surveys.measure(area, *none, 2.0, passes=3)
    with pytest.raises(MissingError, match="no search area"):
        surveys.measure(SearchArea.empty(), *none, 2.0)
    with pytest.raises(InputError, match="no row for pass 2"):
        surveys.measure(area, *none, 2.0).percent("pass 2")


# --- against geopandas ----------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(20))
def test_measure__geopandas_on_random_walks(surveys, seed):
    """Covered and gap areas to 1e-6, and every gap that one finds, the other finds."""
    rng = np.random.default_rng(seed)
    site = surveys.site(rng)
    lanes = surveys.crossed_lanes(site, rng.uniform(0, 180), 3.0)
    lanes = lanes.take(rng.uniform(size=len(lanes)) > 0.08)
    runs = surveys.runs(lanes, surveys.wander(rng, lanes, 0.4))
    strip = site.intersection(site.boundary.buffer(4.0, quad_segs=4))
    area = surveys.area(site.difference(strip), strip)
    found = surveys.measure(area, runs, lanes, 3.5, passes=2, fix_accuracy_m=0.3)

    theirs = geopandas.GeoDataFrame(
        {"pass_no": runs.pass_no}, geometry=runs.geometry, crs="EPSG:32631"
    )
    ground = geopandas.GeoDataFrame(
        {"confidence": ["full", "reduced"]}, geometry=[site.difference(strip), strip],
        crs="EPSG:32631",
    )  # fmt: skip
    for half, column in (
        (1.75, found.coverage.percent),
        (1.75 - 1.645 * 0.3, found.coverage.cautious_percent),
    ):
        strips = {
            p: theirs[theirs.pass_no == p].buffer(half, QUAD_SEGS).union_all() for p in (1, 2)
        }
        swept = {
            "pass 1": strips[1],
            "pass 2": strips[2],
            "either": strips[1].union(strips[2]),
            "both": strips[1].intersection(strips[2]),
        }
        for part, shape in swept.items():
            frame = geopandas.GeoDataFrame(geometry=[shape], crs="EPSG:32631")
            covered = geopandas.overlay(ground, frame, how="intersection")
            for confidence in ("full", "reduced"):
                mine = covered[covered.confidence == confidence].area.sum()
                whole = ground[ground.confidence == confidence].area.sum()
                row = (found.coverage.part == part) & (found.coverage.confidence == confidence)
                assert column[row] == pytest.approx([100 * mine / whole], rel=1e-6)
        if half != 1.75:
            continue
        for p in (1, 2):
            left = geopandas.GeoSeries([site.difference(strips[p])]).explode()
            left = left[left.area >= 0.5].to_numpy()
            ours = found.gaps.take(found.gaps.pass_no == p)
            assert len(left) == len(ours)
            a, b = shapely.STRtree(ours.geometry).query(
                shapely.point_on_surface(left), predicate="intersects"
            )
            assert sorted(a) == sorted(b) == list(range(len(ours)))
            difference = shapely.symmetric_difference(left[a], ours.geometry[b])
            assert shapely.area(difference).max(initial=0.0) < 1e-4


# --- properties -----------------------------------------------------------------------------


def survey(surveys, rng):
    site = surveys.site(rng, 40.0)
    lanes = surveys.crossed_lanes(site, rng.uniform(0, 180), 3.0)
    keep = rng.uniform(size=len(lanes)) > 0.1
    return site, lanes, surveys.runs(lanes, surveys.wander(rng, lanes, 0.4)).take(keep)


@settings(max_examples=8, deadline=None)
@given(seeds, st.floats(0.5, 5.0), st.floats(0.0, 5.0))
def test_measure__covered_gaps_and_slivers_make_the_area(surveys, seed, width_m, min_gap_m2):
    rng = np.random.default_rng(seed)
    site, lanes, runs = survey(surveys, rng)
    found = surveys.measure(
        surveys.area(site), runs, lanes, width_m, passes=2, min_gap_m2=min_gap_m2
    )
    for p in (1, 2):
        row = (found.coverage.part == f"pass {p}") & (found.coverage.confidence == "all")
        gaps = found.gaps.area_m2[found.gaps.pass_no == p].sum()
        whole = found.coverage.covered_m2[row] + gaps + found.coverage.slivers_m2[row]
        assert whole == pytest.approx([site.area], rel=1e-9)
        geometry = found.covered.geometry[found.covered.pass_no == p]
        assert shapely.area(geometry).sum() == pytest.approx(
            float(found.coverage.covered_m2[row][0]), abs=1e-6 * site.area + MIN_PART_M2
        )
        assert shapely.is_valid(geometry).all()
    total = {part: found.percent(part) for part in ("pass 1", "pass 2", "either", "both")}
    assert total["either"] + total["both"] == pytest.approx(total["pass 1"] + total["pass 2"])


@settings(max_examples=6, deadline=None)
@given(seeds, st.floats(0.5, 4.0), st.floats(0.01, 1.0))
def test_measure__more_is_never_less(surveys, seed, width_m, more_m):
    """A wider sweep, or one more run, lowers no figure."""
    rng = np.random.default_rng(seed)
    site, lanes, runs = survey(surveys, rng)
    area = surveys.area(site)
    some = runs.take(np.arange(len(runs)) % 3 > 0)
    less = surveys.measure(area, some, lanes, width_m, passes=2).coverage.covered_m2
    wider = surveys.measure(area, some, lanes, width_m + more_m, passes=2).coverage.covered_m2
    longer = surveys.measure(area, runs, lanes, width_m, passes=2).coverage.covered_m2
    assert (wider >= less - 1e-6).all()
    assert (longer >= less - 1e-6).all()


@settings(max_examples=6, deadline=None)
@given(seeds, st.floats(0, 360), st.floats(-1e5, 1e5))
def test_measure__rigid_motion(surveys, seed, turn_deg, shift_m):
    rng = np.random.default_rng(seed)
    site, lanes, runs = survey(surveys, rng)
    angle = np.radians(turn_deg)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])

    def move(geometry):
        return shapely.transform(geometry, lambda xy: xy @ turn.T + shift_m)

    def moved(layer, column):
        turned = {"geometry": list(move(layer.geometry)), column: getattr(layer, column) + turn_deg}
        return layer.with_columns(**turned)

    here = surveys.measure(surveys.area(site), runs, lanes, 3.5, passes=2)
    there = surveys.measure(
        surveys.area(move(site)), moved(runs, "heading_deg"), moved(lanes, "bearing_deg"),
        3.5, passes=2,
    )  # fmt: skip
    assert there.coverage.covered_m2 == pytest.approx(here.coverage.covered_m2, rel=1e-6)
    assert there.gaps.area_m2 == pytest.approx(here.gaps.area_m2, rel=1e-5, abs=1e-5)
    assert there.gaps.reason.tolist() == here.gaps.reason.tolist()


@settings(max_examples=5, deadline=None)
@given(seeds)
def test_measure__same_bytes_on_any_threads(surveys, seed):
    rng = np.random.default_rng(seed)
    site, lanes, runs = survey(surveys, rng)
    one, three = (
        surveys.measure(surveys.area(site), runs, lanes, 3.2, passes=2, threads=n) for n in (1, 3)
    )
    for layer in ("covered", "gaps", "infill"):
        a, b = getattr(one, layer).geometry, getattr(three, layer).geometry
        assert shapely.to_wkb(a).tolist() == shapely.to_wkb(b).tolist()
    assert one.gaps.width_m.tolist() == three.gaps.width_m.tolist()
