"""The report: what it says, that it is text throughout, and that it loads nothing."""

import base64
import hashlib
import io
import re
from datetime import UTC, datetime

import lxml.html
import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from gridtools.coverage.pod import PodWindow
from gridtools.handover.report import Contents, report
from gridtools.handover.report.evidence import evidence_cards
from gridtools.handover.report.pencil import MOST_LABELS, MOST_NAMED
from gridtools.handover.report.plan_map import nice, plan_map
from gridtools.handover.report.pod_image import PodImage
from gridtools.layers import (
    ALL_LAYERS,
    Candidates,
    Coverage,
    Digs,
    Evidence,
    Exclusion,
    Gaps,
    History,
    Lanes,
    Outcomes,
    Runs,
    SearchArea,
    Sessions,
    Settings,
    Site,
)
from gridtools.swath.cells import CellGrid
from gridtools.units import unit_vector

HOSTILE = "<script>alert(1)</script> \"' & =cmd()|\n</style>"
SQUARE = shapely.box(500000, 6000000, 500100, 6000080)


def contents(*layers, **more):
    return Contents(
        layers={type(layer): layer for layer in layers},
        name=more.pop("name", "Sallow Yard (invented)"),
        file_name="yard.gpkg",
        crs_name="WGS 84 / UTM zone 31N",
        crs_code="EPSG:32631",
        version="0.1.0",
        made_utc=datetime(2026, 5, 4, 12, tzinfo=UTC),
        **more,
    )


def page_of(*layers, **more):
    return lxml.html.fromstring(report(contents(*layers, **more)))


SITE = Site.build(geometry=[SQUARE], name=["Sallow Yard"])
AREA = SearchArea.build(geometry=[shapely.MultiPolygon([SQUARE])], confidence="full", area_m2=8e3)
LANES = Lanes.build(
    geometry=[shapely.LineString([(500010, 6000000), (500010, 6000080)])],
    lane_id=["1-001"], pass_no=1, length_m=80.0, bearing_deg=0.0,
)  # fmt: skip
RUNS = Runs.build(
    geometry=list(LANES.geometry), run_id=["S001-0001"], session_id="S001", lane_id="1-001",
    pass_no=1, length_m=80.0, accepted=True,
)  # fmt: skip
CANDIDATES = Candidates.build(
    geometry=[shapely.Point(500020, 6000040)], candidate_id=["C001"], p_metal=0.93,
    verdict="metal", hits=3, crossings=4, headings_hit="N, S", sigma_m=0.4, rank=1,
)  # fmt: skip


@pytest.mark.parametrize(
    ("layers", "words"),
    [
        ((), "boundary taken in, not yet planned"),
        ((SITE, LANES), "planned, not yet walked"),
        ((SITE, LANES, RUNS), "walked in part or whole"),
        ((SITE, LANES, RUNS, CANDIDATES), "walked and weighed"),
    ],
)
def test_report__any_stage(layers, words):
    assert words in page_of(*layers).text_content()


def test_report__figures_are_those_of_the_layers():
    coverage = Coverage.build(
        part=["pass 1", "both"], confidence="all", search_m2=8000.0, covered_m2=7600.0,
        percent=[95.125, 41.0], cautious_percent=np.nan, gaps=1, largest_gap_m2=400.0,
    )  # fmt: skip
    gaps = Gaps.build(
        geometry=[shapely.box(500090, 6000000, 500095, 6000080)], gap_id=["1-001"], pass_no=1,
        area_m2=400.0, width_m=5.0, reason="lane not walked 1-009",
    )  # fmt: skip
    text = page_of(SITE, AREA, LANES, RUNS, coverage, gaps, CANDIDATES).text_content()
    for figure in ("95.12 %", "41.00 %", "400.0 m²", "lane not walked 1-009", "93%", "± 0.40 m"):
        assert figure in text
    assert "cautious" not in text


def test_report__cautions_and_no_promise_at_any_stage():
    for layers in ((), (SITE, LANES, RUNS, CANDIDATES)):
        text = page_of(*layers).text_content()
        assert "A walked lane does not show that nothing is left in the ground." in text
        assert "Recognise that it may be one. Do not touch or move it." in text
        assert not re.search(r"\b(is|are) (clear|safe)\b", text)


def test_report__says_how_far_the_sweep_width_is_known():
    given_ = Settings.build(key=["sweep_width_m"], value="4.0", unit="m", basis="given")
    measured = given_.with_columns(basis="measured")
    assert "sweep width assumed, not tested" in page_of(given_).text_content()
    assert "sweep width measured by test passes" in page_of(measured).text_content()


def _hostile(layer):
    """One row of a layer with hostile text in every text column that is not its id."""
    columns = {
        c.name: HOSTILE for c in layer.columns() if c.kind.value == "text" and c.name != "cautions"
    }
    shape = {
        "Polygon": SQUARE,
        "MultiPolygon": shapely.MultiPolygon([SQUARE]),
        "LineString": LANES.geometry[0],
        "Point": shapely.Point(500020, 6000040),
    }.get(layer.geometry_type)
    if shape is not None:
        columns["geometry"] = [shape]
    return layer.build(1, **columns)


def test_report__hostile_names_are_text():
    html = report(contents(*(_hostile(layer) for layer in ALL_LAYERS), name=HOSTILE))
    assert html.lower().count("<script>") == 1
    assert html.lower().count("</style>") == 1
    page = lxml.html.fromstring(html)
    assert page.find(".//h1").text.split() == HOSTILE.split()
    handlers = [a for e in page.iter() for a in e.attrib if str(a).lower().startswith("on")]
    assert handlers == []


def test_report__policy_names_its_own_style_and_script():
    page = page_of(SITE, AREA, LANES)
    policy = page.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")[0]
    for tag in ("style", "script"):
        text = page.find(f".//{tag}").text
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy
    assert "default-src 'none'" in policy
    assert page.xpath("//*[@style]") == []


def test_report__loads_nothing():
    page = page_of(SITE, AREA, LANES, RUNS, CANDIDATES)
    links = page.xpath("//@href | //@src")
    assert links
    assert all(link.startswith("#") for link in links)
    assert "url(http" not in page.find(".//style").text
    assert "@import" not in page.find(".//style").text


def test_report__links_lead_somewhere_and_ids_are_unique():
    page = page_of(SITE, AREA, LANES, RUNS, CANDIDATES)
    ids = page.xpath("//@id")
    assert len(ids) == len(set(ids))
    assert {link[1:] for link in page.xpath("//@href")} <= set(ids)


def test_report__spoilt_history_is_left_out():
    history = History.build(entry=[1], command="new", options="{", inputs="[]", outputs="{}")
    assert "new" in page_of(history).text_content()


def test_report__outcomes_and_digs():
    digs = Digs.build(
        geometry=list(CANDIDATES.geometry), dig_id=["D001"], candidate_id="C001", rank=1,
        p_metal=0.93, depth_m=1.25, depth_sd_m=0.3, hours=2.0, hold="no permit", status="open",
    )  # fmt: skip
    outcomes = Outcomes.build(
        geometry=list(CANDIDATES.geometry), outcome_id=["O001"], dig_id="D001", found="tank",
        metal=True, length_m=2.0, width_m=1.0, height_m=1.0,
    )  # fmt: skip
    text = page_of(SITE, digs, outcomes).text_content()
    for words in ("1.25 m ± 0.30 m", "no permit", "2.00 m × 1.00 m × 1.00 m", "1, 1 on hold"):
        assert words in text


# --- the map --------------------------------------------------------------------------------


def test_plan_map__draws_where_things_are():
    drawn = plan_map(contents(SITE, AREA, LANES, CANDIDATES))
    groups = {g.key: g for g in drawn.groups}
    spot = groups["candidates"].spots[0]
    assert (drawn.west + spot.x, drawn.north - spot.y) == pytest.approx((500020, 6000040), abs=0.1)
    numbers = [float(n) for n in re.findall(r"-?\d+\.?\d*", groups["lanes-1"].shapes[0].path)]
    assert drawn.west + numbers[0] == pytest.approx(500010, abs=0.1)
    assert drawn.north - numbers[1] == pytest.approx(6000000, abs=0.1)
    assert drawn.north - numbers[3] == pytest.approx(6000080, abs=0.1)


def test_plan_map__whole_site_lies_inside():
    drawn = plan_map(contents(SITE))
    west, south, east, north = SQUARE.bounds
    assert drawn.west < west
    assert drawn.west + drawn.width > east
    assert drawn.north > north
    assert drawn.north - drawn.height < south


def test_plan_map__grid_is_labelled_in_the_units_of_the_job():
    foot = 0.3048
    drawn = plan_map(contents(SITE, metres_per_unit=foot))
    x, words = drawn.grid[0][0]
    assert (drawn.west + x) / foot == pytest.approx(float(words), abs=0.02)


def test_plan_map__lanes_give_way_to_what_was_walked():
    shown = {g.key: g.shown for g in plan_map(contents(SITE, LANES)).groups}
    assert shown["lanes-1"]
    shown = {g.key: g.shown for g in plan_map(contents(SITE, LANES, RUNS)).groups}
    assert not shown["lanes-1"]


def test_plan_map__crowds_are_thinned():
    count = MOST_NAMED + 1
    many = Exclusion.build(geometry=[SQUARE] * count, reason="pond")
    groups = {g.key: g for g in plan_map(contents(SITE, many)).groups}
    assert len(groups["exclusion"].shapes) == 1
    spots = Candidates.build(
        geometry=[shapely.Point(500020, 6000040)] * (MOST_LABELS + 1), candidate_id="C001",
        verdict="metal", p_metal=0.5,
    )  # fmt: skip
    assert {g.key: g for g in plan_map(contents(SITE, spots)).groups}["candidates"].crowded


def test_plan_map__nothing_without_a_site():
    assert plan_map(contents()) is None


@given(st.floats(1e-3, 1e6))
def test_nice__is_round_and_not_longer(length):
    step = nice(length)
    assert step <= length * (1 + 1e-9) < 2.5 * step * (1 + 1e-9)
    assert f"{step:.0e}"[0] in "125"


# --- the image of the POD -------------------------------------------------------------------


def test_pod_image__cells_lie_where_they_are_and_darken_with_the_chance():
    grid = CellGrid.over(shapely.box(0, 0, 6, 4), 1.0)
    image = PodImage(grid)
    chance = np.linspace(0, 1, 24).reshape(4, 6)
    inside = np.ones((4, 6), dtype=bool)
    inside[0, 0] = False
    (window,) = grid.windows(64)
    part = PodWindow(window, inside, chance, chance, np.zeros((4, 4, 6), np.uint8), chance)
    assert list(image.watch([part])) == [part]
    kind, data = image.uri().split(",", 1)
    assert kind == "data:image/png;base64"
    pixels = np.asarray(Image.open(io.BytesIO(base64.b64decode(data))).convert("RGBA")).astype(int)
    assert pixels.shape == (4, 6, 4)
    assert (pixels[..., 3] == 255).tolist() == inside.tolist()
    light = pixels[..., :3].sum(axis=2)
    assert light[3, 5] < light[1, 5] < light[0, 1]
    assert image.bounds_m == (0.0, 0.0, 6.0, 4.0)


def test_plan_map__places_the_image():
    drawn = plan_map(contents(SITE, pod_image="data:image/png;base64,", pod_bounds=SQUARE.bounds))
    _, x, y, width, height = drawn.image
    assert (drawn.west + x, drawn.north - y) == pytest.approx((500000, 6000080), abs=1e-3)
    assert (width, height) == pytest.approx((100, 80))


# --- the evidence ---------------------------------------------------------------------------


@given(st.floats(0, 359.9), st.floats(-3, 3))
def test_evidence__run_is_drawn_on_its_own_side(heading, lateral):
    """A candidate `lateral` to the right of a run: the run is drawn that far to its left."""
    evidence = Evidence.build(
        geometry=list(LANES.geometry), candidate_id="C001", run_id="S001-0001", hit_id="H0001",
        lateral_m=lateral, heading_deg=heading, responded=True,
    )  # fmt: skip
    (card,) = evidence_cards(CANDIDATES, evidence)
    (run,) = card.crossings
    ahead = np.array([run.x2 - run.x1, run.y1 - run.y2])
    ahead /= np.hypot(*ahead)
    assert ahead @ unit_vector(heading) > 0.999
    # To the centre, which stands at the origin, y up again.
    to_centre = np.array([-run.x, run.y])
    right = np.array([ahead[1], -ahead[0]])
    assert np.sign(round(float(to_centre @ right))) in (np.sign(lateral), 0)


def test_evidence__sentence_counts_headings():
    evidence = Evidence.build(
        geometry=[LANES.geometry[0]] * 3, candidate_id="C001",
        run_id=["S001-0001", "S001-0002", "S001-0003"], lateral_m=[0.5, -0.5, 1.0],
        heading_deg=[90.0, 92.0, 181.0], responded=[True, True, False],
    )  # fmt: skip
    (card,) = evidence_cards(CANDIDATES, evidence)
    assert card.sentence == "Responded on 090° (2 runs); silent on 181°."


def test_evidence__gone_candidates_are_not_drawn():
    assert evidence_cards(CANDIDATES.with_columns(status="gone"), Evidence.empty()) == []


def test_report__sessions_are_listed():
    sessions = Sessions.build(
        session_id=["S001"], operator="A. Walker", instrument="two-coil locator", struck=True
    )
    assert "S001 (struck out)" in page_of(SITE, LANES, RUNS, sessions).text_content()
