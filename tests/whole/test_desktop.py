"""Commands on a job that a desktop GIS has open and edits: both sides' changes are there."""

import random
import shutil
import sqlite3
import time
from pathlib import Path

import pytest

from gridtools.job import Job
from gridtools.layers import Candidates, Exclusion, Sessions

from ..crashes import contents, how_many
from ..desktop import desktop_on, is_there

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not is_there(), reason="PyQGIS is not installed for /usr/bin/python3"),
]
DRAWN = (
    "f = QgsFeature(z.fields()); f['reason'] = {0!r}; f['buffer_m'] = 0.0; "
    "f.setGeometry(QgsGeometry.fromWkt('POLYGON ((500001 5800001, 500002 5800001, "
    "500002 5800002, 500001 5800001))'))"
)


def save(tell, name):
    """Save the edits of a layer in the GIS, again while it says that the job is locked."""
    for again in range(200):
        said = tell(f"{name}.commitChanges(False), {name}.commitErrors()")
        if said.startswith("(True"):
            return again
        assert "locked" in said, said
        time.sleep(0.05)
    raise AssertionError(said)


@pytest.mark.parametrize("mode", ["WAL", "DELETE"])
def test_desktop__both_changes_are_there(forge, writers, tmp_path, mode, capsys):
    """Each round the GIS saves a note and a polygon while a command changes the same job.

    The command puts the same candidates in place again in one round of two.
    """
    job = Path(shutil.copy(writers["digs"].start, tmp_path / "job.gpkg"))
    rounds, generator = how_many("GRIDTOOLS_ROUNDS", 6) // 2, random.Random(mode)
    locked = busy = 0
    with desktop_on(job, tmp_path, mode) as tell:
        tell("x, z = layer('candidates'), layer('exclusion')")
        assert tell("x.startEditing(), z.startEditing()") == "(True, True)"
        with sqlite3.connect(job) as db:
            assert db.execute("PRAGMA journal_mode").fetchone()[0].upper() == mode
        db.close()
        for i in range(rounds):
            amend = ["amend", str(job), "S001", "--operator", f"W{i}", "--reason", "a name"]
            words = ["candidates", str(job)] if i % 2 else amend
            assert tell(f"note(x, 'C001', 'note {i}')") == "True"
            tell(DRAWN.format(f"hole {i}"))
            assert tell("z.addFeature(f)") == "True"
            pid = forge.start(words)
            time.sleep(generator.uniform(0.0, 0.3))
            locked += save(tell, "x")
            locked += save(tell, "z")
            code, said = forge.finish(pid)
            while code == 4:
                assert "again" in said
                busy += 1
                code, said = forge.run(words)
            assert code == 0, said
            with Job.open(job) as opened:
                candidates = opened.read(Candidates)
                operator = opened.read(Sessions).operator[0]
                drawn = opened.read(Exclusion).reason.tolist()
            assert candidates.note[candidates.candidate_id == "C001"].tolist() == [f"note {i}"]
            assert operator == f"W{i - i % 2}"
            assert drawn[-i - 1 :] == [f"hole {n}" for n in range(i + 1)]
    contents(job)
    with capsys.disabled():
        print(f"\n{mode}: {rounds} rounds, the GIS saved again {locked} times, commands {busy}")
