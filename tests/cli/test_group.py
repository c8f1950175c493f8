"""The command as installed: start-up, exit statuses, bad files, and fio's plugin."""

import os
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from gridtools.cli import COMMANDS
from gridtools.job import Job
from gridtools.layers import Sessions

from ..walks import lanes_of, walk_gpx

SCRIPTS = Path(sys.executable).parent


def installed(*words, **options):
    """The console script of this environment, in a process of its own."""
    return subprocess.run(
        [SCRIPTS / "gridtools", *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
        **options,
    )


def test_help__lists_every_command_and_imports_nothing_heavy():
    done = installed("--help")
    assert done.returncode == 0
    assert all(f"\n  {name} " in done.stdout for name in COMMANDS)
    code = (
        "import sys; from gridtools.cli import cli; cli(['--help'], standalone_mode=False);"
        "print([m for m in ('numpy', 'shapely', 'fiona', 'pyproj') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.splitlines()[-1] == "[]"


@pytest.mark.parametrize("name", COMMANDS)
def test_help__of_each_command(gridtools, name):
    assert "Usage:" in gridtools(name, "--help").out


def test_fio__has_the_commands(planned):
    done = subprocess.run(
        [SCRIPTS / "fio", "gridtools", "status", planned],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "search area" in done.stdout


@pytest.mark.parametrize("command", ["status", "area", "lanes", "record", "coverage", "candidates"])
@pytest.mark.parametrize("what", ["missing", "text", "other database", "folder"])
def test_job__that_is_none(gridtools, tmp_path, command, what):
    path = tmp_path / "x.gpkg"
    if what == "text":
        path.write_text("not a job")
    elif what == "other database":
        with sqlite3.connect(path) as database:
            database.execute("CREATE TABLE t (a)")
        database.close()
    elif what == "folder":
        path.mkdir()
    result = gridtools(command, path, code=1)
    assert "x.gpkg" in result.err
    assert len(result.err.splitlines()) == 1


def test_job__missing_layer(gridtools, planned):
    with sqlite3.connect(planned) as database:
        database.execute("DROP TABLE search_area")
    database.close()
    assert "search_area" in gridtools("lanes", planned, code=1).err


@pytest.mark.skipif(
    os.geteuid() == 0 and shutil.which("setpriv") is None, reason="root, and no setpriv"
)
def test_job__read_only(planned, tmp_path):
    """Reading works, changing is refused; as root, capabilities are given up first."""
    planned.chmod(0o444)
    tmp_path.chmod(0o555)
    words = [SCRIPTS / "gridtools"]
    if os.geteuid() == 0:
        drop = ["setpriv", "--bounding-set=-dac_override", "--inh-caps=-dac_override"]
        words = [*drop, *words]
    try:
        for command, code in (("status", 0), ("area", 1)):
            done = subprocess.run(
                [*words, command, planned], capture_output=True, text=True, check=False
            )
            assert done.returncode == code, done.stderr
        assert "job.gpkg" in done.stderr
        assert "Traceback" not in done.stderr
    finally:
        tmp_path.chmod(0o755)


def test_job__full_disk(planned, tmp_path):
    """A file-size limit stands for the full disk: one sentence, and the job as it was."""
    lanes, crs = lanes_of(planned)
    log = tmp_path / "walk.gpx"
    log.write_text(walk_gpx(lanes, crs))
    size = planned.stat().st_size

    def limit():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (size + 4096, size + 4096))

    done = installed("record", planned, log, preexec_fn=limit)
    assert done.returncode == 1, done.stderr
    assert "Traceback" not in done.stderr
    with Job.open(planned) as job:
        assert len(job.read(Sessions)) == 0


def test_job__busy(gridtools, planned):
    """Another program holds the write lock for good: exit status 4."""
    with sqlite3.connect(planned, isolation_level=None) as other:
        other.execute("BEGIN IMMEDIATE")
        result = gridtools("area", planned, code=4)
        other.execute("ROLLBACK")
    other.close()
    assert "again" in result.err


@pytest.mark.parametrize("when", ["before", "after"])
def test_interrupt__before_and_after_the_commit(gridtools, planned, monkeypatch, when):
    """Ctrl-C while the job is read, and once more while the result is printed."""

    def interrupt(*_, **__):
        raise KeyboardInterrupt

    before = planned.read_bytes()
    place = "gridtools.job.Job.read" if when == "before" else "gridtools.cli.output.say"
    monkeypatch.setattr(place, interrupt)
    result = gridtools("record", planned, "--max-speed", "3", code=130)
    assert result.err == (
        "Interrupted: the job has the whole change of this command, or none of it.\n"
    )
    assert (planned.read_bytes() == before) == (when == "before")
