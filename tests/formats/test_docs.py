"""What the documents promise is what the readers and writers do."""

import re
from pathlib import Path

import pyproj
import pytest
import shapely

from gridtools.formats.csv import has_csv_header
from gridtools.formats.gpx_names import shorten_names
from gridtools.formats.send import send_lanes
from gridtools.formats.tape_notes import read_tape_note
from gridtools.layers import Lanes

DOCS = Path(__file__).parents[2] / "docs"
LOGS = (DOCS / "logs.md").read_text(encoding="utf-8")
LANES = Lanes.build(
    geometry=[shapely.LineString([(400_000, 5_700_000), (400_000, 5_700_048.2)])] * 21,
    lane_id=[*(f"1-{i:03d}" for i in range(1, 21) if i != 3), "1-003a", "1-003b"],
    seq=range(1, 22),
    length_m=48.2,
    bearing_deg=14.0,
    true_bearing_deg=13.0,
    magnetic_bearing_deg=10.0,
)


def first_cells(heading):
    section = LOGS.split(f"## {heading}\n")[1].split("\n## ")[0]
    return re.findall(r"^\| `([^`]+)`", section, flags=re.MULTILINE)


@pytest.mark.parametrize("text", first_cells("Walked-lanes notes"))
def test_logs__every_note_shown_is_read(text):
    log = read_tape_note(text, "note.txt", LANES)
    assert len(log.tape_lane) + len(log.hit_lane)


def test_logs__notes_are_shown():
    assert len(first_cells("Walked-lanes notes")) == 11


@pytest.mark.parametrize("text", first_cells("CSV"))
def test_logs__every_header_shown_is_known(text):
    assert has_csv_header(text, "x.csv")


def test_gps__description_and_names_shown():
    text = (DOCS / "gps.md").read_text(encoding="utf-8")
    lanes = LANES.take(LANES.lane_id == "1-007").with_columns(seq=[3])
    shown = re.search(r"<desc>(.*)</desc>", send_lanes(lanes, crs=pyproj.CRS(32632)).data.decode())
    assert f"`{shown[1]}`" in text
    for limit in (6, 5):
        assert f"`{shorten_names(['1-003as'], limit)[0]}`" in text
