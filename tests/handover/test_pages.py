"""What printed pages say, read back by an independent reader of PDF (PDFium)."""

import re
from datetime import date
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.coverage.standing import Standing
from gridtools.formats.tape_notes import read_tape_note
from gridtools.handover import cautions
from gridtools.handover.dig_cautions import GENERAL
from gridtools.handover.pages.approaches import approach_form
from gridtools.handover.pages.day import day_page
from gridtools.handover.pages.digs import dig_list
from gridtools.handover.pages.head import Head
from gridtools.handover.pages.hits import hit_form
from gridtools.handover.pages.lanes import lane_sheet
from gridtools.handover.pages.trials import trial_form
from gridtools.handover.pages.walked import EXAMPLES, walked_form
from gridtools.layers import Candidates, DigPegs, Digs, Infill, Lanes, Pegs, Recheck

from ..pdf import ink_outside, pages_of, text_of

HEAD = Head(
    job_name="Yard <one> & two",
    crs_name="WGS 84 / UTM zone 30N",
    spacing_m=2.0,
    sweep_width_m=4.0,
)
CANDIDATES = Candidates.build(
    geometry=[shapely.Point(480020, 6000040), shapely.Point(480030, 6000040)],
    candidate_id=["C001", "C002"],
    verdict="metal",
    p_metal=0.93,
    sigma_m=0.4,
    rank=[2, 1],
    status=["open", "Dug"],
)
DIGS = Digs.build(
    geometry=[shapely.Point(480020, 6000040), shapely.Point(480027, 6000044)],
    dig_id=["D001", "D002"],
    candidate_id=["C001", "C002"],
    rank=[1, 2],
    picked=[True, False],
    visit=[1, 0],
    consequence="possible container",
    p_metal=0.93,
    depth_m=[1.25, np.nan],
    depth_sd_m=[0.4, np.nan],
    hole_depth_m=[2.0, np.nan],
    top_length_m=[6.0, np.nan],
    top_width_m=[5.0, np.nan],
    volume_m3=[30.0, np.nan],
    hours=[3.0, np.nan],
    cautions=["possible closed container; way out and air (2.0 m deep)", ""],
    hold=["", "no valid permit: landowner"],
    status="open",
)
DIG_PEGS = DigPegs.build(
    geometry=[shapely.Point(480010, 6000040), shapely.Point(480020, 6000050)],
    peg_id=["D001a", "D001b"],
    dig_id="D001",
    distance_m=[10.0, 10.0],
    bearing_deg=[90.0, 180.0],
)
WALKING = [
    Standing(kind="pass 1", done=3, short=("1-004",), to_walk=("1-005",), left_m=80.0, left_s=90.0)
]


def lanes_of(kind=Lanes, ids=("1-002", "1-001", "2-001"), seq=(2, 1, 3), **extra):
    columns = {
        "pass_no": [int(i[0]) if i[0] in "12" else 0 for i in ids],
        "length_m": [50.0 + k for k in range(len(ids))],
        "bearing_deg": 10.0,
        "true_bearing_deg": 9.2,
        "magnetic_bearing_deg": 7.9,
        "start_peg": [f"{i}s" for i in ids],
        "finish_peg": [f"{i}f" for i in ids],
    }
    return kind.build(
        geometry=[shapely.LineString([(k, 0), (k, 50)]) for k in range(len(ids))],
        lane_id=list(ids),
        seq=list(seq),
        **columns | extra,
    )


def sheet(lanes=None, head=HEAD, **options):
    options = {"bearing_date": date(2026, 5, 4), **options}
    return lane_sheet(lanes_of() if lanes is None else lanes, head, **options)


def digs(head=HEAD):
    lonlat = np.array([[2.7, 54.1], [2.7, 54.1]])
    return dig_list(DIGS, DIG_PEGS, head, lonlat=lonlat, no_go=shapely.box(0, 0, 1, 1))


def fresh(head):
    return {
        "lanes": sheet(head=head),
        "hits": hit_form(head),
        "walked": walked_form(head),
        "approaches": approach_form(CANDIDATES, head),
        "digs": digs(head),
        "day": day_page(WALKING, head, on=date(2026, 5, 14)),
    }


def test_trial_form__has_every_pass_and_the_cautions():
    text = text_of(trial_form())
    assert text.count("yes") == 40 + 1  # and once in how to fill it in
    for words in ("pacemaker", "Buried services", "Suspected munition", "licensed practice"):
        assert words in text
    assert ink_outside(trial_form(paper="letter")) == []


@cache
def documents(head=HEAD):
    return fresh(head)


NAMES = ("lanes", "hits", "walked", "approaches", "digs", "day")


# --- all of them ----------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_documents__carry_the_cautions_and_promise_nothing(name):
    text = text_of(documents()[name])
    assert "A walked lane does not show that nothing is left in the ground." in text
    assert not re.search(r"\b(is|are) (now )?(safe|clear)\b", text, flags=re.IGNORECASE)
    if name in ("lanes", "hits", "walked", "approaches"):
        assert cautions.DEFERENCE in text


@pytest.mark.parametrize("name", NAMES)
def test_documents__take_what_people_typed_as_text(name):
    assert "Yard <one> & two" in text_of(documents()[name])


def test_documents__same_input_same_bytes():
    assert fresh(HEAD) == documents()


@pytest.mark.parametrize("name", NAMES)
def test_documents__number_their_pages(name):
    pages = pages_of(documents()[name])
    for number, page in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in page


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", NAMES)
def test_documents__long_and_foreign_names_stay_on_the_paper(name, paper):
    head = Head(
        job_name="Двор Σαλόου " + "x" * 60, crs_name="c" * 60, paper=paper, sweep_width_m=4.0
    )
    data = documents(head)[name]
    assert "Двор Σαλόου" in text_of(data)
    assert ink_outside(data) == []


@settings(max_examples=25)
@given(st.text(max_size=60))
def test_documents__any_name_prints(words):
    assert walked_form(Head(job_name=words, crs_name=words))[:5] == b"%PDF-"


@pytest.mark.parametrize("name", NAMES)
def test_documents__embed_their_font(name):
    """So that they print alike everywhere; fonts of other scripts are the reader's (see docs)."""
    data = documents()[name]
    assert set(re.findall(rb"/BaseFont /(?:[A-Z]{6}\+)?([\w-]+)", data)) <= {
        b"DejaVuSans", b"DejaVuSans-Bold", b"Helvetica",
    }  # fmt: skip
    assert data.count(b"/FontFile2") >= 2


# --- lane sheet -----------------------------------------------------------------------------


def test_lane_sheet__lanes_stand_by_pass_in_walking_order():
    text = text_of(sheet())
    places = [text.index(words) for words in ("Pass 1", "1-001s", "1-002s", "Pass 2", "2-001s")]
    assert places == sorted(places)


def test_lane_sheet__row_says_what_the_walker_needs():
    text = text_of(sheet())
    for wanted in ("→ 1-002f", "50.00 m", "007.9°", "grid 010.0° true 009.2°", "forward"):
        assert wanted in text


def test_lane_sheet__head_is_repeated_on_every_page():
    many = lanes_of(ids=[f"1-{k:03d}" for k in range(1, 201)], seq=range(1, 201))
    pages = pages_of(sheet(many))
    assert len(pages) > 5
    for page in pages:
        assert "magnetic bearing for 2026-05-04" in page
        assert "Sweep width assumed, not tested" in page
    text = " ".join(pages)
    assert all(f"1-{k:03d}s" in text for k in range(1, 201))


def test_lane_sheet__says_how_the_bearings_differ():
    """9.2 true is 7.9 magnetic plus 1.3, and 10.0 grid less 0.8."""
    assert "true = magnetic +1.3°; true = grid -0.8°" in text_of(sheet())


def test_lane_sheet__unknowns_are_not_made_up():
    lanes = lanes_of(magnetic_bearing_deg=np.nan, true_bearing_deg=np.nan)
    text = text_of(sheet(lanes, Head(job_name="Yard", crs_name="UTM"), bearing_date=None))
    assert "nan" not in text.lower()
    assert "date unknown" in text
    assert "lane spacing not set" in text
    assert "Sweep width not set" in text


def test_lane_sheet__measured_sweep_width():
    head = Head(job_name="Yard", crs_name="UTM", sweep_width_m=4.0, sweep_basis="measured")
    assert "Sweep width measured by test passes" in text_of(sheet(head=head))


def test_lane_sheet__infill_and_recheck_have_their_own_sections():
    infill = lanes_of(Infill, ids=("1-i001",), seq=(9,), reason="closes gap 1-004")
    recheck = lanes_of(Recheck, ids=("r001",), seq=(9,), reason="heading not yet walked")
    text = text_of(sheet(infill=infill, recheck=recheck))
    assert text.index("Infill lanes") < text.index("closes gap 1-004")
    assert text.index("Recheck lanes") < text.index("heading not yet walked")


def test_lane_sheet__no_sections_without_rows():
    text = text_of(sheet(infill=Infill.empty(), recheck=Recheck.empty(), pegs=Pegs.empty()))
    for words in ("Infill", "Recheck", "Pegs to set out"):
        assert words not in text


def test_lane_sheet__pegs_are_listed_and_stand_beside_their_lane():
    pegs = Pegs.build(
        geometry=[shapely.Point(0, 0), shapely.Point(0, 25)],
        peg_id=["1-001s", "P001"],
        role=["lane end", "intermediate"],
        lane_id=["1-001", "1-001"],
        local_e_m=[0.0, 0.25],
        local_n_m=[0.0, 25.0],
        tape_m=[0.0, 25.0],
        offset_m=[1.5, np.nan],
    )
    text = text_of(sheet(pegs=pegs))
    assert "P001 at 25.00 m" in text
    assert re.search(r"1-001s lane end 1-001 0\.00 1\.50 0\.00 0\.00", text)
    assert re.search(r"P001 intermediate 1-001 25\.00 – 0\.25 25\.00", text)


# --- forms ----------------------------------------------------------------------------------


def test_hit_form__has_the_columns_of_a_log():
    for page in pages_of(hit_form(HEAD, pages=3))[1:]:
        assert "time lane chainage direction strength part remark" in page


def test_hit_form__prints_the_whole_pre_start_list():
    text = text_of(hit_form(HEAD))
    for caution in cautions.PRE_START:
        assert caution.text in text
    assert re.search(r"start .*break .*break .*break .*finish", text)


def test_walked_form__examples_mean_what_it_says():
    """The reader of notes takes them, and finds the stretches that the form promises."""
    text = text_of(walked_form(HEAD))
    assert all(example in text for example, _ in EXAMPLES)
    lanes = Lanes.build(
        geometry=[shapely.LineString([(0, k), (50, k)]) for k in range(30)],
        lane_id=[f"1-{k + 1:03d}" for k in range(30)],
        pass_no=1,
        length_m=50.0,
    )
    note = "\n".join(example for example, _ in EXAMPLES)
    log = read_tape_note(note, "note.txt", lanes, tz=ZoneInfo("UTC"))
    walked = dict(zip(log.tape_lane, zip(log.tape_from_m, log.tape_to_m, strict=True), strict=True))
    whole = {f"1-{k:03d}": (0.0, 50.0) for k in range(1, 21) if k != 7}
    assert walked == whole | {
        "1-021": (50.0, 0.0),
        "1-022": (0.0, 34.0),
        "1-023": (34.0, 50.0),
        "1-024": (0.0, 20.0),
    }
    assert str(log.tape_time[log.tape_lane == "1-021"][0]) == "2026-05-14T09:20:00.000"
    assert (log.hit_lane[0], log.hit_chainage_m[0], log.hit_strength[0]) == ("1-024", 12.5, 6.0)


def test_approach_form__leaves_out_what_was_dug():
    text = text_of(approach_form(CANDIDATES, HEAD))
    assert "C001" in text
    assert "C002" not in text
    assert "E 480020.00 N 6000040.00 ± 0.40 m" in text


def test_approach_form__positions_in_the_units_of_the_job():
    assert "E 1574868.77" in text_of(approach_form(CANDIDATES, HEAD, metres_per_unit=0.3048))


# --- digs -----------------------------------------------------------------------------------


def test_dig_list__ready_first_then_what_is_on_hold():
    text = text_of(digs())
    assert text.index("Ready, in the order") < text.index("D001") < text.rindex("D002")
    assert "On hold: no valid permit: landowner" in text
    assert "10.00 m E of peg D001a (grid 090°)" in text
    assert "1.25 m ± 0.40 m" in text
    for caution in GENERAL:
        assert caution.heading in text


def test_dig_list__a_sheet_for_each_that_is_ready():
    sheets_ = [page for page in pages_of(digs()) if "hole swept again" in page]
    assert len(sheets_) == 1
    for words in ("D001: possible container", "Possible closed container.", "D001b 10.00 m"):
        assert words in sheets_[0]


def test_dig_list__closed_digs_are_left_out():
    gone = DIGS.with_columns(status=["gone", "dropped"])
    text = text_of(dig_list(gone, DIG_PEGS, HEAD, lonlat=np.zeros((2, 2))))
    assert "no dig" in text
    assert "D001" not in text


# --- the day --------------------------------------------------------------------------------


def test_day_page__says_what_to_walk_tomorrow():
    text = text_of(
        day_page(
            WALKING,
            HEAD,
            on=date(2026, 5, 14),
            covered_percent=[("pass 1", 97.25)],
            failed=["S001 function check K002"],
            warnings=["run `gridtools coverage` again"],
        )
    )
    for words in (
        "end of 2026-05-14", "pass 1 short 1-004", "pass 1 to walk 1-005", "80.00 m, 2 min",
        "97.25 %", "S001 function check K002", "run `gridtools coverage` again.",
    ):  # fmt: skip
        assert words in text


def test_day_page__nothing_left():
    done = [Standing(kind="pass 1", done=3, short=(), to_walk=(), left_m=0.0, left_s=0.0)]
    assert "No lane of the plan is left." in text_of(day_page(done, HEAD, on=None))
