import json

import numpy as np
import pytest

from gridtools.job import Job
from gridtools.layers import SweepWidths
from gridtools.sensor.curves import HazardRate
from gridtools.sensor.passes import planned_passes


def csv(path, header, rows):
    path.write_text("\n".join([header, *rows, ""]))
    return path


@pytest.fixture
def trials(tmp_path):
    rng = np.random.default_rng(11)
    curve = HazardRate(4.0, steepness=6.0, peak=0.97)
    x = [round(p.share * 2.4, 2) for p in planned_passes()]
    rows = [f"{v},{'yes' if rng.random() < curve.probability(v) else 'no'},drum,1.0" for v in x]
    return csv(tmp_path / "trials.csv", "lateral_m,responded,object,depth_m", rows)


def test_spacing__from_trials_stored_and_used_by_lanes(gridtools, job, trials):
    result = gridtools("spacing", trials, "--job", job, "--instrument", "two-coil", "--json").json
    assert result["low_m"] < 4.0 < result["high_m"]
    assert result["lane_spacing_m"] <= result["sweep_width_m"] / 2
    assert result["plan"]["crossings"] == 4
    assert result["plan"]["pod_low_end"] <= result["plan"]["pod_cautious"]
    assert result["stored_as"] == "W001"
    planned = gridtools("lanes", job)
    assert "sweep width measured by test passes" in planned.out
    with Job.open(job) as opened:
        assert opened.setting("sweep_width_m").basis == "measured"
        assert opened.setting("sweep_width_m").number == result["sweep_width_m"]
        assert opened.setting("lane_spacing_m").number == result["lane_spacing_m"]
        row = opened.read(SweepWidths)
    assert (row.name[0], row.object[0], row.depth_m[0]) == ("drum at 1.00 m", "drum", 1.0)
    assert row.trials[0] == 40
    assert json.loads(row.parameters[0]) == result["parameters"]


def test_spacing__several_curves_are_kept_and_one_is_chosen(gridtools, job, trials):
    gridtools("spacing", trials, "--job", job)
    gridtools("spacing", "--sweep-width", "3m", "--assumed", "--job", job)
    gridtools("spacing", trials, "--job", job)
    with Job.open(job) as opened:
        assert opened.read(SweepWidths).curve_id.tolist() == ["W001", "W002"]
        assert opened.setting("sweep_curve").text == "W001"
    chosen = gridtools("spacing", "--job", job, "--curve", "W002", "--json").json
    assert (chosen["sweep_width_m"], chosen["basis"]) == (3.0, "assumed")
    assert "inverse cube law of 3.00 m is assumed" in chosen["notices"][0]
    assert "W001" in gridtools("spacing", "--job", job, "--curve", "W009", code=1).err


def test_spacing__from_a_width_by_hand(gridtools):
    """Inverse cube law, C = 2: POD of one pass .9878 (Washburn 2002, 2.4, computed)."""
    result = gridtools("spacing", "--sweep-width", "4m", "--json").json
    assert result["lane_spacing_m"] == 2.0
    assert result["plan"]["pod_pass"] == pytest.approx(0.9878, abs=1e-4)
    assert result["plan"]["length_m_per_ha"] == 10_000
    assert result["wide_first"]["hours_per_ha"] < result["plan"]["hours_per_ha"]


def test_spacing__a_given_spacing_that_falls_short_says_so(gridtools):
    err = gridtools("spacing", "--sweep-width", "4m", "--spacing", "8m").err
    assert "less than the 90 % wanted" in err
    assert "0 crossings, not 4" in err


def test_spacing__error_across_the_track_softens(gridtools):
    sharp = gridtools("spacing", "--sweep-width", "4m", "--spacing", "4m", "--json").json
    soft = gridtools(
        "spacing", "--sweep-width", "4m", "--spacing", "4m", "--cross-track", "1m", "--json"
    ).json
    assert soft["plan"]["pod_cautious"] < sharp["plan"]["pod_cautious"]


def test_spacing__never_prints_certainty(gridtools, trials):
    out = gridtools("spacing", trials).out
    assert "100.0 %" not in out
    assert "over 99.9 %" in out


@pytest.mark.parametrize("image", ["plot.png", "plot.svg"])
def test_spacing__plot_is_the_same_bytes_each_time(gridtools, tmp_path, trials, image):
    first, again = tmp_path / image, tmp_path / f"again-{image}"
    gridtools("spacing", trials, "--plot", first)
    gridtools("spacing", trials, "--plot", again)
    head = first.read_bytes()[:100]
    assert head.startswith(b"\x89PNG") or b"<?xml" in head
    assert first.read_bytes() == again.read_bytes()


def test_spacing__form_and_rough_table(gridtools, tmp_path):
    gridtools("spacing", "--form", tmp_path / "form.pdf")
    assert (tmp_path / "form.pdf").read_bytes()[:5] == b"%PDF-"
    rough = gridtools("spacing")
    assert "assumed" in rough.out
    assert "common practice, no source" in rough.out
    assert gridtools("spacing", "--json").json["basis"] == "assumed"


def row(x, answer):
    return f"{x:.2f},{answer}"


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([row(x, "yes") for x in range(5)], "too few"),
        ([row(x / 10, "yes") for x in range(30)], "every test pass responded"),
        ([row(x / 10, "no") for x in range(30)], "no test pass responded"),
        ([row(x / 10, "no" if x < 3 else "yes") for x in range(30)], "no end in sight"),
        ([row(x % 2, ["yes", "no"][x % 2]) for x in range(30)], "2 distances only"),
        ([row(1, "perhaps")], "none of yes, no"),
        ([",yes"], "no lateral distance"),
        (["1.0,"], "none of yes, no"),
    ],
)
def test_spacing__refuses_trials_that_settle_nothing(gridtools, tmp_path, rows, said):
    err = gridtools("spacing", csv(tmp_path / "t.csv", "lateral_m,responded", rows), code=1).err
    assert said in err
    assert "t.csv" in err


def test_spacing__warns_of_one_side_and_of_one_heading(gridtools, tmp_path):
    rows = [f"{x / 8},{'yes' if x < 16 or x == 18 else 'no'},10" for x in range(40)]
    err = gridtools("spacing", csv(tmp_path / "t.csv", "lateral_m,responded,heading_deg", rows)).err
    assert "to the right on nearly every pass" in err
    assert "one heading" in err


def test_spacing__several_objects_have_to_be_parted(gridtools, tmp_path, trials):
    both = tmp_path / "both.csv"
    both.write_text(
        trials.read_text() + trials.read_text().split("\n", 1)[1].replace("drum", "box")
    )
    assert "--object" in gridtools("spacing", both, code=1).err
    assert gridtools("spacing", both, "--object", "box", "--json").json["trials"] == 40
    assert "drum" in gridtools("spacing", both, "--object", "gun", code=1).err


def test_spacing__a_header_without_the_columns(gridtools, tmp_path):
    assert "lateral_m" in gridtools(
        "spacing", csv(tmp_path / "t.csv", "x,responded", ["1,yes"]), code=1
    ).err  # fmt: skip


@pytest.mark.parametrize(
    "words",
    [
        ["a.csv", "--sweep-width", "4m"],
        ["--curve", "W001"],
        ["--plot", "a.png"],
        ["--assumed"],
        ["--sweep-width", "0m"],
        ["--sweep-width", "4m", "--pod", "100"],
    ],
)
def test_spacing__wrong_usage(gridtools, words):
    gridtools("spacing", *words, code=2)


def test_spacing__job_without_a_width(gridtools, job):
    assert "no sweep width" in gridtools("spacing", "--job", job, code=1).err


def test_spacing__pod_out_of_reach(gridtools, tmp_path):
    rows = [f"{x / 8},{'yes' if abs(x) < 16 and x % 3 else 'no'}" for x in range(-32, 33)]
    trials = csv(tmp_path / "t.csv", "lateral_m,responded", rows)
    assert "cannot reach" in gridtools("spacing", trials, "--pod", "99", code=1).err
