"""A disk that fails, fills up, stalls or loses its machine, at each write of a job in turn."""

import os
import signal
import subprocess
import sys
import time

import pytest

from ..crashes import Scene, how_many
from .test_crash import NAMES

#: What the disk does, as in tests/disk.c.
NOTHING, FAIL_ONCE, FAIL_FROM, FULL_FROM, KILL, SLOW = range(6)
FAULTS = {"fails once": FAIL_ONCE, "fails for good": FAIL_FROM, "is full": FULL_FROM,
          "loses its machine": KILL}  # fmt: skip

pytestmark = pytest.mark.slow


def moments(calls, most):
    """Calls to fail at: each of them, or about as many as wanted, spread, with both ends."""
    return sorted({1 + round(i * (calls - 1) / max(1, most - 1)) for i in range(most)})


@pytest.mark.parametrize("name", NAMES)
def test_disk__job_is_old_or_new(failing, writers, tmp_path, name, capsys):
    """Each fault at some of the calls that change a file, the first and the last among them."""
    scene = Scene(writers[name], tmp_path / "scene")
    words = scene.set()
    before = scene.state()
    code, said = failing.run(words, (NOTHING, 0))
    assert code in (0, 3), said
    after, calls = scene.state(), failing.calls
    assert calls > 5
    usual = 6 if name == "amend" else 2
    times = moments(calls, min(calls, how_many("GRIDTOOLS_FAULTS", usual)))
    for fault in FAULTS:
        codes = []
        for nth in times:
            code, said = failing.run(scene.set(), (FAULTS[fault], nth))
            codes.append(code)
            check_left(fault, code, said, nth, scene.state(), before, after)
        assert any(codes), f"disk {fault}: nothing ever failed"
    with capsys.disabled():
        print(f"\n{name}: {len(FAULTS)} faults at {len(times)} of {calls} calls")


def check_left(fault, code, said, nth, state, before, after):
    """What a command said and left behind when its disk failed at the nth call."""
    assert state in (before, after), f"{fault}, call {nth}: the job is neither old nor new"
    if fault == "loses its machine":
        assert code == -signal.SIGKILL
        return
    assert code in (0, 1, 3), f"{fault}, call {nth}: {said}"
    assert "Traceback" not in said
    if code == 1 and "already in the file" in said:
        assert state == after, f"{fault}, call {nth}: {said!r}, but the job is the old one"
    elif code == 1:
        assert state == before, f"{fault}, call {nth}: {said!r}, but the job is the new one"
        assert any(word in said for word in ("disk", "written")), said
    else:
        assert state == after, f"{fault}, call {nth}: done, but nothing is there"


def test_disk__slow(failing, writers, tmp_path):
    """With 20 ms for each write a change takes long, and is whole; the clock tells it was slow."""
    scene = Scene(writers["amend"], tmp_path / "scene")
    assert failing.run(scene.set(), (NOTHING, 0))[0] == 0
    after, calls = scene.state(), failing.calls
    began = time.monotonic()
    assert failing.run(scene.set(), (SLOW, 20_000))[0] == 0
    assert time.monotonic() - began > 0.02 * calls
    assert scene.state() == after


HOLDER = """
import sqlite3, sys, time
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute(f"BEGIN {sys.argv[2]}")
db.execute("UPDATE gpkg_contents SET description = 'half done'")
print("held", flush=True)
time.sleep(60)
"""


@pytest.mark.parametrize("lock", ["IMMEDIATE", "EXCLUSIVE"])
def test_lock__its_holder_is_killed_while_a_command_waits(forge, writers, tmp_path, lock):
    scene = Scene(writers["pegs"], tmp_path / "scene")
    assert forge.run(scene.set())[0] == 0
    after = scene.state()
    words = scene.set()
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, scene.job, lock], stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout.readline() == "held\n"
        pid = forge.start(words)
        time.sleep(1.0)
        os.kill(holder.pid, signal.SIGKILL)
    code, said = forge.finish(pid)
    assert code == 0, said
    assert scene.state() == after


def test_lock__held_all_the_time(forge, writers, tmp_path):
    scene = Scene(writers["pegs"], tmp_path / "scene")
    words = scene.set()
    before = scene.state()
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, scene.job, "IMMEDIATE"], stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout.readline() == "held\n"
        code, said = forge.run(words)
        holder.kill()
    assert code == 4
    assert "in use" in said
    assert scene.state() == before
