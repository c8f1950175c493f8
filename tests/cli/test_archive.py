import csv
import hashlib
import io
import sqlite3
import zipfile
import zlib

import fiona
import pytest

from gridtools.job import Job
from gridtools.layers import ALL_LAYERS, Candidates, Hits, Lanes, Logs

from ..walks import lanes_of, walk_gpx

HOSTILE = '=cmd()\n<script>"it\'s" & 北'


@pytest.fixture
def walked(gridtools, tmp_path, planned):
    """Job with one log taken in, named so that no file system would take it."""
    lanes, crs = lanes_of(planned)
    log = tmp_path / "walk.gpx"
    log.write_text(walk_gpx(lanes, crs))
    gridtools("record", planned, log)
    db = sqlite3.connect(planned)
    with db:
        db.execute("UPDATE logs SET name = '../../etc/walk \"1\".gpx'")
        db.execute("UPDATE sessions SET operator = ?", (HOSTILE,))
    db.close()
    return planned, log.read_bytes()


def opened(path):
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None
        return {name: archive.read(name) for name in archive.namelist()}


def table(data):
    return list(csv.DictReader(io.StringIO(data.decode())))


def test_archive__holds_the_log_byte_for_byte(gridtools, tmp_path, walked):
    job, log = walked
    gridtools("archive", job, tmp_path / "a.zip")
    files = opened(tmp_path / "a.zip")
    (name,) = [name for name in files if name.startswith("logs/")]
    assert files[name] == log
    assert name.count("/") == 1


def test_archive__checksums_cover_every_other_file(gridtools, tmp_path, walked):
    gridtools("archive", walked[0], tmp_path / "a.zip")
    files = opened(tmp_path / "a.zip")
    sums = dict(line.split("  ")[::-1] for line in files["SHA256SUMS"].decode().splitlines())
    assert sums == {
        name: hashlib.sha256(data).hexdigest()
        for name, data in files.items()
        if name != "SHA256SUMS"
    }


def test_archive__job_in_it_is_a_job_with_the_same_rows(gridtools, tmp_path, walked):
    gridtools("archive", walked[0], tmp_path / "a.zip")
    copy = tmp_path / "copy.gpkg"
    copy.write_bytes(opened(tmp_path / "a.zip")["job.gpkg"])
    with Job.open(walked[0]) as job, Job.open(copy) as copied:
        assert all(job.digest(layer) == copied.digest(layer) for layer in ALL_LAYERS)


def test_archive__csv_of_every_layer_with_all_rows(gridtools, tmp_path, walked):
    gridtools("archive", walked[0], tmp_path / "a.zip")
    files = opened(tmp_path / "a.zip")
    with Job.open(walked[0]) as job:
        for layer in ALL_LAYERS:
            assert len(table(files[f"layers/{layer.table}.csv"])) == len(job.read(layer))
    with fiona.open(walked[0], layer="fixes") as fixes:
        first = next(iter(fixes))["geometry"]["coordinates"]
    row = table(files["layers/fixes.csv"])[0]
    assert (float(row["easting"]), float(row["northing"])) == pytest.approx(first, abs=1e-4)


def test_archive__hostile_words_are_text(gridtools, tmp_path, walked):
    gridtools("archive", walked[0], tmp_path / "a.zip")
    files = opened(tmp_path / "a.zip")
    assert table(files["layers/sessions.csv"])[0]["operator"] == ("'=cmd() <script>\"it's\" & 北")
    assert b'<script>"it' not in files["report.html"]
    for name, data in files.items():
        if name.startswith("layers/"):
            cells = [cell for row in csv.reader(io.StringIO(data.decode())) for cell in row]
            assert not [cell for cell in cells if cell.startswith(("=", "+", "@"))]


def test_archive__same_job_same_bytes(gridtools, tmp_path, walked):
    gridtools("archive", walked[0], tmp_path / "a.zip")
    gridtools("archive", walked[0], tmp_path / "b.zip")
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()


def test_archive__while_another_program_has_changes_in_its_wal(gridtools, tmp_path, planned):
    """The copy holds what is committed, though the file itself does not hold it yet."""
    db = sqlite3.connect(planned)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA wal_autocheckpoint = 0")
    with db:
        db.execute("INSERT INTO settings (key, value) VALUES ('late', 'yes')")
    gridtools("archive", planned, tmp_path / "a.zip")
    db.close()
    rows = table(opened(tmp_path / "a.zip")["layers/settings.csv"])
    assert [row["value"] for row in rows if row["key"] == "late"] == ["yes"]


def test_archive__refuses_an_existing_file(gridtools, tmp_path, planned):
    out = tmp_path / "a.zip"
    out.write_bytes(b"mine")
    assert "exists" in gridtools("archive", planned, out, code=1).err
    assert out.read_bytes() == b"mine"
    assert "ends in .zip" in gridtools("archive", planned, planned, code=1).err


def test_archive__damaged_log_is_named_and_leaves_nothing(gridtools, tmp_path, walked):
    db = sqlite3.connect(walked[0])
    with db:
        db.execute("UPDATE logs SET content = ?", (zlib.compress(b"other"),))
    db.close()
    before = sorted(tmp_path.iterdir())
    assert "log L001: its content is not what was taken in" in (
        gridtools("archive", walked[0], tmp_path / "a.zip", code=1).err
    )
    assert sorted(tmp_path.iterdir()) == before


def test_archive__says_what_is_what(gridtools, tmp_path, planned):
    gridtools("archive", planned, tmp_path / "a.zip")
    page = opened(tmp_path / "a.zip")["README.txt"].decode()
    assert "EPSG:32633" in page
    for word in ("job.gpkg", "report.html", "metadata.xml", "SHA256SUMS", *(
        layer.table for layer in (Lanes, Logs, Hits, Candidates)
    )):  # fmt: skip
        assert word in page


def test_archive__job_held_by_another_program_is_busy(gridtools, tmp_path, planned, monkeypatch):
    monkeypatch.setattr("gridtools.job.connection.BUSY_SECONDS", 0.1)
    db = sqlite3.connect(planned, isolation_level=None)
    db.execute("BEGIN EXCLUSIVE")
    result = gridtools("archive", planned, tmp_path / "a.zip", code=4)
    db.close()
    assert "try again" in result.err
    assert not (tmp_path / "a.zip").exists()


def test_archive__leaves_the_job_alone(gridtools, tmp_path, planned):
    before = planned.read_bytes()
    gridtools("archive", planned, tmp_path / "a.zip")
    assert planned.read_bytes() == before
