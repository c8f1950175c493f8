"""Seeded simulator of a walked field with objects, ground edges and drift, for tests only.

Nothing here is shared with the method under test: the detection law is logistic in distance,
the walk wanders about its lanes, and every fix carries a first-order autoregressive error.
"""

from dataclasses import dataclass

import numpy as np
import shapely

from gridtools.layers import Hits, Lanes, Runs
from gridtools.units import bearing_of


@dataclass(frozen=True)
class Setting:
    """What the field and the walk are like; lengths in metres, times in seconds."""

    spacing_m: float = 2.0
    gps_sigma_m: float = 0.3
    width_m: float = 110.0
    height_m: float = 80.0
    objects: int = 14
    edges: int = 3
    drift_every_m: float = 400.0
    late_m: float = 0.9
    jitter_m: float = 0.4
    correlation_s: float = 60.0
    half_reach_m: tuple[float, float] = (2.0, 3.4)
    speed_mps: float = 1.2
    missed_share: float = 0.03
    law: str = "logistic"


@dataclass(frozen=True)
class Field:
    lanes: Lanes
    runs: Runs
    hits: Hits
    truth_xy: np.ndarray
    edge_lines: list[tuple[np.ndarray, np.ndarray, np.ndarray]]


def _ar1(rng, count, sigma, step_over_time):
    rho = np.exp(-step_over_time)
    noise = rng.normal(size=(count, 2)) * sigma * np.sqrt(1 - rho**2)
    out = np.empty((count, 2))
    state = rng.normal(size=2) * sigma
    for i in range(count):
        out[i] = state
        state = rho * state + noise[i]
    return out


def _probability(law, d, reach):
    if law == "quartic":
        return 0.97 * np.exp(-((d / reach) ** 4))
    return 0.97 / (1 + np.exp((d - reach) / 0.25))


def simulate(seed: int, setting: Setting = Setting()) -> Field:
    """Field walked twice at right angles in serpentine, with everything that it hides."""
    s = setting
    rng = np.random.default_rng(seed)
    truth = []
    while len(truth) < s.objects:
        xy = rng.uniform([3, 3], [s.width_m - 3, s.height_m - 3])
        if all(np.hypot(*(xy - t)) > 3.5 for t in truth):
            truth.append(xy)
    truth = np.array(truth).reshape(-1, 2)
    reach = rng.uniform(*s.half_reach_m, size=len(truth))
    edges = []
    for _ in range(s.edges):
        start = rng.uniform([10, 10], [s.width_m - 10, s.height_m - 10])
        angle = rng.uniform(0, 2 * np.pi)
        end = start + rng.uniform(25, 60) * np.array([np.cos(angle), np.sin(angle)])
        normal = np.array([-np.sin(angle), np.cos(angle)])
        edges.append((start, end, normal))

    lane_rows, run_rows, hit_rows = [], [], []
    for pass_no in (1, 2):
        along = np.array([0.0, 1.0]) if pass_no == 1 else np.array([1.0, 0.0])
        across = np.array([1.0, 0.0]) if pass_no == 1 else np.array([0.0, 1.0])
        span = s.width_m if pass_no == 1 else s.height_m
        length = s.height_m if pass_no == 1 else s.width_m
        step = s.speed_mps
        count = int((span - s.spacing_m / 2) / s.spacing_m) + 1
        per_lane = int(length / step) + 1
        error = _ar1(rng, count * (per_lane + 8), s.gps_sigma_m, 1.0 / s.correlation_s)
        for k in range(count):
            lane_id = f"{pass_no}-{k + 1:03d}"
            sense = 1 if k % 2 == 0 else -1
            heading = sense * along
            begin = across * (s.spacing_m / 2 + k * s.spacing_m)
            begin = begin if sense == 1 else begin + along * length
            lane_rows.append((lane_id, pass_no, begin, begin + heading * length, heading))
            if rng.random() < s.missed_share:
                continue
            chain = np.linspace(0, length, per_lane)
            wander = _ar1(rng, per_lane, 0.2, 1.0 / 30.0)[:, 0]
            track = begin + chain[:, None] * heading + wander[:, None] * across
            gps = error[k * (per_lane + 8) : k * (per_lane + 8) + per_lane]
            run_id = f"S001-{len(run_rows) + 1:04d}"
            run_rows.append((run_id, lane_id, pass_no, heading, track + gps))
            at = []
            for xy, r in zip(truth, reach, strict=True):
                u = (xy - begin) @ heading
                offset = np.interp(u, chain, wander)
                d = abs((xy - begin) @ across - offset)
                if 0 <= u <= length and rng.random() < _probability(s.law, d, r):
                    at.append(u)
            for start, end, normal in edges:
                cut = shapely.intersection(
                    shapely.LineString([start, end]), shapely.LineString(track)
                )
                chance = 0.75 if heading @ normal > 0.2 else 0.08
                for part in shapely.get_parts(cut)[:1]:
                    if not part.is_empty and rng.random() < chance:
                        at.append((np.array(part.coords[0]) - begin) @ heading)
            logged = [u + s.late_m + rng.normal() * s.jitter_m for u in at]
            logged += list(rng.uniform(0, length, rng.poisson(length / s.drift_every_m)))
            for u in logged:
                u = float(np.clip(u, 0, length))
                xy = [np.interp(u, chain, (track + gps)[:, i]) for i in (0, 1)]
                hit_rows.append((run_id, lane_id, xy, heading, u))
    return Field(*_layers(lane_rows, run_rows, hit_rows), truth, edges)


def _layers(lane_rows, run_rows, hit_rows):
    lanes = Lanes.build(
        geometry=[shapely.LineString([r[2], r[3]]) for r in lane_rows],
        lane_id=[r[0] for r in lane_rows],
        pass_no=[r[1] for r in lane_rows],
        seq=np.arange(1, len(lane_rows) + 1),
        bearing_deg=[float(bearing_of(*r[4])) for r in lane_rows],
    )
    runs = Runs.build(
        geometry=[shapely.LineString(r[4]) for r in run_rows],
        run_id=[r[0] for r in run_rows],
        session_id="S001",
        lane_id=[r[1] for r in run_rows],
        pass_no=[r[2] for r in run_rows],
        heading_deg=[float(bearing_of(*r[3])) for r in run_rows],
        accepted=True,
        length_m=[float(shapely.LineString(r[4]).length) for r in run_rows],
    )
    hits = Hits.build(
        count=len(hit_rows),
        geometry=[shapely.Point(r[2]) for r in hit_rows],
        hit_id=[f"H{i + 1:04d}" for i in range(len(hit_rows))],
        session_id="S001",
        run_id=[r[0] for r in hit_rows],
        lane_id=[r[1] for r in hit_rows],
        chainage_m=[float(r[4]) for r in hit_rows],
        heading_deg=[float(bearing_of(*r[3])) for r in hit_rows],
        strength=1.0,
    )
    return lanes, runs, hits


def score(found_xy: np.ndarray, truth_xy: np.ndarray, within_m: float = 2.5):
    """True positives, found, present, and the squared distances of the matches.

    One to one, closest pairs first.
    """
    found_xy = np.asarray(found_xy, dtype=float).reshape(-1, 2)
    if not len(found_xy) or not len(truth_xy):
        return 0, len(found_xy), len(truth_xy), np.empty(0)
    d = np.hypot(*(found_xy[:, None] - truth_xy[None]).transpose(2, 0, 1))
    squared = []
    while d.size and np.min(d) <= within_m:
        i, j = np.unravel_index(np.argmin(d), d.shape)
        squared.append(d[i, j] ** 2)
        d[i, :] = d[:, j] = np.inf
    return len(squared), len(found_xy), len(truth_xy), np.array(squared)


def pooled(scores):
    """F1, recall, precision, RMS of several scores."""
    tp, found, present = (sum(s[i] for s in scores) for i in range(3))
    squared = np.concatenate([s[3] for s in scores])
    rms = float(np.sqrt(squared.mean())) if squared.size else np.nan
    return 2 * tp / max(found + present, 1), tp / present, tp / max(found, 1), rms
