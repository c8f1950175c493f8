"""Killed programs, full disks, files and folders that cannot be written."""

import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest

from gridtools.job import Job
from gridtools.layers import Fixes, History, Lanes

WRITER = """
import sys
import numpy as np, shapely
from gridtools.job import Job
from gridtools.layers import Fixes, Lanes
path, first, count = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
n = 1500
ends = np.zeros((n, 2, 2)); ends[:, 1, 1] = 100.0
print("ready", flush=True)
for step in range(first, first + count):
    with Job.open(path) as job:
        with job.change("step", {"step": step}) as change:
            ends[:, :, 0] = step
            change.replace(Lanes.build(n, lane_id=[f"1-{i:03d}" for i in range(n)], pass_no=1,
                                       seq=step, geometry=list(shapely.linestrings(ends))))
            change.append(Fixes.build(n, fix_id=[f"F{step * n + i:07d}" for i in range(n)],
                                      session_id=f"S{step:03d}",
                                      geometry=shapely.points(np.full((n, 2), float(step)))))
            change.set("step", float(step))
    print("done", flush=True)
"""
HALF_DONE = """
import os, signal, sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("PRAGMA cache_spill = 1")
db.execute("PRAGMA cache_size = 1")
db.execute("BEGIN IMMEDIATE")
db.execute("UPDATE gpkg_contents SET description = 'half done'")
for i in range(3000):
    db.execute("INSERT INTO tape (tape_id, lane_id) VALUES (?, ?)", (f"T{i}", "x" * 500))
os.kill(os.getpid(), signal.SIGKILL)
"""
LANES = 1500


def state(path):
    """Step that all parts of the job agree on."""
    with Job.open(path) as job:
        lanes, fixes, history = job.read(Lanes), job.read(Fixes), job.read(History)
        setting = job.setting("step")
        db = job._store.db
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert db.execute("SELECT rtreecheck('rtree_lanes_geom')").fetchone() == ("ok",)
        boxes = db.execute("SELECT DISTINCT minx, maxx FROM rtree_lanes_geom").fetchall()
        counts = dict(db.execute("SELECT table_name, feature_count FROM gpkg_ogr_contents"))
    steps = len(history) - 1
    assert len(fixes) == steps * LANES == counts["fixes"]
    if steps:
        assert set(lanes.seq.tolist()) == {steps}
        assert boxes == [(steps, steps)]
        assert len(lanes) == LANES == counts["lanes"]
        assert set(fixes.session_id[-LANES:].tolist()) == {f"S{steps:03d}"}
        assert setting.number == steps
    return steps


def kill_while_writing(path, rng):
    """Kill a writing program at a random moment; whether it left a change unfinished."""
    before = state(path)
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), str(before + 1), "50"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    with writer:
        assert writer.stdout.readline() == b"ready\n", writer.stderr.read()
        start = time.monotonic()
        assert writer.stdout.readline() == b"done\n", writer.stderr.read()
        # At random within the next change or two, however fast the machine is just now.
        time.sleep(rng.uniform(0.0, 1.5) * (time.monotonic() - start))
        writer.send_signal(signal.SIGKILL)
    assert writer.returncode == -signal.SIGKILL
    unfinished = path.with_name(f"{path.name}-journal").exists()
    assert state(path) > before
    return unfinished


@pytest.mark.parametrize("mode", ["DELETE", "WAL"])
def test_killed__the_job_is_old_or_new(job_path, mode):
    sqlite3.connect(job_path).execute(f"PRAGMA journal_mode = {mode}").connection.close()
    rng = np.random.default_rng(1)
    for _ in range(5):
        kill_while_writing(job_path, rng)


@pytest.mark.slow
@pytest.mark.parametrize("mode", ["DELETE", "WAL"])
def test_killed__the_job_is_old_or_new_fifty_times(job_path, mode):
    sqlite3.connect(job_path).execute(f"PRAGMA journal_mode = {mode}").connection.close()
    rng = np.random.default_rng(2)
    unfinished = [kill_while_writing(job_path, rng) for _ in range(25)]
    assert any(unfinished) or mode == "WAL"  # in WAL mode no journal tells


def test_killed__in_the_middle_of_a_commit(job_path, run_script):
    """A hot journal, made for certain: the first thing that opens the job rolls it back."""
    assert run_script(HALF_DONE, job_path).returncode == -signal.SIGKILL
    assert job_path.with_name("yard.gpkg-journal").stat().st_size > 0
    assert b"half done" in job_path.read_bytes()
    assert state(job_path) == 0
    assert b"half done" not in job_path.read_bytes()


def test_two_writers_at_once__no_update_is_lost(job_path):
    """Each program tries until it gets through; all their rows are there at the end."""
    source = """
import sys
import shapely
from gridtools.errors import JobBusyError
from gridtools.job import Job
from gridtools.layers import Hits
path, start = sys.argv[1], int(sys.argv[2])
busy = 0
for i in range(start, start + 20):
    while True:
        try:
            with Job.open(path) as job:
                total = job.setting("total")
                total = total.number if total else 0.0
                with job.change("record") as change:
                    change.append(Hits.build(hit_id=[f"H{i:04d}"], geometry=[shapely.Point(i, 0)]))
                    change.set("total", total + 1.0)
            break
        except JobBusyError:
            busy += 1
print(busy)
"""
    writers = [
        subprocess.Popen([sys.executable, "-c", source, str(job_path), str(start)],
                         stdout=subprocess.PIPE, text=True)
        for start in (1, 101)
    ]  # fmt: skip
    for writer in writers:
        writer.communicate(timeout=120)
        assert writer.returncode == 0
    with Job.open(job_path) as job:
        assert job.setting("total").number == 40.0
        assert len(job.read(History)) == 41


def test_full_disk__the_job_is_as_it_was(job_path, run_script, lanes_of):
    """At every size of disk: one sentence, nothing changed, and a later change works."""
    source = """
import os, resource, signal, sys
import numpy as np, shapely
from gridtools.errors import FileError
from gridtools.job import Job
from gridtools.layers import Fixes
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
n = 20000
fixes = Fixes.build(n, fix_id=[f"F{i:07d}" for i in range(n)],
                    geometry=shapely.points(np.zeros((n, 2))))
size = os.path.getsize(sys.argv[1])
for more in (-size + 1, -size // 2, 1, 100_000, 1_000_000):
    resource.setrlimit(resource.RLIMIT_FSIZE, (size + more, resource.RLIM_INFINITY))
    try:
        with Job.open(sys.argv[1]) as job, job.change("record") as change:
            change.append(fixes)
    except FileError as error:
        print(error)
"""
    before = job_path.read_bytes()
    run = run_script(source, job_path)
    assert run.stderr == ""
    assert len(run.stdout.splitlines()) == 5, run.stdout
    for line in run.stdout.splitlines():
        assert line.startswith(f"{job_path}: the disk is full"), line
    assert state(job_path) == 0
    assert job_path.read_bytes() == before
    with Job.open(job_path) as job, job.change("lanes") as change:
        change.replace(lanes_of(["1-001"]))


def test_full_disk__at_each_page_in_turn(job_path, run_script):
    """The journal and the file grow page by page, until the change is through."""
    source = """
import os, resource, signal, sys
import numpy as np, shapely
from gridtools.errors import FileError
from gridtools.job import Job
from gridtools.layers import Fixes
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
n = 500
fixes = Fixes.build(n, fix_id=[f"F{i:07d}" for i in range(n)],
                    geometry=shapely.points(np.zeros((n, 2))))
size, full = os.path.getsize(sys.argv[1]), 0
for limit in [*range(512, 40 * 4096, 4096), *range(size, size + 100 * 4096, 4096)]:
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
    before = open(sys.argv[1], "rb").read()
    try:
        with Job.open(sys.argv[1]) as job, job.change("record") as change:
            change.append(fixes)
    except FileError as error:
        assert "nothing was written" in str(error), error
        # Where even putting back finds no room, whoever opens the job next does it.
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY,) * 2)
        Job.open(sys.argv[1]).close()
        assert open(sys.argv[1], "rb").read() == before
        full += 1
    else:
        assert full > 40, full
        print(full)
        break
"""
    run = run_script(source, job_path)
    assert run.stderr == ""
    assert int(run.stdout) > 40
    with Job.open(job_path) as job:
        assert len(job.read(Fixes)) == 500


def test_clock__set_back_between_two_changes(job_path, lanes_of, monkeypatch):
    """History, settings and what is stale go by order, not by the clock."""
    clock = iter([2e9, 2e9 + 5, 1e9, 1e9 - 5, 1e9 - 9, 1e9 - 9, *[1e9] * 20])
    monkeypatch.setattr("time.time", lambda: next(clock))
    with Job.open(job_path) as job, job.change("lanes", inputs=["spacing_m"]) as change:
        change.set("spacing_m", 2.0, "m")
        change.replace(lanes_of(["1-001"]))
    with Job.open(job_path) as job, job.change("spacing") as change:
        change.set("spacing_m", 3.0, "m")
    with Job.open(job_path) as job:
        history = job.read(History)
        assert history.command.tolist()[-2:] == ["lanes", "spacing"]
        assert history.entry.tolist() == sorted(history.entry.tolist())
        assert (history.seconds >= 0).all()
        assert history.start_utc[-1] < history.start_utc[-2]
        assert job.setting("spacing_m").number == 3.0
        assert job.stale() == {"lanes": ("spacing_m",)}
        job.metadata()


READER = """
import sys
from gridtools.errors import FileError
from gridtools.job import Job
from gridtools.layers import Lanes
# drop
with Job.open(sys.argv[1]) as job:
    print(job.read(Lanes).lane_id.tolist(), job.stale())
    try:
        with job.change("lanes") as change:
            change.replace(Lanes.empty())
    except FileError as error:
        print(error)
"""


@pytest.fixture
def lane_job(job_path, lanes_of):
    """A job in a folder that an ordinary user gets to.

    It is not under pytest's own folder: any pytest that starts closes that to others again.
    """
    with Job.open(job_path) as job, job.change("lanes") as change:
        change.replace(lanes_of(["1-001"]))
    with tempfile.TemporaryDirectory() as outer:
        folder = Path(outer) / "site"
        folder.mkdir()
        Path(outer).chmod(0o755)
        yield Path(shutil.move(job_path, folder / "yard.gpkg"))
        folder.chmod(0o755)


@pytest.mark.parametrize("mode", ["DELETE", "WAL"])
@pytest.mark.parametrize(("file_mode", "folder_mode"), [(0o444, 0o777), (0o666, 0o555),
                                                        (0o444, 0o555)])  # fmt: skip
def test_read_only__can_be_read_and_a_change_says_why_not(
    lane_job, run_script, mode, file_mode, folder_mode
):
    sqlite3.connect(lane_job).execute(f"PRAGMA journal_mode = {mode}").connection.close()
    lane_job.chmod(file_mode)
    lane_job.parent.chmod(folder_mode)
    run = run_script(READER, lane_job, ordinary_user=True)
    assert run.stderr == ""
    read, problem = run.stdout.splitlines()
    assert read == "['1-001'] {}"
    assert problem.startswith(f"{lane_job} ")
    assert "nothing was written" in problem


def test_read_only__with_a_change_waiting_beside_it(lane_job, run_script, lanes_of):
    """A job held open in WAL mode is read with the changes that stand in its -wal file."""
    holder = sqlite3.connect(lane_job)
    holder.execute("PRAGMA journal_mode = WAL")
    with Job.open(lane_job) as job, job.change("lanes") as change:
        change.replace(lanes_of(["1-001", "1-002"]))
    for path in lane_job.parent.iterdir():
        path.chmod(0o444)
    lane_job.parent.chmod(0o555)
    run = run_script(READER, lane_job, ordinary_user=True)
    holder.close()
    assert run.stdout.splitlines()[:1] == ["['1-001', '1-002'] {}"], run.stderr


OPENER = """
import sys
from gridtools.errors import FileError
from gridtools.job import Job
# drop
try:
    Job.open(sys.argv[1])
except FileError as error:
    print(error)
"""


def test_read_only__unreadable_file(lane_job, run_script):
    lane_job.chmod(0)
    run = run_script(OPENER, lane_job, ordinary_user=True)
    assert run.stdout.startswith(f"{lane_job} cannot be opened: its permissions"), run.stderr


def test_read_only__with_a_change_that_was_cut_short(lane_job, run_script):
    """Half a change can be neither read nor rolled back by who may not write."""
    assert run_script(HALF_DONE, lane_job).returncode == -signal.SIGKILL
    lane_job.parent.chmod(0o555)
    run = run_script(OPENER, lane_job, ordinary_user=True)
    assert run.stdout.startswith(f"{lane_job} cannot be opened: its last change"), run.stderr
    with Job.open(lane_job) as job:
        assert job.read(Lanes).lane_id.tolist() == ["1-001"]
