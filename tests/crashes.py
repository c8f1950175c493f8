"""Every writing command, each on a job of its own to start from, in processes to be killed.

A `Forge` is a process that has everything imported and forks one process for each command, so that
a kill costs a fraction of a second and falls where the work is done.
"""

import hashlib
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import shapely

from gridtools.cli import COMMANDS
from gridtools.job import Job

from .commands import feature_collection, polygon, rectangle, run
from .walks import START, lanes_of, walk_gpx

#: When something was done differs between two runs of one command; nothing else may.
CLOCK = {
    "logs": {"taken_utc"}, "settings": {"set_utc"}, "gpkg_contents": {"last_change"},
    "history": {"start_utc", "seconds", "options", "inputs"}, "gpkg_metadata": {"metadata"},
    "gpkg_metadata_reference": {"timestamp"}, "layer_styles": {"update_time"},
    "sweep_widths": {"stored_utc"},
}  # fmt: skip
#: Tables in which SQLite keeps an index over space; their rows are compared through it.
SHADOWS = ("_node", "_parent", "_rowid")


def how_many(name, usual):
    """How often to do something: as the environment says, else so few that CI takes it."""
    return int(os.environ.get(name, usual))


def contents(path):
    """Digest of each table of a job, but for the clock, once it was opened as a command does."""
    with Job.open(path) as job:
        db = job._store.db
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        schema = db.execute("SELECT type, name, sql FROM sqlite_master ORDER BY name").fetchall()
        found = {"": _digest([repr(row) for row in schema])}
        for kind, name, _ in schema:
            index = name.startswith("rtree_")
            if kind != "table" or (index and name.endswith(SHADOWS)):
                continue
            if index:
                assert db.execute("SELECT rtreecheck(?)", (name,)).fetchone() == ("ok",)
            columns = [row[1] for row in db.execute(f'PRAGMA table_info("{name}")')]
            columns = ", ".join(f'"{c}"' for c in columns if c not in CLOCK.get(name, ()))
            rows = db.execute(f'SELECT {columns} FROM "{name}"')
            found[name] = _digest(sorted(map(repr, rows)))
    return found


def _digest(texts):
    return hashlib.sha256("\n".join(texts).encode()).hexdigest()[:16]


def commands_done(path):
    """Names of the commands in the history, first to last."""
    with Job.open(path) as job:
        return [
            row for (row,) in job._store.db.execute("SELECT command FROM history ORDER BY entry")
        ]


@dataclass
class Command:
    """A writing command.

    Attributes
    ----------
    words
        Its arguments; a path named ``JOB`` or ``OUT`` stands for the job and for the file made.
    start
        Job to run it on, None where it makes one.
    """

    words: tuple
    start: Path | None = None

    @property
    def makes_a_file(self):
        return "OUT" in self.words

    def at(self, job, out=None):
        return [str({"JOB": job, "OUT": out}.get(w, w)) for w in self.words]


def make_commands(folder):
    """Every writing command, run once in the order of the work: name to Command."""
    job = folder / "work.gpkg"
    site = rectangle(folder / "boundary.geojson")
    pond = polygon((500050, 5800030), (500056, 5800030), (500056, 5800036), (500050, 5800036))
    hole = feature_collection(folder / "pond.geojson", [(pond, {"reason": "pond"})])
    trials = folder / "trials.csv"
    trials.write_text(
        "lateral_m,responded\n"
        + "".join(f"{d / 4},{'yes' if abs(d) < 9 else 'no'}\n" for d in range(-12, 13))
    )
    found = {}

    def step(name, *words, keep=True):
        start = None if "OUT" in words else folder / f"{name.replace(' ', '-')}.gpkg"
        source = job if keep else shutil.copy(job, folder / "aside.gpkg")
        if start:
            shutil.copy(job, start)
        command = found[name] = Command(words, start)
        run(*command.at(source, source))

    step("new", "new", "OUT", "--site", site, "--name", "Yard")
    step("area", "area", "JOB", "--exclusion", hole)
    step("spacing", "spacing", trials, "--job", "JOB", "--spacing", "2m")
    step("lanes", "lanes", "JOB", "--spacing", "2m", "--sweep-width", "4m", "--bearing", "0",
         "--date", "2026-05-12")  # fmt: skip
    step("pegs", "pegs", "JOB")
    logs = _logs(folder, job)
    step("record", "record", "JOB", logs[0])
    step("lanes --replan", "lanes", "JOB", "--replan", "--spacing", "3m", keep=False)
    step("record again", "record", "JOB", logs[1])
    step("amend", "amend", "JOB", "H0001", "--strike", "--reason", "an echo")
    step("coverage", "coverage", "JOB")
    step("candidates", "candidates", "JOB")
    if "pinpoint" in COMMANDS:
        marks = folder / "marks.csv"
        marks.write_text(
            "candidate_id,kind,heading_deg,x,y\n"
            + "".join(
                f"C001,onset,{h},{500020 - 1.2 * np.sin(np.radians(h)):.3f},"
                f"{5800020 - 1.2 * np.cos(np.radians(h)):.3f}\n"
                for h in (0, 90, 180, 270)
            )
        )
        step("pinpoint", "pinpoint", "JOB", marks)
    step("digs", "digs", "JOB", "--soil", "B", "--on", "2026-06-10")
    lifts = folder / "lifts.csv"
    lifts.write_text("dig,found,metal,depth,time\nD001,tank,yes,1.1,2026-06-10T09:00:00Z\n")
    step("outcomes", "outcomes", "JOB", lifts)
    step("styles", "styles", "JOB", "--restore")
    damaged = Path(shutil.copy(job, folder / "damaged.gpkg"))
    with sqlite3.connect(damaged) as db:
        db.execute("DROP TABLE permits")
    db.close()
    found["check --repair"] = Command(("check", damaged, "--repair", "OUT"))
    return found


def _logs(folder, job):
    """A log of each pass, with hits over metal at 20 m east, 20 m north, and one elsewhere."""
    lanes, crs = lanes_of(job)
    logs = []
    for number in (1, 2):
        walked = lanes.take(lanes.pass_no == number)
        hits = [("1-020", 3.0)] if number == 1 else []
        for lane_id, line in zip(walked.lane_id, walked.geometry, strict=True):
            near = line.project(shapely.Point(500020, 5800020))
            if line.distance(shapely.Point(500020, 5800020)) < 1.5:
                hits.append((lane_id, near))
        log = folder / f"pass-{number}.gpx"
        start = START + np.timedelta64(number, "D").astype(object)
        log.write_text(walk_gpx(walked, crs, hits=hits, start=start))
        logs.append(log)
    return logs


FORGE = """
import ctypes, json, os, sys
from importlib import import_module
from gridtools.cli import COMMANDS, cli
for name in COMMANDS:
    import_module(f"gridtools.cli.{name}")
import fiona, fiona._err, jinja2, networkx, pyproj, rasterio, scipy.optimize, scipy.spatial
import scipy.special, scipy.sparse, scipy.stats, shapely
from click.testing import CliRunner
disk = ctypes.CDLL(sys.argv[1]) if sys.argv[1] else None
for words in json.loads(sys.stdin.readline()):  # modules are imported where first needed
    CliRunner().invoke(cli, words)
print("ready", flush=True)
calls = {}
for line in sys.stdin:
    order = json.loads(line)
    if pid := order.get("wait"):
        _, status = os.waitpid(pid, 0)
        said = os.read(calls[pid], 20).decode()
        os.close(calls.pop(pid))
        print(json.dumps([os.waitstatus_to_exitcode(status), int(said or 0)]), flush=True)
        continue
    told, tell = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.dup2(os.open(f"{sys.argv[2]}/{os.getpid()}", os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 2)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        if order["arm"]:
            disk.arm(*order["arm"])
        code = 1
        try:
            cli.main(order["words"], "gridtools")
        except SystemExit as stop:
            code = stop.code or 0
        except BaseException:
            import traceback
            traceback.print_exc()
        if order["arm"]:
            os.write(tell, str(disk.calls()).encode())
        sys.stderr.flush()
        os._exit(code)
    os.close(tell)
    calls[pid] = told
    print(pid, flush=True)
"""


@dataclass
class Forge:
    """Process that forks one process for each command.

    Attributes
    ----------
    folder
        Folder for what the commands print.
    warm
        Commands to run first, so that all that they need is imported.
    disk
        Library of the failing disk, to be preloaded.
    """

    folder: Path
    warm: list = field(default_factory=list)
    disk: Path | None = None
    calls: int = 0

    def __enter__(self):
        preload = {"LD_PRELOAD": str(self.disk)} if self.disk else {}
        self.process = subprocess.Popen(
            [sys.executable, "-c", FORGE, str(self.disk or ""), str(self.folder)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            env={**os.environ, **preload, "PYTHONWARNINGS": "ignore"},
        )  # fmt: skip
        self._send(self.warm)
        return self

    def __exit__(self, *_):
        self.process.stdin.close()
        self.process.wait(60)
        self.process.stdout.close()

    def ready(self):
        assert self.process.stdout.readline() == "ready\n"
        return self

    def start(self, words, arm=()):
        """Start a command; its process id. Several may run at once."""
        self._send({"words": words, "arm": list(arm)})
        return int(self.process.stdout.readline())

    def finish(self, pid):
        """Exit status of a command that was started, and what it said on standard error."""
        self._send({"wait": pid})
        code, self.calls = json.loads(self.process.stdout.readline())
        errors = self.folder / str(pid)
        said = errors.read_text() if errors.exists() else ""
        errors.unlink(missing_ok=True)
        return code, said

    def run(self, words, arm=()):
        return self.finish(self.start(words, arm))

    def _send(self, order):
        self.process.stdin.write(json.dumps(order) + "\n")
        self.process.stdin.flush()


def warm_words(commands, folder):
    """All commands as words, each on a copy of its job, to warm a forge up."""
    folder.mkdir(exist_ok=True)
    words = []
    for i, command in enumerate(commands.values()):
        job = folder / f"{i}.gpkg"
        if command.start:
            shutil.copy(command.start, job)
        words.append(command.at(job, job))
    return words


@dataclass
class Scene:
    """A command in a folder of its own, to be run again and again from the same start."""

    command: Command
    folder: Path

    def __post_init__(self):
        self.folder.mkdir(exist_ok=True)
        self.job = self.folder / "job.gpkg"

    def set(self):
        """Words of the command, with the start put in place."""
        for left in self.folder.iterdir():
            shutil.rmtree(left) if left.is_dir() else left.unlink()
        if self.command.start:
            shutil.copy(self.command.start, self.job)
        return self.command.at(self.job, self.job)

    def state(self):
        """Contents of the job; None where there is no file."""
        return contents(self.job) if self.job.exists() else None

    def is_writing(self):
        if self.command.makes_a_file:
            return any(self.folder.iterdir())
        return self.job.with_name("job.gpkg-journal").exists()


@dataclass
class Kills:
    """What kills of one command left.

    Attributes
    ----------
    old, new
        Runs after which the job was as before, and as after.
    within
        Runs that were killed after the writing had begun and before it was done.
    torn
        Those of them that left the file itself half written, to be rolled back.
    """

    old: int = 0
    new: int = 0
    within: int = 0
    torn: int = 0


def kill_at_random(forge, scene, count, generator):
    """Kill a command again and again; what was left, each time checked.

    One kill in four comes at any moment of the run; the others, from when the writing begins, at
    any moment until some time after its end.
    """
    words = scene.set()
    before = scene.state()
    first = scene.job.read_bytes() if before else b""
    code, said = forge.run(words)
    assert code in (0, 3), said
    after = scene.state()
    assert before != after
    took, writing = _times(forge, scene)
    differing = {n for n, d in scene.state().items() if after.get(n) != d}
    assert not differing, f"two runs of one command differ in {differing}"
    kills = Kills()
    for i in range(count):
        words = scene.set()
        began = time.monotonic()
        pid = forge.start(words)
        if i % 4:
            while not scene.is_writing() and time.monotonic() - began < 3 * took:
                time.sleep(0.0002)
            time.sleep(generator.uniform(0.0, 1.3) * writing)
        else:
            time.sleep(generator.uniform(0.0, 1.1) * took)
        os.kill(pid, signal.SIGKILL)  # one that has ended keeps its number until it is waited for
        code, said = forge.finish(pid)
        assert code in (0, 3, -signal.SIGKILL), said
        kills.within += code == -signal.SIGKILL and scene.is_writing()
        if not scene.command.makes_a_file and scene.is_writing():
            kills.torn += scene.job.read_bytes() != first
        state = scene.state()
        assert state in (before, after), "the job is neither old nor new"
        assert code < 0 or state == after, "done, but nothing is there"
        kills.old += state == before
        kills.new += state == after
    return kills


def _times(forge, scene):
    """Seconds that a run takes, and those from when it begins to write: the lesser of two."""
    took, writing = [], []
    for _ in range(2):
        words = scene.set()
        began = time.monotonic()
        pid = forge.start(words)
        while not scene.is_writing() and time.monotonic() - began < 60:
            time.sleep(0.0002)
        wrote = time.monotonic()
        forge.finish(pid)
        took.append(time.monotonic() - began)
        writing.append(time.monotonic() - wrote)
    return min(took), min(writing)


def at_once(forge, names, commands, start, scratch, done):
    """Run commands at once on one job, each until it is through; how often one had to try again.

    What the job then holds must be what the same commands leave one after the other, in the order
    in which the history has them. ``done`` keeps what is known of such orders.
    """
    job = Path(shutil.copy(start, scratch / "job.gpkg"))
    waiting, again = set(names), 0
    while waiting:
        started = {name: forge.start(commands[name].at(job)) for name in sorted(waiting)}
        for name, pid in started.items():
            code, said = forge.finish(pid)
            assert code in (0, 4), f"{name}: {said}"
            if code == 0:
                waiting.remove(name)
            else:
                assert "again" in said
                again += 1
    order = commands_done(job)[len(commands_done(start)) :]
    by_word = {commands[name].words[0]: name for name in names}
    assert sorted(order) == sorted(by_word), "an update is lost"
    serial = tuple(by_word[word] for word in order)
    if serial not in done:
        copy = Path(shutil.copy(start, scratch / "serial.gpkg"))
        for name in serial:
            assert forge.run(commands[name].at(copy))[0] == 0
        done[serial] = contents(copy)
        copy.unlink()
    assert contents(job) == done[serial], "what the commands wrote is mixed"
    for left in scratch.glob("job.gpkg*"):
        left.unlink()
    return again
