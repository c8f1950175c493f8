"""A seeded walker whose every step is known: the truth that runs are checked against."""

from dataclasses import dataclass, field

import numpy as np
import pytest
import shapely
from scipy.signal import lfilter

from gridtools.field.derive import derive
from gridtools.field.rules import Rules
from gridtools.layers import Checks, Fixes, Hits, Lanes, Sessions, Tape

START = np.datetime64("2025-06-03T09:00:00", "ms")


def planned(count=10, length=80.0, spacing=2.0, bearing=0.0, pass_no=1, origin=(0.0, 0.0)):
    """Parallel lanes, every second one drawn the other way as in a serpentine plan."""
    angle = np.radians(bearing)
    along, right = (
        np.array([np.sin(angle), np.cos(angle)]),
        np.array([np.cos(angle), -np.sin(angle)]),
    )
    lines, ids = [], []
    for k in range(count):
        a = np.array(origin) + right * spacing * k
        ends = [a, a + along * length]
        lines.append(shapely.LineString(ends if k % 2 == 0 else ends[::-1]))
        ids.append(f"{pass_no}-{k + 1:03d}")
    return Lanes.build(geometry=lines, lane_id=ids, pass_no=pass_no, length_m=length)


@dataclass
class Walker:
    """Builds a walk leg by leg; remembers what of it ought to be accepted."""

    speed: float = 1.2
    knots: list = field(default_factory=list)  # (seconds, x, y)
    silent: list = field(default_factory=list)  # (from, to) seconds without fixes
    truth: list = field(default_factory=list)  # (lane_id, (x, y), (x, y)) accepted
    time: float = 0.0

    def start(self, x, y):
        self.knots.append((self.time, x, y))
        return self

    @property
    def here(self):
        return np.array(self.knots[-1][1:])

    def go(self, x, y, speed=None, lane=None):
        length = np.hypot(*(np.array([x, y]) - self.here))
        if lane is not None:
            self.truth.append((lane, tuple(self.here), (x, y)))
        self.time += length / (speed or self.speed)
        self.knots.append((self.time, x, y))
        return self

    def stand(self, seconds):
        self.time += seconds
        self.knots.append((self.time, *self.here))
        return self

    def unlogged(self, x, y):
        self.silent.append((self.time, None))
        self.go(x, y)
        self.silent[-1] = (self.silent[-1][0], self.time)
        return self

    def turn_to(self, x, y, ahead):
        """Half a circle from here to (x, y), first in direction `ahead`."""
        a, b = self.here, np.array([x, y])
        middle, half = (a + b) / 2, (a - b) / 2
        radius = np.hypot(*half)
        for w in np.linspace(0, np.pi, 13)[1:]:
            p = middle + half * np.cos(w) + np.array(ahead) * radius * np.sin(w)
            self.go(*p)
        return self

    def lane(self, lanes, lane_id, overshoot=0.0, speed=None, backward=False):
        """Walk a lane from end to end; a turn leads to it if something was walked before."""
        row = list(lanes.lane_id).index(lane_id)
        a, b = shapely.get_coordinates(lanes.geometry[row])
        if backward:
            a, b = b, a
        way = (b - a) / np.hypot(*(b - a))
        first, last = a - way * overshoot, b + way * overshoot
        if self.knots:
            self.turn_to(*first, ahead=-way)
        else:
            self.start(*first)
        return self.go(*last, speed=speed, lane=lane_id)

    def serpentine(self, lanes, overshoot=0.0, skip=()):
        for name in lanes.lane_id:
            if name not in skip:
                self.lane(lanes, name, overshoot)
        return self

    def fixes(self, *, hz=1.0, noise=0.3, tau=60.0, seed=1, session="S001", first=1, begin=0.0):
        """Fixes with error that drifts: first-order autoregressive, `tau` seconds."""
        rng = np.random.default_rng(seed)
        t = np.arange(0.0, self.time, 1.0 / hz)
        known = np.array(self.knots)
        xy = np.column_stack([np.interp(t, known[:, 0], known[:, i]) for i in (1, 2)])
        keep = np.exp(-1.0 / hz / tau)
        shock = rng.normal(size=(len(t), 2))
        shock[1:] *= np.sqrt(1 - keep**2)
        error = lfilter([1.0], [1.0, -keep], shock, axis=0)
        xy = xy + noise * error
        heard = np.ones(len(t), dtype=bool)
        for a, b in self.silent:
            heard &= (t <= a) | (t >= b)
        t, xy = t[heard], xy[heard]
        return Fixes.build(
            geometry=shapely.points(xy),
            fix_id=[f"F{first + i:06d}" for i in range(len(t))],
            session_id=session,
            time_utc=START + np.rint((t + begin) * 1000).astype("timedelta64[ms]"),
        )


def intervals(lanes, pieces):
    """Merged chainage intervals within each lane, from pieces (lane_id, points)."""
    rows = {name: i for i, name in enumerate(lanes.lane_id)}
    found = {}
    for name, points in pieces:
        line = lanes.geometry[rows[name]]
        a, b = shapely.get_coordinates(line)[[0, -1]]
        along = (np.asarray(points) - a) @ ((b - a) / line.length)
        low, high = np.clip([along.min(), along.max()], 0, line.length)
        found.setdefault(name, []).append((low, high))
    merged = {}
    for name, parts in found.items():
        parts.sort()
        out = [list(parts[0])]
        for low, high in parts[1:]:
            if low <= out[-1][1]:
                out[-1][1] = max(out[-1][1], high)
            else:
                out.append([low, high])
        merged[name] = out
    return merged


def covered_m(lanes, pieces):
    return {n: sum(b - a for a, b in p) for n, p in intervals(lanes, pieces).items()}


class Field:
    """What the tests need of this file, by one fixture."""

    Walker = Walker
    START = START
    planned = staticmethod(planned)

    @staticmethod
    def derive(
        lanes, fixes, sessions=None, checks=None, tape=None, hits=None, rules=None, **session
    ):
        if sessions is None:
            names = sorted(set(fixes.session_id)) or ["S001"]
            sessions = Sessions.build(
                session_id=names, **{"tuning": "motion", "positions": "gps", **session}
            )
        return derive(
            lanes,
            sessions,
            checks or Checks.empty(),
            fixes,
            tape or Tape.empty(),
            hits or Hits.empty(),
            rules or Rules(),
        )

    @staticmethod
    def accepted_m(lanes, runs):
        chosen = np.flatnonzero(runs.accepted)
        return covered_m(
            lanes, [(runs.lane_id[i], shapely.get_coordinates(runs.geometry[i])) for i in chosen]
        )

    @staticmethod
    def true_m(lanes, walker):
        return covered_m(lanes, [(name, [a, b]) for name, a, b in walker.truth])


@pytest.fixture(scope="session")
def ground():
    return Field
