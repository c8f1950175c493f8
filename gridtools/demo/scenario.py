"""Sallow Yard, an invented job, as plain data.

Everything here is invented. The coordinates lie in the open sea, so that they fall on nobody's
land. The yard of a former agricultural engineering works is about to become allotments; five
large pieces of metal are in the ground, and two changes of ground that sound like metal on one
heading.

Outlines are in the local grid of the yard: metres east and north of its south-west corner mark,
turned against grid north by `TURN_DEG`. `to_map` brings them to the job CRS.
"""

import math
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import shapely
from numpy.typing import NDArray

NAME = "Sallow Yard (invented)"
JOB_CRS = "EPSG:32631"
ORIGIN_M = (480_000.0, 6_000_000.0)
#: Grid bearing of the local grid's north.
TURN_DEG = 341.0

Line = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Ground:
    """Ground with a distance to keep from it: an exclusion or a source of false response."""

    name: str
    outline: Line
    distance_m: float


@dataclass(frozen=True)
class Metal:
    """A piece of metal in the ground.

    Attributes
    ----------
    name
        What it is.
    line
        One point, or the two ends of a long piece.
    depth_m
        Ground level to its top.
    half_reach_m
        Distance abreast at which a crossing still responds about one time in three.
    """

    name: str
    line: Line
    depth_m: float
    half_reach_m: float

    @property
    def centre(self) -> tuple[float, float]:
        """Middle of the piece in the local grid."""
        xs, ys = zip(*self.line, strict=True)
        return sum(xs) / len(xs), sum(ys) / len(ys)


@dataclass(frozen=True)
class Change:
    """A change of ground along a line, heard on crossing it in one sense only."""

    name: str
    line: Line
    heading_deg: float
    """Direction of crossing that responds, from local north."""


@dataclass(frozen=True)
class Outing:
    """One walk with the instrument."""

    pass_no: int
    start_utc: datetime
    gate: tuple[float, float]
    """Where the walker starts, in the local grid."""
    missed_lane: str
    """Lane passed over by miscounting pegs: from there on each lane is begun at its nearer end."""
    dwell_lane: str
    dwell_at_m: float
    seed: int


BOUNDARY: Line = (
    (0.0, 0.0), (102.0, -3.0), (106.0, 30.0), (97.0, 52.0), (74.0, 60.0), (52.0, 58.0),
    (50.0, 66.0), (8.0, 64.0), (-2.0, 30.0),
)  # fmt: skip
EXCLUSIONS = (
    Ground("shed, standing", ((66.0, 38.0), (80.0, 38.0), (80.0, 46.0), (66.0, 46.0)), 1.0),
    Ground(
        "pond",
        ((18.0, 43.0), (20.5, 39.5), (25.0, 39.0), (29.5, 42.0), (29.0, 46.5), (24.0, 49.0),
         (19.5, 47.5)),
        1.5,
    ),
)  # fmt: skip
INTERFERENCE = (
    Ground("wire fence", ((102.0, -3.0), (106.0, 30.0)), 2.0),
    Ground("overhead cable", ((-10.0, 14.0), (22.0, -8.0)), 3.0),
)
#: Name, local east, local north, height, error on the map (east, north) in metres.
CONTROL = (
    ("nail A", 0.0, 0.0, 21.40, 0.012, -0.008),
    ("nail B", 98.0, 2.0, 21.95, -0.010, 0.011),
    ("nail C", 46.0, 62.0, 22.10, 0.004, 0.006),
)
CONTROL_ACCURACY_M = 0.02

METAL = (
    Metal("fuel tank", ((44.8, 20.0), (47.2, 20.0)), 1.1, 2.8),
    Metal("weighbridge frame", ((84.0, 14.5), (84.0, 19.5)), 0.6, 2.6),
    Metal("run of cast-iron pipe", ((62.0, 10.0), (67.0, 13.5)), 0.8, 2.2),
    Metal("tractor axle", ((57.0, 48.0),), 0.7, 2.3),
    Metal("valve box", ((11.0, 52.0),), 0.4, 2.1),
)
CHANGES = (
    Change("edge of the cinder yard", ((31.0, 2.0), (38.0, 62.0)), 85.0),
    Change("edge of the old apron", ((52.0, 33.0), (101.0, 26.0)), 185.0),
)

#: Length, width and height in metres and the material of each piece, by its name.
SIZES = {
    "fuel tank": (2.4, 1.2, 1.2, "steel"),
    "weighbridge frame": (5.0, 1.8, 0.3, "steel"),
    "run of cast-iron pipe": (6.1, 0.2, 0.2, "cast iron"),
    "tractor axle": (1.9, 0.4, 0.4, "steel"),
    "valve box": (0.6, 0.6, 0.7, "cast iron"),
}

#: Laid beside the yard for test passes: like the smallest object that matters. By the law of
#: the demo's responses its sweep width is 4.0 m.
TEST_PIECE = Metal("axle", ((0.0, 0.0),), 0.7, 2.27)
#: Distance at which a first try stopped responding; how exactly the passes were walked.
TRIAL_R_M = 2.6
TRIAL_SD_M = 0.08
TRIAL_HEADING_DEG = 90.0
TRIAL_SEED = 20260509

#: Near half the sweep width, so that most spots are crossed on both headings of each pass.
SPACING_M = 2.5
SWEEP_WIDTH_M = 4.0

PASS_1 = Outing(
    pass_no=1,
    start_utc=datetime(2026, 5, 12, 8, 30, tzinfo=UTC),
    gate=(94.0, 0.0),
    missed_lane="1-019",
    dwell_lane="1-015",
    dwell_at_m=60.0,
    seed=20260512,
)
PASS_2 = Outing(
    pass_no=2,
    start_utc=datetime(2026, 5, 13, 8, 45, tzinfo=UTC),
    gate=(94.0, 0.0),
    missed_lane="",
    dwell_lane="",
    dwell_at_m=0.0,
    seed=20260513,
)
TAPE_DAY = datetime(2026, 5, 14, 9, 0, tzinfo=UTC)
TAPE_SEED = 20260514
#: Day of closing in, how well a mark is placed, from how far off each approach began, and how
#: deep a piece lies for each metre of onset distance: a little less than the rule of thumb says.
APPROACH_DAY = datetime(2026, 5, 15, 9, 0, tzinfo=UTC)
APPROACH_SEED = 20260515
MARK_SD_M = 0.15
BEGAN_M = 6.0
DEPTH_PER_ONSET = 0.85
#: First day of digging, and the leave to dig.
DIG_DAY = datetime(2026, 5, 27, 8, 0, tzinfo=UTC)
PERMITS = (
    "landowner,letter of 4 May,2026-05-18,2026-06-12",
    "services,ticket 0417,2026-05-20,2026-06-05",
)


def to_map(local: Line | NDArray[np.float64]) -> NDArray[np.float64]:
    """Job coordinates (n, 2) of local ones (n, 2).

    Examples
    --------
    >>> to_map(((0.0, 0.0),)).tolist()
    [[480000.0, 6000000.0]]
    """
    angle = math.radians(TURN_DEG)
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    return np.asarray(np.asarray(local, dtype=np.float64) @ turn + ORIGIN_M)


def metal_geometry() -> NDArray[np.object_]:
    """Points and lines (5,) of the pieces of metal, in job coordinates."""
    return np.array([_point_or_line(m.line) for m in METAL], dtype=object)


def change_geometry() -> NDArray[np.object_]:
    """Lines (2,) of the changes of ground, in job coordinates."""
    return np.array([_point_or_line(c.line) for c in CHANGES], dtype=object)


def _point_or_line(line: Line) -> shapely.Geometry:
    xy = to_map(line)
    return shapely.Point(xy[0]) if len(xy) == 1 else shapely.LineString(xy)
