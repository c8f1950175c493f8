"""The command lines of the demo, in order, each with why it is run."""

import shlex
from dataclasses import dataclass
from pathlib import Path

from gridtools.demo import scenario

JOB = Path("yard.gpkg")


@dataclass(frozen=True)
class Step:
    """One command of the demo.

    Attributes
    ----------
    why
        One sentence on what it is for.
    words
        Command and arguments; files are paths, relative to the folder of the demo.
    """

    why: str
    words: tuple[str | Path, ...]

    @property
    def line(self) -> str:
        """Command as typed in the folder of the demo.

        Examples
        --------
        >>> Step("Look.", ("status", Path("yard.gpkg"))).line
        'gridtools status yard.gpkg'
        """
        return shlex.join(["gridtools", *map(str, self.words)])

    def arguments(self, folder: Path) -> list[str]:
        """Arguments for the command with its files in the given folder."""
        return [str(folder / w) if isinstance(w, Path) else w for w in self.words]


_ON_FOOT: tuple[str, ...] = (
    "--operator", "A. Walker", "--instrument", "two-coil locator", "--tuning", "motion",
    "--check-start", "pass", "--check-finish", "pass",
)  # fmt: skip

STEPS: tuple[Step, ...] = (
    Step(
        "Start the job from the boundary, with the ground not to be walked, the sources of false "
        "response and the control marks.",
        (
            "new", JOB, "--site", Path("boundary.geojson"),
            "--exclusion", Path("exclusions.geojson"),
            "--interference", Path("interference.geojson"),
            "--control", Path("control.geojson"), "--name", scenario.NAME,
        ),
    ),
    Step(
        "Measure the sweep width from test passes over an axle, and look at the lane spacing.",
        (
            "spacing", Path("trials.csv"), "--job", JOB, "--spacing", f"{scenario.SPACING_M:g}m",
            "--crossings", "2", "--instrument", "two-coil locator", "--tuning", "motion",
        ),
    ),
    Step(
        "Plan both passes; the bearing that takes the least walking is picked.",
        ("lanes", JOB, "--date", scenario.PASS_1.start_utc.date().isoformat()),
    ),
    Step("Work out the pegs for a team with tape, checked on the control marks.", ("pegs", JOB)),
    Step("Send the lanes to a GPS unit, in walking order.", ("send", JOB, Path("lanes.gpx"))),
    Step("Print the sheets to carry.", ("sheets", JOB, Path("sheets"))),
    Step(
        "Take in the first day's walk: track and hits of pass 1.",
        ("record", JOB, Path("pass-1.gpx"), *_ON_FOOT, "--fix-accuracy", "0.5m"),
    ),
    Step(
        "Take in the second day's walk: pass 2, at right angles.",
        ("record", JOB, Path("pass-2.gpx"), *_ON_FOOT, "--fix-accuracy", "0.5m"),
    ),
    Step("See what was covered and what was missed: a lane, it turns out.", ("coverage", JOB)),
    Step(
        "The missed lane was then walked by pegs and tape: take in the note.",
        ("record", JOB, Path("walked-lanes.txt"), *_ON_FOOT, "--tz", "UTC"),
    ),
    Step(
        "See that the gap of that lane is closed, and map the probability of detection.",
        ("coverage", JOB, "--pod", Path("pod.tif")),
    ),
    Step("Weigh the hits by heading: metal, or a change of ground.", ("candidates", JOB)),
    Step(
        "Close in on each candidate: onsets from eight sides fix its centre and its depth.",
        ("pinpoint", JOB, Path("approaches.csv"), "--carry-height", "0m"),
    ),
    Step(
        "Rank what to dig, size and peg the holes, and say what to mind; nothing is ready without "
        "the leave that the job requires.",
        (
            "digs", JOB, "--soil", "B", "--by", "machine", "--require", "landowner,services",
            *(word for permit in scenario.PERMITS for word in ("--permit", permit)),
            "--on", scenario.DIG_DAY.date().isoformat(),
        ),
    ),
    Step(
        "Print the sheets again, with what is left to walk and what to dig.",
        ("sheets", JOB, Path("sheets")),
    ),
    Step(
        "Take in what came out, and learn from it for the next job.",
        ("outcomes", JOB, Path("outcomes.csv")),
    ),
    Step(
        "State what may remain, with two such objects expected before the search.",
        ("residual", JOB, "--expected", "2"),
    ),
    Step("Write the report.", ("report", JOB, Path("report.html"))),
    Step("Put everything in one file, for the shelf.", ("archive", JOB, Path("yard.zip"))),
    Step("See where the job stands.", ("status", JOB)),
)  # fmt: skip
