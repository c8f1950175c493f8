"""Each kind of damage is found and named, and a repaired copy is sound."""

import hashlib
import shutil
import sqlite3
import struct
import tracemalloc
import zlib

import pytest
import shapely

from gridtools.errors import InputError, MissingError, RefusedError
from gridtools.job import Job
from gridtools.job.check import REFERENCES, check_job
from gridtools.job.repair import repair_job
from gridtools.layers import ALL_LAYERS, Checks, Hits, Lanes, Logs, Sessions, Site, Tape

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
    "trigger named like one of the standard": (
        ["CREATE TRIGGER gpkg_t AFTER INSERT ON hits BEGIN DELETE FROM history; END"],
        "hits: a trigger of unknown make, gpkg_t, changes what is written",
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
    "not listed": (
        ["DELETE FROM gpkg_contents WHERE table_name = 'tape'"],
        "tape: the file does not list it, so no GIS shows it",
    ),
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


def test_check__another_geopackage_is_no_job(job):
    sql(job, "DROP TABLE site")
    with pytest.raises(MissingError, match="is a GeoPackage but not a job"):
        check_job(job)
    with pytest.raises(MissingError, match="is a GeoPackage but not a job"):
        repair_job(job, job.with_name("copy.gpkg"))
    assert not job.with_name("copy.gpkg").exists()


def test_check__a_log_that_grows_without_end_is_hashed_in_little_memory(job):
    content = zlib.compress(bytes(100_000_000))
    digest = hashlib.sha256(bytes(100_000_000)).hexdigest()
    sql(job, ("UPDATE logs SET content = ?, sha256 = ?", (content, digest)))
    tracemalloc.start()
    assert problems(job) == []
    assert tracemalloc.get_traced_memory()[1] < 40e6
    tracemalloc.stop()
    sql(job, ("UPDATE logs SET content = ?", (content[:-10],)))
    assert any("the bytes of L001" in problem for problem in problems(job))


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


def test_repair__reads_around_damaged_pages(job, tmp_path):
    db = sqlite3.connect(job)
    db.execute("DELETE FROM tape")
    db.executemany(
        "INSERT INTO tape (fid, tape_id, lane_id, struck) VALUES (?, ?, ?, 0)",
        [(i, f"T{i:03d}", "x" * 900) for i in range(101, 400)],
    )
    db.commit()
    db.close()
    data = job.read_bytes()
    at = data.index(b"T250") // 4096 * 4096
    job.write_bytes(data[:at] + b"\xff" * 4096 + data[at + 4096 :])
    losses = repair_job(job, tmp_path / "copy.gpkg")
    assert [loss.layer for loss in losses] == ["tape"]
    assert losses[0].problem.startswith("rows on damaged pages")
    with Job.open(tmp_path / "copy.gpkg") as repaired:
        left = repaired.read(Tape).tape_id.tolist()
        assert len(repaired.read(Lanes)) > 0
    assert left[0] == "T101"
    assert left[-1] == "T399"
    assert "T250" not in left
    assert 280 < len(left) < 299


def test_repair__a_layer_in_another_crs_is_left_out_and_named(job, tmp_path):
    """Its degrees would be taken for metres."""
    sql(job, "UPDATE gpkg_geometry_columns SET srs_id = 4326 WHERE table_name = 'hits'")
    (loss,) = repair_job(job, tmp_path / "copy.gpkg")
    assert (loss.layer, "CRS" in loss.problem) == ("hits", True)


def test_repair__text_that_is_no_utf_8(job, tmp_path):
    sql(job, "UPDATE sessions SET operator = CAST(x'41FF42' AS TEXT)")
    assert any("sessions" in problem for problem in problems(job))
    repair_job(job, tmp_path / "copy.gpkg")
    with Job.open(tmp_path / "copy.gpkg") as repaired:
        assert repaired.read(Sessions).operator.tolist() == ["A\N{REPLACEMENT CHARACTER}B"]


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
