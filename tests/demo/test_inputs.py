import json
import math
from pathlib import Path
from zoneinfo import ZoneInfo

import gpxpy
import pytest

from gridtools.demo import inputs, scenario
from gridtools.demo.responses import CHANCE_ABOVE_METAL
from gridtools.formats.tape_notes import read_tape_note
from gridtools.formats.trials import read_trials
from gridtools.formats.vector import read_vector
from gridtools.sensor.fit import fit_curves

DATA = Path(__file__).parents[2] / "data"


def test_files__are_those_kept_under_data():
    made = inputs.files()
    kept = {p.name for p in DATA.iterdir() if p.name != "README.md"}
    assert kept == set(made)
    for name, content in made.items():
        # Compared in full, but not printed in full.
        same = (DATA / name).read_bytes() == content
        assert same, f"data/{name} is not what the demo makes: write it again"


def test_files__are_small():
    assert sum(len(c) for c in inputs.files().values()) < 500_000


@pytest.mark.parametrize("name", ["pass-1.gpx", "pass-2.gpx"])
def test_gpx__an_independent_reader_gets_every_fix_and_hit(name):
    outing = scenario.PASS_1 if "1" in name else scenario.PASS_2
    logged = inputs.walked(outing)
    gpx = gpxpy.parse(inputs.files()[name].decode())
    points = gpx.tracks[0].segments[0].points
    assert len(points) == len(logged.seconds)
    assert points[0].time == outing.start_utc
    assert (points[-1].time - points[0].time).total_seconds() == logged.seconds[-1]
    assert len(gpx.waypoints) == len(logged.hit)
    assert all(w.time is not None for w in gpx.waypoints)


def test_gpx__holds_no_truth():
    """What caused a hit must not be in the log; only what was dug up says what it was."""
    truth = [m.name for m in scenario.METAL] + [c.name for c in scenario.CHANGES] + ["drift"]
    for name, content in inputs.files().items():
        for cause in truth if name != "outcomes.csv" else ():
            assert cause not in content.decode(), (name, cause)


@pytest.mark.parametrize(
    ("name", "rows", "column"),
    [
        ("boundary.geojson", 1, "name"),
        ("exclusions.geojson", 2, "buffer_m"),
        ("interference.geojson", 2, "standoff_m"),
        ("control.geojson", 3, "local_e_m"),
    ],
)
def test_outlines__are_read_as_vector_files(name, rows, column):
    vector = read_vector(DATA / name)
    assert len(vector) == rows
    assert all(row[column] not in (None, "") for row in vector.rows)
    assert vector.crs.is_geographic


def test_outlines__nine_decimals_at_most():
    text = inputs.files()["boundary.geojson"].decode()
    points = json.loads(text)["features"][0]["geometry"]["coordinates"][0]
    assert points[0] == points[-1]
    assert all(round(v, 9) == v for p in points for v in p)


def test_trials__measure_a_width_that_holds_the_simulators_own():
    """Integral of 0.97 exp(-(x / h)^4), the law of the demo's responses: 2 * 0.97 h gamma(5/4)."""
    read = read_trials(inputs.files()["trials.csv"], "trials.csv")
    assert len(read.trials) == 40
    fit = fit_curves(read.trials)
    true = 2 * CHANCE_ABOVE_METAL * scenario.TEST_PIECE.half_reach_m * math.gamma(1.25)
    assert true == pytest.approx(scenario.SWEEP_WIDTH_M, abs=0.02)
    assert fit.low_m < true < fit.high_m
    assert fit.best.width_m == pytest.approx(true, rel=0.1)


def test_walked_note__states_the_missed_lane_and_its_hits():
    missed = scenario.PASS_1.missed_lane
    note = inputs.files()["walked-lanes.txt"].decode()
    log = read_tape_note(note, "walked-lanes.txt", inputs.planned(), tz=ZoneInfo("UTC"))
    assert log.tape_lane.tolist() == [missed]
    assert log.tape_from_m[0] == 0.0
    assert len(log.hit_lane) >= 1
    assert set(log.hit_lane) == {missed}
    assert not log.notices
