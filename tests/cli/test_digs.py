import sqlite3

import numpy as np
import pytest
import shapely

from gridtools.job import Job
from gridtools.layers import Candidates, DigPegs, Digs, Permits, Pinpoints

from ..commands import feature_collection
from ..pdf import pages_of

EAST, NORTH = 500_000.0, 5_800_000.0
LEAVE = ("--permit", "landowner,letter 3,2026-06-01,2026-06-30")
DAY = ("--on", "2026-06-10")


def write_found(path, count=3, depth_m=(1.0, 0.6, 1.6), pinned=None, **columns):
    """Candidates in a row 15 m apart, all of them pinpointed unless told otherwise."""
    xy = [(EAST + 12 + 15 * i, NORTH + 20) for i in range(count)]
    candidates = Candidates.build(
        count,
        geometry=list(shapely.points(xy)),
        candidate_id=[f"C{i + 1:03d}" for i in range(count)],
        p_metal=[0.99, 0.95, 0.9][:count], verdict="metal", sigma_m=0.5, strength=5.0,
        rank=np.arange(1, count + 1), **columns,
    )  # fmt: skip
    at = candidates.take(np.arange(count) if pinned is None else pinned)
    pinpoints = Pinpoints.build(
        len(at), geometry=at.geometry, candidate_id=at.candidate_id, approaches=4,
        semi_major_m=0.3, semi_minor_m=0.2, axis_deg=0.0,
        depth_m=[depth_m[int(i[1:]) - 1] for i in at.candidate_id], depth_sd_m=0.1,
        basis="offset rule",
    )  # fmt: skip
    with Job.open(path) as job, job.change("candidates") as change:
        change.replace(candidates)
        change.replace(pinpoints)


@pytest.fixture
def found(job):
    write_found(job)
    return job


def read(path, layer=Digs):
    with Job.open(path) as job:
        return job.read(layer)


def gis_update(path, sql, *values):
    """A change by another program, as a desktop GIS makes it: by SQL on the open file."""
    with sqlite3.connect(path) as gis:
        triggers = gis.execute(
            "SELECT name, sql FROM sqlite_master WHERE type='trigger' AND tbl_name='digs'"
        ).fetchall()
        for name, _ in triggers:
            gis.execute(f'DROP TRIGGER "{name}"')
        gis.execute(sql, values)
        for _, create in triggers:
            gis.execute(create)
    gis.close()


def test_digs__list_for_whoever_digs(gridtools, found):
    out = gridtools("digs", found, "--soil", "B", *DAY).out
    assert "3 digs ready" in out
    assert "D001: E 500012.00 N 5800020.00, centre 4.50 m S of peg D001a (grid 180°)" in out
    assert "4.50 m W of peg D001b" in out
    assert "protective system" in out
    assert "competent person" in out
    digs, pegs = read(found), read(found, DigPegs)
    assert sorted(digs.visit.tolist()) == [1, 2, 3]
    assert len(pegs) == 6
    assert not any(word in out.lower() for word in ("safe", "is clear", "cleared"))


def test_digs__what_a_person_wrote_in_a_gis_survives(gridtools, found):
    gridtools("digs", found, *DAY)
    before = dict(zip(read(found).dig_id, read(found).candidate_id, strict=True))
    gis_update(found, "UPDATE digs SET note='gate code' WHERE dig_id='D002'")
    gis_update(found, "UPDATE digs SET status='dropped', note='rock' WHERE dig_id='D003'")
    gis_update(found, "UPDATE digs SET expected='scrap' WHERE dig_id='D001'")
    write_found(found, 2)
    gridtools("digs", found, *DAY)
    digs = read(found)
    written = dict(
        zip(digs.dig_id, zip(digs.status, digs.expected, digs.note, strict=True), strict=True)
    )
    assert written == {
        "D001": ("open", "scrap", ""), "D002": ("open", "", "gate code"),
        "D003": ("dropped", "", "rock"),
    }  # fmt: skip
    assert dict(zip(digs.dig_id, digs.candidate_id, strict=True)) == before
    assert digs.consequence[digs.dig_id == "D001"].tolist() == ["scrap"]
    assert digs.rank[digs.dig_id == "D002"].tolist() == [1]


def test_digs__a_row_with_a_note_whose_candidate_is_gone_stays_as_gone(gridtools, found):
    gridtools("digs", found, *DAY)
    gis_update(found, "UPDATE digs SET note='ask again' WHERE candidate_id='C003'")
    write_found(found, 2)
    gridtools("digs", found, *DAY)
    gone = read(found).take(read(found).candidate_id == "C003")
    assert (gone.status.tolist(), gone.note.tolist()) == (["gone"], ["ask again"])
    write_found(found, 3)
    gridtools("digs", found, *DAY)
    back = read(found).take(read(found).candidate_id == "C003")
    assert (back.dig_id[0], back.status[0], back.note[0]) == (gone.dig_id[0], "open", "ask again")


def test_digs__permits_hold_what_the_job_requires(gridtools, found):
    first = gridtools("digs", found, "--require", "landowner", "--json", *DAY).json
    assert first["ready"] == []
    assert first["digs"][0]["hold"] == "no landowner permit"
    second = gridtools("digs", found, *LEAVE, *LEAVE, "--json", *DAY).json
    assert len(second["ready"]) == 3
    gridtools("digs", found, *LEAVE, *DAY)
    assert read(found, Permits).permit_id.tolist() == ["P001"]
    late = gridtools("digs", found, "--json", "--on", "2026-07-01").json
    assert late["digs"][0]["hold"] == "landowner permit letter 3 ended 2026-06-30"
    assert late["picked"] == []


def test_digs__day_checked_is_kept_and_said(gridtools, planned):
    found = planned
    write_found(found)
    words = "Permits checked for 10 June 2026; make the list again for another day."
    assert words in gridtools("digs", found, *DAY).out
    with Job.open(found) as job:
        assert job.setting("digs_checked_on").text == "2026-06-10"
    gridtools("sheets", found, found.parent / "sheets")
    assert "Permits checked for 10 June 2026" in " ".join(
        " ".join(pages_of(found.parent / "sheets" / "digs.pdf")).split()
    )


@pytest.mark.parametrize("end", [".gpx", ".csv", ".kml", ".geojson", ".dxf"])
def test_digs__only_those_ready_are_sent_unless_all_are_asked_for(gridtools, job, end):
    write_found(job, pinned=[0, 1])
    gridtools("digs", job, *DAY)
    gis_update(job, "UPDATE digs SET status='dug' WHERE dig_id='D002'")
    out = job.parent / f"digs{end}"
    result = gridtools("send", job, out, "--layer", "digs")
    text = out.read_text()
    assert "D001" in text
    assert not any(dig in text for dig in ("D002", "D003"))
    assert "2 digs that are not ready are left out" in result.err
    gridtools("send", job, out, "--layer", "digs", "--all")
    text = out.read_text()
    assert "D002 DUG" in text
    assert "D003 HOLD" in text
    if end != ".dxf":  # which has names only
        assert "pinpoint first" in text
        assert "possible closed container" in text
    if end in (".gpx", ".csv"):
        assert "Permits checked for 10 June 2026" in text


def test_digs__a_unit_too_short_for_the_hold_in_a_name_is_refused(gridtools, job):
    write_found(job, pinned=[0, 1])
    gridtools("digs", job, *DAY)
    args = ("send", job, job.parent / "a.gpx", "--layer", "digs", "--all", "--max-name", "6")
    assert "at least 9 characters" in gridtools(*args, code=1).err


@pytest.mark.parametrize(
    "option", ["--budget=nan", "--budget=inf", "--rate=inf", "--rate=nan", "--least-chance=nan",
               "--tolerance=nan"],
)  # fmt: skip
def test_digs__numbers_are_finite(gridtools, found, option):
    assert "Error" in gridtools("digs", found, option, *DAY, code=2).err


def test_outcomes__of_a_dig_on_hold_are_taken_in_with_a_note(gridtools, job):
    write_found(job, pinned=[0, 1])
    gridtools("digs", job, *DAY)
    file = job.parent / "out.csv"
    file.write_text("dig,found,metal\nD003,bolt,yes\nD001,bolt,yes\n")
    err = gridtools("outcomes", job, file).err
    assert "D003 has an outcome, but was on hold: pinpoint first" in err
    assert "D001 has an outcome" not in err


def test_digs__budget(gridtools, found):
    whole = gridtools("digs", found, "--json", *DAY).json
    hours = {d["dig_id"]: d["hours"] for d in whole["digs"]}
    some = gridtools("digs", found, "--budget", hours["D001"] + hours["D002"], "--json", *DAY).json
    assert sorted(some["picked"]) == ["D001", "D002"]
    assert some["hours"] == pytest.approx(hours["D001"] + hours["D002"])


def test_digs__without_a_pinpoint_on_hold(gridtools, job):
    write_found(job, pinned=[0, 1])
    result = gridtools("digs", job, "--json", *DAY).json
    assert result["on_hold"] == ["D003"]
    assert "pinpoint first" in gridtools("digs", job, *DAY).out


def test_digs__service_near_by(gridtools, found, tmp_path):
    line = {"type": "LineString", "coordinates": [[EAST + 14, NORTH], [EAST + 14, NORTH + 40]]}
    pipe = feature_collection(tmp_path / "pipe.geojson", [(line, {"kind": "gas pipe"})])
    gridtools("area", found, "--interference", pipe, "--standoff", "2m")
    result = gridtools("digs", found, "--json", *DAY).json
    first = {d["dig_id"]: d for d in result["digs"]}["D001"]
    assert "hand dig near a service (gas pipe" in first["cautions"]
    assert "tolerance zone" in first["hold"]
    assert "taken as gas pipe: service" in gridtools("digs", found, *DAY).err


def test_digs__settings_are_kept_and_feet_are_understood(gridtools, found):
    gridtools("digs", found, "--soil", "A", "--upright-to", "3ft", "--by", "machine", *DAY)
    before = read(found)
    gridtools("digs", found, *DAY)
    assert read(found).volume_m3.tolist() == before.volume_m3.tolist()
    with Job.open(found) as job:
        assert job.setting("upright_to_m").number == pytest.approx(0.9144)
        assert (job.setting("soil").text, job.setting("dig_by").text) == ("A", "machine")
    assert "5 ft" in gridtools("digs", found, "--upright-to", "6ft", code=1).err


def test_digs__expect(gridtools, found):
    gridtools("digs", found, *DAY)
    gridtools("digs", found, "--expect", "D001=scrap", *DAY)
    digs = read(found)
    assert digs.consequence[digs.dig_id == "D001"].tolist() == ["scrap"]
    assert digs.rank[digs.dig_id == "D001"].tolist() == [3]
    gridtools("digs", found, "--expect", "D001=unknown", *DAY)
    assert read(found).expected.tolist() == ["", "", ""]
    assert "there is no dig D009" in gridtools("digs", found, "--expect", "D009=scrap", code=1).err
    assert "write a dig" in gridtools("digs", found, "--expect", "D001=gold", code=1).err


def test_digs__bad_input_leaves_the_job_as_it_was(gridtools, found):
    gridtools("digs", found, *DAY)
    before = found.read_bytes()
    assert "not a permit" in gridtools("digs", found, "--permit", "landowner", code=1).err
    assert "kind of permit" in gridtools("digs", found, "--require", "king", code=1).err
    gridtools("digs", found, "--soil", "D", code=2)
    assert found.read_bytes() == before


def test_digs__nothing_found_yet(gridtools, job):
    result = gridtools("digs", job, *DAY)
    assert "0 digs ready" in result.out
    assert "gridtools candidates" in result.err


def test_digs__same_job_same_bytes(gridtools, found):
    gridtools("digs", found, "--budget", "20", *DAY)
    first, pegs = read(found), read(found, DigPegs)
    gridtools("digs", found, "--budget", "20", *DAY)
    second, again = read(found), read(found, DigPegs)
    assert [g.wkb for g in first.geometry] == [g.wkb for g in second.geometry]
    assert [g.wkb for g in pegs.geometry] == [g.wkb for g in again.geometry]
    assert first.visit.tolist() == second.visit.tolist()


def test_digs__sheet(gridtools, planned, tmp_path):
    write_found(planned, pinned=[0, 1])
    gridtools("digs", planned, *DAY)
    gridtools("sheets", planned, tmp_path / "sheets")
    pages = pages_of((tmp_path / "sheets" / "digs.pdf").read_bytes())
    own = [page[:5].rstrip(":") for page in pages if "hole swept again" in page]
    assert sorted(own) == ["D001", "D002"]
    text = " ".join(pages)
    assert "of peg D001a" in text
    assert "On hold: pinpoint first" in text
    assert "competent person" in text
    assert "52.3" in text


def test_digs__sent_to_a_gps_unit(gridtools, found, tmp_path):
    gridtools("digs", found, *DAY)
    gridtools("send", found, tmp_path / "digs.gpx", "--layer", "digs")
    assert b"<name>D001</name>" in (tmp_path / "digs.gpx").read_bytes()


def test_digs__a_job_in_feet(gridtools, tmp_path):
    """Holes are sized in metres whatever the unit of the CRS; positions are in its own unit."""
    east, north = 2_000_000.0, 600_000.0
    ring = [[east + x, north + y] for x, y in ((0, 0), (300, 0), (300, 300), (0, 300), (0, 0))]
    site = {"type": "Polygon", "coordinates": [ring]}
    path = tmp_path / "feet.gpkg"
    file = feature_collection(tmp_path / "site.geojson", [(site, {})], 2264)
    gridtools("new", path, "--site", file, "--crs", "EPSG:2264")
    foot = 1200 / 3937
    place = [shapely.Point((east + 150) * foot, (north + 150) * foot)]
    with Job.open(path) as job, job.change("candidates") as change:
        change.replace(
            Candidates.build(
                1, geometry=place, candidate_id=["C001"], p_metal=0.9, sigma_m=0.5, rank=[1]
            )
        )
        change.replace(
            Pinpoints.build(
                1,
                geometry=place,
                candidate_id=["C001"],
                semi_major_m=0.3,
                semi_minor_m=0.2,
                axis_deg=0.0,
                depth_m=1.0,
                depth_sd_m=0.0,
            )
        )
    out = gridtools("digs", path, "--soil", "B", *DAY).out
    assert "E 2000150.00 N 600150.00" in out
    assert read(path).volume_m3[0] == pytest.approx(5.61333, abs=1e-4)
