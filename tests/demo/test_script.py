from pathlib import Path

import pytest

from gridtools.demo import inputs
from gridtools.demo.script import JOB, STEPS

MADE = {
    JOB,
    *map(Path, ("lanes.gpx", "sheets", "pod.tif", "report.html", "yard.zip")),
}


@pytest.mark.parametrize("step", STEPS, ids=lambda s: s.words[0])
def test_steps__name_only_files_that_are_there(step):
    files = {w for w in step.words if isinstance(w, Path)}
    assert files <= MADE | {Path(name) for name in inputs.files()}
    assert JOB in step.words


@pytest.mark.parametrize("step", STEPS, ids=lambda s: s.words[0])
def test_steps__say_why_in_one_sentence(step):
    assert step.why.endswith(".")
    assert step.why.count(".") == 1


def test_steps__use_every_input():
    used = {str(w) for s in STEPS for w in s.words if isinstance(w, Path)}
    assert set(inputs.files()) <= used


def test_steps__stand_in_the_order_of_the_work():
    commands = [s.words[0] for s in STEPS]
    assert commands == [
        "new", "spacing", "lanes", "pegs", "send", "sheets", "record", "record", "coverage",
        "record", "coverage", "candidates", "pinpoint", "digs", "sheets", "outcomes", "residual",
            "report", "archive", "status",
    ]  # fmt: skip


def test_step__arguments_put_files_into_the_folder():
    arguments = STEPS[0].arguments(Path("there"))
    assert arguments[:4] == ["new", "there/yard.gpkg", "--site", "there/boundary.geojson"]
    assert STEPS[0].line.startswith("gridtools new yard.gpkg --site boundary.geojson")
