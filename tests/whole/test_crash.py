"""Commands killed at random moments, and commands that meet on one job."""

import json
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import shapely

from gridtools.columns import Kind
from gridtools.job import Job
from gridtools.layers import ALL_LAYERS, Sessions

from ..walks import START, lanes_of, walk_gpx

GRIDTOOLS = Path(sys.executable).parent / "gridtools"
#: When something was done differs between two runs of one command; nothing else may.
CLOCK = {("logs", "taken_utc"), ("settings", "set_utc"), ("history", "start_utc"),
         ("history", "seconds"), ("history", "options"), ("history", "inputs")}  # fmt: skip


def contents(path):
    """Everything that a job holds, but for the clock."""
    found = {}
    with Job.open(path) as job:
        for layer in ALL_LAYERS:
            rows = job.read(layer)
            columns = {
                c.name: [repr(v) for v in getattr(rows, c.name).tolist()]
                for c in layer.columns()
                if (layer.table, c.name) not in CLOCK
            }
            if layer.geometry_type:
                columns["geometry"] = shapely.to_wkb(rows.geometry, hex=True).tolist()
            found[layer.table] = columns
    assert any(c.kind is Kind.BLOB for layer in ALL_LAYERS for c in layer.columns())
    return json.dumps(found, sort_keys=True)


@pytest.fixture(scope="module")
def walked(tmp_path_factory, made):
    """A planned job, a log of its first pass, one of its second, and the job after the first."""
    folder = tmp_path_factory.mktemp("walked")
    job = Path(shutil.copy(made["planned"], folder / "job.gpkg"))
    lanes, crs = lanes_of(job)
    logs = []
    for number in (1, 2):
        log = folder / f"pass-{number}.gpx"
        start = START + np.timedelta64(number, "D").astype(object)
        log.write_text(walk_gpx(lanes.take(lanes.pass_no == number), crs, start=start))
        logs.append(log)
    recorded = Path(shutil.copy(job, folder / "recorded.gpkg"))
    subprocess.run([GRIDTOOLS, "record", recorded, logs[0]], check=True, capture_output=True)
    return job, recorded, logs


def kill_at_random(words, job, before, after, moment, scratch):
    """Run a command on a copy of a job, kill it, and say whether the job was old or new."""
    copy = Path(shutil.copy(job, scratch / "job.gpkg"))
    process = subprocess.Popen(
        [GRIDTOOLS, words[0], copy, *words[1:]],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    time.sleep(moment)
    process.send_signal(signal.SIGKILL)
    process.wait()
    found = contents(copy)
    assert found in (before, after), "the job is neither old nor new"
    for leftover in scratch.glob("job.gpkg*"):
        leftover.unlink()
    return "new" if found == after else "old"


@pytest.mark.slow
@pytest.mark.parametrize("command", ["record", "coverage"])
def test_kill__job_is_old_or_new(walked, tmp_path, command, capsys):
    """25 kills each; the moments spread over the second half, where the writing is."""
    job, recorded, logs = walked
    start = {"record": job, "coverage": recorded}[command]
    words = {"record": ["record", logs[0]], "coverage": ["coverage"]}[command]
    done = Path(shutil.copy(start, tmp_path / "done.gpkg"))
    began = time.monotonic()
    subprocess.run([GRIDTOOLS, words[0], done, *words[1:]], check=True, capture_output=True)
    took = time.monotonic() - began
    before, after = contents(start), contents(done)
    assert before != after
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    generator = random.Random(2026)
    seen = [
        kill_at_random(words, start, before, after, took * generator.uniform(0.5, 1.05), scratch)
        for _ in range(25)
    ]
    with capsys.disabled():
        print(f"\n{command}: {seen.count('old')} old, {seen.count('new')} new of {len(seen)}")


def test_two_at_once__no_update_is_lost(walked, tmp_path):
    """Both logs are recorded at once: who comes second says so and is done by trying again."""
    job, _, logs = walked
    copy = Path(shutil.copy(job, tmp_path / "job.gpkg"))
    both = [
        subprocess.Popen([GRIDTOOLS, "record", copy, log], stderr=subprocess.PIPE, text=True)
        for log in logs
    ]
    errors = [process.communicate()[1] for process in both]
    codes = [process.returncode for process in both]
    assert 0 in codes
    assert set(codes) <= {0, 4}, errors
    for code, log, error in zip(codes, logs, errors, strict=True):
        if code == 4:
            assert "again" in error
            subprocess.run([GRIDTOOLS, "record", copy, log], check=True, capture_output=True)
    with Job.open(copy) as opened:
        assert opened.read(Sessions).session_id.tolist() == ["S001", "S002"]
        assert len(set(opened.read(Sessions).log_id)) == 2
