"""Commands killed at random moments, and commands that meet on one job.

How often is small enough for CI; the figures in docs/durability.md come from
``GRIDTOOLS_KILLS=70 GRIDTOOLS_PAIRS=500 pytest -m slow tests/whole/test_crash.py``.
"""

import itertools
import random
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from gridtools.cli import COMMANDS
from gridtools.job import Job
from gridtools.layers import Sessions

from ..crashes import Scene, at_once, how_many, kill_at_random

GRIDTOOLS = Path(sys.executable).parent / "gridtools"
NAMES = [
    "new", "area", "spacing", "lanes", "pegs", "record", "lanes --replan", "record again", "amend",
    "coverage", "candidates", *(["pinpoint"] if "pinpoint" in COMMANDS else []), "digs",
    "outcomes", "styles", "check --repair",
]  # fmt: skip
#: Commands that can all run on a job with one pass walked, in any order.
TOGETHER = ["record again", "coverage", "candidates", "area", "amend", "pegs", "spacing", "styles"]


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_kill__job_is_old_or_new(forge, writers, tmp_path, name, capsys):
    kills = kill_at_random(
        forge, Scene(writers[name], tmp_path / "scene"), how_many("GRIDTOOLS_KILLS", 2),
        random.Random(f"2026 {name}"),
    )  # fmt: skip
    with capsys.disabled():
        print(f"\n{name}: {kills}")


@pytest.mark.slow
def test_kill__every_writing_command_is_there(writers):
    assert set(writers) == set(NAMES)
    only_read = {"send", "residual", "sheets", "report", "archive", "status", "layers", "demo"}
    assert {words.split()[0] for words in NAMES} == set(COMMANDS) - only_read


@pytest.mark.slow
def test_pairs__as_if_one_after_the_other(forge, writers, tmp_path, capsys):
    """Each pair of commands at once, again and again: none is lost, nothing is mixed."""
    pairs = itertools.cycle(itertools.combinations(TOGETHER, 2))
    count, done = how_many("GRIDTOOLS_PAIRS", 8), {}
    start = writers["record again"].start
    again = [
        at_once(forge, pair, writers, start, tmp_path, done)
        for pair in itertools.islice(pairs, count)
    ]
    with capsys.disabled():
        print(f"\n{count} pairs at once: {sum(again)} times a command had to be run again")


@pytest.mark.slow
@pytest.mark.parametrize("together", [4, 8])
def test_crowd__as_if_one_after_the_other(forge, writers, tmp_path, together, capsys):
    count, generator = max(1, how_many("GRIDTOOLS_PAIRS", 8) // 25), random.Random(together)
    again = [
        at_once(
            forge, generator.sample(TOGETHER, together), writers,
            writers["record again"].start, tmp_path, {},
        )
        for _ in range(count)
    ]  # fmt: skip
    with capsys.disabled():
        print(f"\n{count} times {together} at once: {sum(again)} had to be run again")


def test_two_at_once__no_update_is_lost(made, tmp_path):
    """Two lengths of lanes are walked and recorded at once, by two programs of their own."""
    copy = Path(shutil.copy(made["planned"], tmp_path / "job.gpkg"))
    logs = []
    for day, lanes in ((14, "1-001 to 1-010"), (15, "1-011 to 1-020")):
        logs.append(tmp_path / f"{day}.txt")
        logs[-1].write_text(f"2026-05-{day}\n09:00 {lanes} in order\n")
    words = [[GRIDTOOLS, "record", copy, log, "--tz", "UTC"] for log in logs]
    both = [subprocess.Popen(line, stderr=subprocess.PIPE, text=True) for line in words]
    errors = [process.communicate()[1] for process in both]
    codes = [process.returncode for process in both]
    assert 0 in codes
    assert set(codes) <= {0, 4}, errors
    for code, line, error in zip(codes, words, errors, strict=True):
        if code == 4:
            assert "again" in error
            subprocess.run(line, check=True, capture_output=True)
    with Job.open(copy) as opened:
        assert opened.read(Sessions).session_id.tolist() == ["S001", "S002"]
        assert len(set(opened.read(Sessions).log_id)) == 2
