import numpy as np
import pytest
import shapely
from statsmodels.stats.proportion import proportion_confint

from gridtools.layers import Evidence, Hits, Pinpoints, Runs
from gridtools.targets.learning import (
    hit_rates,
    learned_depth_factors,
    learned_offset,
    passes_over_finds,
    place_errors,
    share_interval,
)
from gridtools.units import unit_vector


@pytest.mark.parametrize(("count", "of"), [(0, 3), (1, 4), (9, 10), (7, 7), (30, 80)])
def test_share_interval__against_statsmodels(count, of):
    expected = proportion_confint(count, of, alpha=0.1, method="beta")
    assert share_interval(count, of) == pytest.approx(expected)


def test_share_interval__none_of_twenty_by_hand():
    """Of n digs without a find the rate is below 1 - 0.05 ** (1 / n)."""
    assert share_interval(0, 20)[1] == pytest.approx(1 - 0.05 ** (1 / 20))


def test_hit_rates__calibrated_or_not():
    p = [0.95] * 20 + [0.6] * 20 + [0.3] * 20 + [0.1] * 3
    metal = (
        [True] * 19 + [False] + [False] * 18 + [True] * 2 + [True] * 15 + [False] * 5 + [True] * 3
    )
    bands = hit_rates(p, metal)
    assert [b.verdict for b in bands] == [
        "too few to say", "chance stated too low", "chance stated too high", "agrees",
    ]  # fmt: skip
    assert [(b.digs, b.metal) for b in bands] == [(3, 3), (20, 15), (20, 2), (20, 19)]


def test_hit_rates__right_chances_are_questioned_no_oftener_than_stated():
    """Clopper and Pearson's interval misses the truth in at most 10 % of bands."""
    dice = np.random.default_rng(3)
    wrong = 0
    for _ in range(400):
        p = dice.uniform(0.8, 1.0, 15)
        wrong += hit_rates(p, dice.random(15) < p)[3].verdict != "agrees"
    assert wrong / 400 <= 0.1


def test_hit_rates__no_digs():
    assert [b.digs for b in hit_rates([], [])] == [0, 0, 0, 0]


def errors_of(scale, count, seed, place_sd=0.1):
    """Finds off their pinpoints by a scale times the errors stated, in turned ellipses."""
    dice = np.random.default_rng(seed)
    axis = dice.uniform(0, 180, count)
    major, minor = np.full(count, 0.4), np.full(count, 0.2)
    along = unit_vector(axis)
    across = np.stack([along[:, 1], -along[:, 0]], axis=1)
    true = scale * (
        dice.normal(0, np.hypot(major, place_sd))[:, None] * along
        + dice.normal(0, np.hypot(minor, place_sd))[:, None] * across
    )
    return place_errors(true, major, minor, axis, place_sd)


def test_place_errors__interval_holds_the_truth():
    inside = [errors_of(1.0, 8, seed) for seed in range(600)]
    share = np.mean([e.low <= 1.0 <= e.high for e in inside])
    assert 0.87 <= share <= 0.93
    assert np.mean([e.within_90 / e.count for e in inside]) == pytest.approx(0.9, abs=0.02)


def test_place_errors__finds_that_errors_are_larger_than_stated():
    errors = errors_of(2.0, 20, 1)
    assert errors.teaches
    assert errors.low < 2.0 < errors.high
    assert not errors_of(2.0, 4, 1).teaches
    assert place_errors(np.empty((0, 2)), [], [], [], 0.1) is None


def crossed(places, offset, shift=0.0, headings=(0.0, 180.0, 90.0, 270.0)):
    """Evidence and hits of objects crossed on some headings, hits logged the offset late. The
    places given to the learner are shifted east."""
    rows, hit_rows = [], []
    for k, place in enumerate(places):
        for heading in headings:
            name = f"H{len(hit_rows) + 1:04d}"
            hit_rows.append((place + offset * unit_vector(heading), heading, name))
            rows.append((f"C{k + 1:03d}", name))
    evidence = Evidence.build(
        len(rows),
        geometry=[shapely.LineString([(0, 0), (1, 1)])] * len(rows),
        candidate_id=[c for c, _ in rows], hit_id=[h for _, h in rows], responded=True,
    )  # fmt: skip
    hits = Hits.build(
        len(rows),
        geometry=[shapely.Point(xy) for xy, _, _ in hit_rows],
        hit_id=[h for _, _, h in hit_rows],
        heading_deg=[h for _, h, _ in hit_rows],
    )
    ids = [f"C{k + 1:03d}" for k in range(len(places))]
    return ids, places + np.array([shift, 0.0]), np.full(len(places), 0.5), evidence, hits


PLACES = np.array([[0.0, 0.0], [30.0, 5.0], [60.0, 9.0]])


def test_learned_offset__is_free_of_the_error_of_place():
    found = learned_offset(*crossed(PLACES, 0.9, shift=0.4))
    assert found.offset_m == pytest.approx(0.9)
    assert (found.objects, found.hits) == (3, 12)


def test_learned_offset__lanes_on_any_bearing():
    found = learned_offset(*crossed(PLACES, -0.4, 0.3, headings=(44.0, 46.0, 225.0)))
    assert found.offset_m == pytest.approx(-0.4, abs=0.01)


def test_learned_offset__one_sense_only_or_too_few_finds_teach_nothing():
    assert learned_offset(*crossed(PLACES, 0.9, headings=(0.0, 90.0))) is None
    assert learned_offset(*crossed(PLACES[:2], 0.9)) is None


def test_learned_offset__long_objects_are_left_out():
    ids, xy, _, evidence, hits = crossed(PLACES, 0.9)
    assert learned_offset(ids, xy, [0.5, 0.5, 4.0], evidence, hits) is None


def test_passes_over_finds__lateral_distance_and_silence():
    runs = Runs.build(
        4,
        geometry=[
            shapely.LineString([(-1, -10), (-1, 10)]),
            shapely.LineString([(3, 10), (3, -10)]),
            shapely.LineString([(9, -10), (9, 10)]),
            shapely.LineString([(0.5, 5), (0.5, 10)]),
        ],
        run_id=["a", "b", "c", "d"], heading_deg=[0.0, 180.0, 0.0, 0.0], accepted=True,
    )  # fmt: skip
    evidence = Evidence.build(
        1, geometry=[shapely.LineString([(0, 0), (1, 1)])], candidate_id=["C001"], run_id=["a"],
        responded=True,
    )  # fmt: skip
    lateral, responded, heading, piece = passes_over_finds(
        ["C001"], np.zeros((1, 2)), [np.nan], runs, evidence, within_m=6.0
    )
    assert lateral.tolist() == [1.0, 3.0]
    assert responded.tolist() == [True, False]
    assert heading.tolist() == [0.0, 180.0]
    assert piece.tolist() == ["C001", "C001"]


def pinpoints(**columns):
    return Pinpoints.build(
        4,
        geometry=[shapely.Point(0, 0)] * 4,
        candidate_id=["C001", "C002", "C003", "C004"],
        **{
            "onset_m": [1.0, 2.0, 1.5, 1.2], "onset_sd_m": 0.05, "carry_height_m": 0.2,
            "basis": "offset rule", "instrument": "two-coil locator", "tuning": "motion",
            **columns,
        },
    )  # fmt: skip


IDS = ["C001", "C002", "C003", "C004"]


def test_learned_depth_factors__depths_count_from_the_coils():
    """Depth plus 0.2 m of carry height is 0.8 of the onset distance, exactly."""
    rows = learned_depth_factors(IDS, [0.6, 1.4, 1.0, 0.76], pinpoints())
    assert rows.factor.tolist() == [pytest.approx(0.8, abs=1e-6)]
    assert (rows.digs.tolist(), rows.instrument.tolist()) == ([4], ["two-coil locator"])


def test_learned_depth_factors__each_set_up_by_itself():
    setups = pinpoints(instrument=["one", "two", "one", "two"])
    rows = learned_depth_factors(IDS, [0.6, 1.0, 1.0, 0.52], setups)
    assert rows.instrument.tolist() == ["one", "two"]
    assert rows.factor.tolist() == [pytest.approx(0.8, abs=1e-6), pytest.approx(0.6, abs=1e-6)]


def test_learned_depth_factors__what_teaches_nothing():
    assert len(learned_depth_factors(IDS, [0.6, np.nan, np.nan, np.nan], pinpoints())) == 0
    short = pinpoints(basis="offset rule, at least")
    assert len(learned_depth_factors(IDS, [0.6, 1.4, 1.0, 0.76], short)) == 0
    assert len(learned_depth_factors(["C009"], [0.6], pinpoints())) == 0
