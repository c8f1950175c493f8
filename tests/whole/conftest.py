"""Every writing command, and processes to run and kill them in."""

import shutil
import subprocess

import pytest

from ..commands import ROOT
from ..crashes import Forge, make_commands, warm_words


@pytest.fixture(scope="session")
def writers(tmp_path_factory):
    """Every writing command, by name."""
    return make_commands(tmp_path_factory.mktemp("writers"))


@pytest.fixture(scope="session")
def disk(tmp_path_factory):
    """Library of the failing disk; None where no C compiler is."""
    if shutil.which("cc") is None:
        return None
    library = tmp_path_factory.mktemp("disk") / "disk.so"
    source = ROOT / "tests" / "disk.c"
    subprocess.run(["cc", "-shared", "-fPIC", "-o", library, source, "-ldl"], check=True)
    return library


@pytest.fixture(scope="session")
def forge(tmp_path_factory, writers):
    """A warm forge."""
    folder = tmp_path_factory.mktemp("forge")
    with Forge(folder, warm_words(writers, folder / "warm")) as forge:
        yield forge.ready()


@pytest.fixture(scope="session")
def failing(tmp_path_factory, writers, disk):
    """A forge whose disk fails as told."""
    if disk is None:
        pytest.skip("no C compiler to make the failing disk with")
    folder = tmp_path_factory.mktemp("failing")
    with Forge(folder, warm_words(writers, folder / "warm"), disk) as forge:
        yield forge.ready()
