"""Fixtures for tests that run commands, and how property tests draw their examples."""

import os
import shutil
from pathlib import Path

import pytest
from hypothesis import settings

from .commands import rectangle, run

# The same examples every time, so that a change is judged by what it changed; run with
# HYPOTHESIS_PROFILE=explore to look for new ones.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.register_profile("explore", derandomize=False, deadline=None, max_examples=1000)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "steady"))


@pytest.fixture
def gridtools():
    return run


@pytest.fixture
def boundary(tmp_path):
    return rectangle(tmp_path / "boundary.geojson")


@pytest.fixture(scope="session")
def made(tmp_path_factory):
    """Jobs made once by the commands, to be copied: a bare one and one with lanes."""
    folder = tmp_path_factory.mktemp("made")
    bare, planned = folder / "bare.gpkg", folder / "planned.gpkg"
    run("new", bare, "--site", rectangle(folder / "boundary.geojson"))
    shutil.copy(bare, planned)
    run("lanes", planned, "--spacing", "2m", "--sweep-width", "4m", "--bearing", "0")
    return {"bare": bare, "planned": planned}


@pytest.fixture
def job(tmp_path, made):
    """A job with the rectangle as its site, and no lanes."""
    return Path(shutil.copy(made["bare"], tmp_path / "job.gpkg"))


@pytest.fixture
def planned(tmp_path, made):
    """The same with lanes 2 m apart, north and east, and a sweep width of 4 m."""
    return Path(shutil.copy(made["planned"], tmp_path / "job.gpkg"))
