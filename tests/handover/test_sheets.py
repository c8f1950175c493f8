import re
from datetime import date
from zoneinfo import ZoneInfo

import lxml.html
import numpy as np
import pytest
import shapely

from gridtools.formats.tape_notes import read_tape_note
from gridtools.handover import cautions
from gridtools.handover.sheets import WALKED_EXAMPLES, hit_form, lane_sheet, walked_form
from gridtools.layers import Infill, Lanes, Pegs, Recheck

JOB = {
    "job_name": "Yard <one> & two",
    "crs_name": "WGS 84 / UTM zone 30N",
    "spacing_m": 2.0,
    "sweep_width_m": 4.0,
}


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


def sheet(lanes=None, **options):
    options = {**JOB, "bearing_date": date(2026, 5, 4), **options}
    return lane_sheet(lanes_of() if lanes is None else lanes, **options)


def documents():
    return {
        "lanes": sheet(),
        "hits": hit_form(**JOB),
        "walked": walked_form(job_name=JOB["job_name"]),
    }


def text_of(html):
    page = lxml.html.fromstring(html)
    for style in page.iter("style"):
        style.text = ""
    return re.sub(r"\s+", " ", page.text_content())


def rows_of(html, section):
    table = lxml.html.fromstring(html).xpath(f"//table[@data-section='{section}']")[0]
    return {
        r.get("data-lane"): re.sub(r"\s+", " ", r.text_content()) for r in table.xpath("./tbody/tr")
    }


def test_lane_sheet__lanes_stand_by_pass_in_walking_order():
    html = sheet()
    assert list(rows_of(html, "pass-1")) == ["1-001", "1-002"]
    assert list(rows_of(html, "pass-2")) == ["2-001"]


def test_lane_sheet__row_says_what_the_walker_needs():
    row = rows_of(sheet(), "pass-1")["1-002"]
    for wanted in ("1-002s", "1-002f", "50.0 m", "007.9°", "grid 010.0°", "true 009.2°"):
        assert wanted in row
    assert "forward" in row
    assert "backward" in row


def test_lane_sheet__every_row_has_a_tick_box():
    page = lxml.html.fromstring(sheet())
    rows = page.xpath("//table[@data-section]/tbody/tr")
    assert len(rows) == 3
    assert all(row.xpath(".//span[@class='box']") for row in rows)


def test_lane_sheet__dates_the_magnetic_bearing_on_every_page():
    """The table head, which is repeated on each page, carries the date, the pass and the sweep."""
    head = lxml.html.fromstring(sheet()).xpath("//table[@data-section='pass-2']/thead")[0]
    text = re.sub(r"\s+", " ", head.text_content())
    assert "magnetic bearing for 2026-05-04" in text
    assert "Pass 2" in text
    assert "sweep width assumed, not tested" in text


def test_lane_sheet__says_how_the_bearings_differ():
    """9.2 true is 7.9 magnetic plus 1.3, and 10.0 grid less 0.8."""
    assert "true = magnetic +1.3°; true = grid -0.8°" in text_of(sheet())


def test_lane_sheet__north_is_000_not_360():
    row = rows_of(sheet(lanes_of(magnetic_bearing_deg=359.97)), "pass-1")["1-001"]
    assert "000.0°" in row
    assert "360.0" not in row


def test_lane_sheet__unknowns_are_not_made_up():
    lanes = lanes_of(magnetic_bearing_deg=np.nan, true_bearing_deg=np.nan)
    html = sheet(lanes, bearing_date=None, spacing_m=None, sweep_width_m=None)
    assert "–" in rows_of(html, "pass-1")["1-001"]
    text = text_of(html)
    assert "nan" not in text.lower()
    assert "date unknown" in text
    assert "ane spacing not set" in text
    assert "weep width not set" in text


@pytest.mark.parametrize(
    ("basis", "said"),
    [
        ("given", "sweep width assumed, not tested"),
        ("measured", "sweep width measured by test passes"),
    ],
)
def test_lane_sheet__sweep_width_with_its_basis(basis, said):
    assert said in text_of(sheet(sweep_basis=basis))


def test_lane_sheet__infill_and_recheck_have_their_own_sections():
    infill = lanes_of(Infill, ids=("1-i001",), seq=(9,), reason="closes gap 1-004")
    recheck = lanes_of(Recheck, ids=("r001",), seq=(9,), reason="heading not yet walked")
    html = sheet(infill=infill, recheck=recheck)
    assert "closes gap 1-004" in rows_of(html, "infill")["1-i001"]
    assert "heading not yet walked" in rows_of(html, "recheck")["r001"]


def test_lane_sheet__no_sections_without_rows():
    html = sheet(infill=Infill.empty(), recheck=Recheck.empty(), pegs=Pegs.empty())
    assert "Infill" not in html
    assert "Recheck" not in html
    assert "Pegs to set out" not in html


def test_lane_sheet__pegs_are_listed_and_stand_beside_their_lane():
    pegs = Pegs.build(
        geometry=[shapely.Point(0, 0), shapely.Point(0, 25)],
        peg_id=["1-001s", "P001"],
        role=["lane end", "intermediate"],
        lane_id=["1-001", "1-001"],
        local_e_m=[0.0, 0.0],
        local_n_m=[0.0, 25.0],
        tape_m=[0.0, 25.0],
    )
    html = sheet(pegs=pegs)
    assert "P001 at 25.0 m" in rows_of(html, "pass-1")["1-001"]
    listed = lxml.html.fromstring(html).xpath("//table[@class='pegs']/tbody/tr")
    assert [re.sub(r"\s+", " ", r.text_content()) for r in listed] == [
        "1-001slane end1-0010.000.000.00",
        "P001intermediate1-00125.000.0025.00",
    ]


def test_lane_sheet__draws_each_lane_once_in_its_section():
    page = lxml.html.fromstring(sheet(outline=shapely.box(0, 0, 2, 50)))
    drawings = page.xpath("//svg")
    assert [len(d.xpath("./line")) for d in drawings] == [2, 1]


def test_hit_form__has_the_headings_and_room():
    page = lxml.html.fromstring(hit_form(**JOB, pages=3))
    tables = page.xpath("//table[contains(@class, 'hits')]")
    assert len(tables) == 3
    for table in tables:
        heads = [h.text_content() for h in table.xpath("./thead/tr[2]/th")]
        assert heads == [
            "time", "lane", "chainage m", "direction", "strength", "part", "remark",
        ]  # fmt: skip
    assert all(len(t.xpath("./tbody/tr")) >= 6 for t in tables)


def test_hit_form__checks_at_start_break_and_finish():
    page = lxml.html.fromstring(hit_form(**JOB))
    rows = page.xpath("//table[contains(@class, 'checks')]/tbody/tr")
    when = [r.xpath("./td")[0].text_content() for r in rows]
    assert when[0] == "start"
    assert when[-1] == "finish"
    assert set(when[1:-1]) == {"break"}
    assert all(r.text_content().count("failed") == 2 for r in rows)


def test_hit_form__prints_the_whole_pre_start_list_with_boxes():
    page = lxml.html.fromstring(hit_form(**JOB))
    rows = page.xpath("//table[@class='pre-start']/tbody/tr")
    assert len(rows) == len(cautions.PRE_START)
    assert all(r.xpath(".//span[@class='small-box']") for r in rows)
    for row, caution in zip(rows, cautions.PRE_START, strict=True):
        assert caution.text in row.text_content()


@pytest.mark.parametrize(
    "field", ["operator", "instrument", "motion / static", "weather", "ground"]
)
def test_hit_form__session_head(field):
    cells = lxml.html.fromstring(hit_form(**JOB)).xpath("(//table)[1]//td")
    assert any(field in c.text_content() for c in cells)


def test_walked_form__shows_how_to_write_a_note():
    text = text_of(documents()["walked"])
    assert "1-001 to 1-020 in order, missed 1-007" in text
    assert all(example in text for example, _ in WALKED_EXAMPLES)


def test_walked_examples__mean_what_the_form_says():
    """The reader of notes takes them, and finds the stretches that the form promises."""
    lanes = Lanes.build(
        geometry=[shapely.LineString([(0, k), (50, k)]) for k in range(30)],
        lane_id=[f"1-{k + 1:03d}" for k in range(30)],
        pass_no=1,
        length_m=50.0,
    )
    note = "\n".join(example for example, _ in WALKED_EXAMPLES)
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


@pytest.mark.parametrize("name", ["lanes", "hits", "walked"])
def test_documents__stand_alone(name):
    """No script, nothing to load, and no colour but black and white."""
    html = documents()[name]
    page = lxml.html.fromstring(html)
    assert not page.xpath("//script | //link | //img | //iframe | //object | //@src | //@href")
    assert not re.search(r"https?:|@import|url\((?!#)", html)
    assert set(re.findall(r"#[0-9a-fA-F]{3,6}\b", html)) <= {"#000", "#fff"}


@pytest.mark.parametrize("name", ["lanes", "hits", "walked"])
def test_documents__carry_the_cautions_and_promise_nothing(name):
    text = text_of(documents()[name])
    assert cautions.DEFERENCE in text
    assert cautions.NO_PROOF in text
    assert not re.search(r"\b(safe|clear)", text, flags=re.IGNORECASE)


@pytest.mark.parametrize("name", ["lanes", "hits", "walked"])
def test_documents__escape_what_people_typed(name):
    html = documents()[name]
    assert "<one>" not in html
    assert "Yard <one> & two" in text_of(html)


@pytest.mark.parametrize("name", ["lanes", "hits", "walked"])
def test_documents__same_input_same_bytes(name):
    assert documents()[name] == documents()[name]
