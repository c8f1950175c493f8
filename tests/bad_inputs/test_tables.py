"""Tables of test passes, outcomes and approaches that cannot be used."""

import pytest

from ..commands import run

TABLES = {
    "trials": ("spacing", "lateral_m,responded\n"),
    "outcomes": ("outcomes", "dig,found\n"),
    "approaches": ("pinpoint", "candidate_id,kind,heading_deg,x,y\n"),
}
#: Name to bytes; the header of the table stands for HEAD.
CASES = {
    "empty": b"",
    "header only": b"HEAD",
    "UTF-16": "lateral_m,responded\n".encode("utf-16"),
    "Latin-1": "HEADH\xf6he,1\n".encode("latin-1"),
    "NUL": b"HEAD\0,1\n",
    "other columns": b"a,b\n1,2\n",
    "too many cells": b"HEAD1,2,3,4,5,6,7\n",
    "quote not closed": b'HEAD"1,2\n',
    "JPEG": b"\xff\xd8\xff\xe0\x00\x10JFIF",
    "long line": b"HEAD" + b"9" * 200_000,
}


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize("name", CASES)
def test_table__refuses(planned, tmp_path, table, name):
    command, head = TABLES[table]
    path = tmp_path / "table.csv"
    path.write_bytes(CASES[name].replace(b"HEAD", head.encode()))
    before = planned.read_bytes()
    words = ["--job", planned, path] if command == "spacing" else [planned, path]
    result = run(command, *words, code=1)
    assert len(result.err.splitlines()) == 1
    assert "table.csv" in result.err
    assert len(result.err) - len(str(path)) < 300
    assert planned.read_bytes() == before


@pytest.mark.parametrize(
    "row", ["nan,yes", "inf,yes", "1_0,yes", "=1+1,yes", "1,maybe", ",yes", "1,"]
)
def test_trials__values(planned, tmp_path, row):
    path = tmp_path / "table.csv"
    path.write_text(f"lateral_m,responded\n{row}\n")
    before = planned.read_bytes()
    result = run("spacing", "--job", planned, path, code=1)
    assert "row 2" in result.err
    assert planned.read_bytes() == before


def test_record__a_log_over_a_gigabyte(planned, tmp_path):
    path = tmp_path / "walk.gpx"
    with path.open("wb") as out:
        out.truncate(1_000_000_001)  # sparse: it takes no space
    assert "walk.gpx is larger than 1 GB" in run("record", planned, path, code=1).err
