"""Each kind of damage is found and named, and a repaired copy is sound."""

import shutil
import sqlite3
import struct

import pytest
import shapely

from gridtools.errors import InputError, RefusedError
from gridtools.job import Job
from gridtools.job.check import REFERENCES, check_job
from gridtools.job.repair import repair_job
from gridtools.layers import ALL_LAYERS, Checks, Hits, Lanes, Logs, Site

from ..commands import run


@pytest.fixture(scope="module")
def sound(tmp_path_factory, made):
    """A job with lanes, a session without fixes and a log."""
    folder = tmp_path_factory.mktemp("check")
    job = folder / "job.gpkg"
    shutil.copy(made["planned"], job)
    note = folder / "note.txt"
    note.write_text("2026-05-14\n09:00 1-001 to 1-004 in order\nhit 1-002 at 12.5 m\n")
    run("record", job, note, "--tz", "UTC", "--check-start", "pass")
    return job


@pytest.fixture
def job(sound, tmp_path):
    return shutil.copy(sound, tmp_path / "job.gpkg")


def sql(path, *statements):
    """Edit a job as a program without spatial functions does: triggers that need them are gone."""
    db = sqlite3.connect(path)
    for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        if name.startswith(("rtree_", "changed_")):
            db.execute(f'DROP TRIGGER "{name}"')
    for statement in statements:
        db.execute(*statement) if isinstance(statement, tuple) else db.execute(statement)
    db.commit()
    db.close()


def problems(path):
    return [f"{finding.layer}: {finding.problem}" for finding in check_job(path)]


def test_check__a_sound_job(job):
    before = job.read_bytes()
    assert problems(job) == []
    assert job.read_bytes() == before


DAMAGE = {
    "missing layer": (["DROP TABLE tape"], "tape: the layer is missing"),
    "view for a layer": (
        ["ALTER TABLE tape RENAME TO other", "CREATE VIEW tape AS SELECT * FROM other"],
        "tape: the layer is a view, not a table",
    ),
    "missing column": (
        ["ALTER TABLE checks DROP COLUMN note"],
        "checks: columns are missing: note",
    ),
    "strange trigger": (
        ["CREATE TRIGGER t AFTER INSERT ON history BEGIN DELETE FROM history; END"],
        "history: a trigger of unknown make, t, changes what is written",
    ),
    "not a GeoPackage": (
        ["PRAGMA application_id = 0"],
        ": the file does not say at its head that it is a GeoPackage",
    ),
    "text for a number": (
        ["UPDATE lanes SET length_m = 'long' WHERE lane_id = '1-001'"],
        "length_m is 'long'",
    ),
    "no such session": (
        ["UPDATE checks SET session_id = 'S099'"],
        "checks: session_id S099 is not in layer sessions",
    ),
    "no such lane": (
        ["UPDATE runs SET lane_id = '9-999'"],
        "runs: lane_id 9-999 is not in layer lanes or infill or recheck",
    ),
    "same id twice": (
        ["UPDATE lanes SET lane_id = '1-001' WHERE lane_id = '1-002'"],
        "lane_id 1-001 appears twice",
    ),
    "log changed": (["UPDATE logs SET content = x'00'"], "logs: the bytes of L001"),
    "index emptied": (["DELETE FROM rtree_lanes_geom"], "lanes: the spatial index holds 0 boxes"),
}


@pytest.mark.parametrize("name", DAMAGE)
def test_check__damage_is_named(job, name):
    statements, words = DAMAGE[name]
    sql(job, *statements)
    assert any(words in problem for problem in problems(job)), problems(job)


def test_check__invalid_polygon(job):
    bow_tie = shapely.Polygon([(0, 0), (9, 9), (9, 0), (0, 9)])
    head = struct.pack("<2sBBi", b"GP", 0, 1, 0)
    sql(job, ("UPDATE site SET geom = ?", (head + shapely.to_wkb(bow_tie),)))
    assert any("site: 1 rows have a geometry that is not valid" in p for p in problems(job))


def test_check__damaged_pages(job):
    data = bytearray(job.read_bytes())
    page = int.from_bytes(data[16:18], "big")
    for at in range(10 * page, len(data) - page, 7 * page):
        data[at : at + 64] = b"\xff" * 64
    job.write_bytes(data)
    try:
        found = problems(job)
    except InputError as error:
        found = [str(error)]
    assert any("damaged" in problem for problem in found)


def test_references__are_columns_of_their_layers():
    for layer, column, targets in REFERENCES:
        assert column in {c.name for c in layer.columns()}
        assert all(target.id_column for target in targets)


def test_repair__copy_has_every_row_and_is_sound(job, tmp_path):
    copy = tmp_path / "copy.gpkg"
    assert repair_job(job, copy) == []
    assert problems(copy) == []
    with Job.open(job) as old, Job.open(copy) as new:
        for layer in ALL_LAYERS:
            was, now = old.read(layer), new.read(layer)
            extra = 1 if layer.table == "history" else 0
            assert len(now) == len(was) + extra, layer.table
            for column in layer.columns():
                values = getattr(now, column.name)[: len(was)]
                assert repr(values.tolist()) == repr(getattr(was, column.name).tolist())


def test_repair__brings_back_what_is_missing(job, tmp_path):
    """A job of an earlier version lacks layers and columns: the copy has them, empty."""
    sql(job, "DROP TABLE permits", "ALTER TABLE checks DROP COLUMN struck")
    copy = tmp_path / "copy.gpkg"
    losses = repair_job(job, copy)
    assert [loss.layer for loss in losses] == ["permits"]
    with Job.open(copy) as repaired:
        assert repaired.read(Checks).check_id.tolist() == ["K001"]
        assert len(repaired.read(Logs)) == 1


def test_repair__bad_values_become_unknown_and_bad_rows_are_named(job, tmp_path):
    sql(
        job,
        "UPDATE lanes SET length_m = 'long' WHERE lane_id = '1-001'",
        "UPDATE lanes SET geom = NULL WHERE lane_id = '1-002'",
        "UPDATE lanes SET lane_id = '1-003' WHERE lane_id = '1-004'",
    )
    losses = [loss.problem for loss in repair_job(job, tmp_path / "copy.gpkg")]
    assert len(losses) == 3
    with Job.open(tmp_path / "copy.gpkg") as repaired:
        lanes = repaired.read(Lanes)
        assert str(lanes.length_m[lanes.lane_id == "1-001"][0]) == "nan"
        assert "1-002" not in lanes.lane_id
        assert (lanes.lane_id == "1-003").sum() == 1
        assert len(repaired.read(Hits)) == 1


def test_repair__leaves_the_job_alone_and_overwrites_nothing(job, tmp_path):
    sql(job, "DROP TABLE tape")
    before = job.read_bytes()
    copy = tmp_path / "copy.gpkg"
    copy.write_bytes(b"mine")
    with pytest.raises(RefusedError):
        repair_job(job, copy)
    assert copy.read_bytes() == b"mine"
    assert job.read_bytes() == before


def test_repair__without_a_crs_says_so(job, tmp_path):
    sql(job, "DELETE FROM gpkg_geometry_columns")
    with pytest.raises(InputError, match="CRS"):
        repair_job(job, tmp_path / "copy.gpkg")


def test_repair__keeps_feature_ids(job, tmp_path):
    repair_job(job, tmp_path / "copy.gpkg")
    for table in (Site.table, Lanes.table, Hits.table):
        ids = []
        for path in (job, tmp_path / "copy.gpkg"):
            db = sqlite3.connect(path)
            ids.append(db.execute(f"SELECT fid FROM {table} ORDER BY fid").fetchall())
            db.close()
        assert ids[0] == ids[1]
