"""Job files that are none, or no longer: every command refuses them and leaves their bytes."""

import sqlite3

import pytest

from ..commands import run


def view(path):
    db = sqlite3.connect(path)
    db.execute("ALTER TABLE tape RENAME TO other")
    db.execute("CREATE VIEW tape AS SELECT * FROM other")
    db.commit()
    db.close()


def dropped(path):
    db = sqlite3.connect(path)
    db.execute("DROP TABLE gpkg_contents")
    db.commit()
    db.close()


DAMAGE = {
    "empty": lambda path: path.write_bytes(b""),
    "text": lambda path: path.write_text("no job"),
    "header alone": lambda path: path.write_bytes(path.read_bytes()[:100]),
    "cut in half": lambda path: path.write_bytes(path.read_bytes()[: path.stat().st_size // 2]),
    "page size of none": lambda path: path.write_bytes(
        path.read_bytes()[:16] + b"\x00\x03" + path.read_bytes()[18:]
    ),
    "first page of noise": lambda path: path.write_bytes(
        path.read_bytes()[:100] + b"\xa5" * 3996 + path.read_bytes()[4096:]
    ),
    "no list of contents": dropped,
    "a view for a layer": view,
}


@pytest.mark.parametrize("name", DAMAGE)
def test_record__refuses_the_job(planned, tmp_path, name):
    DAMAGE[name](planned)
    note = tmp_path / "note.txt"
    note.write_text("1-001")
    before = planned.read_bytes()
    result = run("record", planned, note, code=1)
    assert len(result.err.splitlines()) == 1
    assert "job.gpkg" in result.err
    assert planned.read_bytes() == before
