"""Seeded simulator of a walked field with objects, ground edges and drift, for tests only.

Nothing here is shared with the method under test. The walk is a serpentine: the error of the fixes
runs on through the turns, so that neighbouring lanes share it most near the end where they join.
"""

from dataclasses import dataclass

import numpy as np
import shapely

from gridtools.layers import Hits, Lanes, Runs
from gridtools.units import bearing_of

_TURN_S = 8.0
_START = np.datetime64("2026-05-01T08:00:00", "ms")


@dataclass(frozen=True)
class Setting:
    """What the field and the walk are like; lengths in metres, times in seconds.

    ``law`` is the reach law: logistic, quartic or step. ``error`` is how the error of the fixes
    goes on in time: exponential (one first-order autoregression), two-part (half the variance
    over a fifth of the time, half over five times it) or blunder (steps at random times).
    ``uneven`` lets the speed change from lane to lane and along it.
    """

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
    wander_m: float = 0.3
    law: str = "logistic"
    error: str = "exponential"
    uneven: bool = False


@dataclass(frozen=True)
class Field:
    """What was planned and logged, and the truth."""

    lanes: Lanes
    runs: Runs
    hits: Hits
    truth_xy: np.ndarray
    reach_m: np.ndarray
    edge_lines: list[tuple[np.ndarray, np.ndarray, np.ndarray]]
    setting: Setting


def response_chance(setting, distance_m, half_reach_m):
    """Chance of a response to an object at a lateral distance."""
    if setting.law == "quartic":
        return 0.97 * np.exp(-((distance_m / half_reach_m) ** 4))
    if setting.law == "step":
        return np.where(distance_m < half_reach_m, 0.9, 0.0)
    return 0.97 / (1 + np.exp(np.minimum((distance_m - half_reach_m) / 0.25, 50.0)))


def edge_chance(heading, normal):
    """Chance of a response where a run crosses an edge."""
    return 0.75 if heading @ normal > 0.2 else 0.08


def _ar1(rng, count, sigma, step_over_time):
    from scipy.signal import lfilter

    rho = np.exp(-step_over_time)
    noise = rng.normal(size=(count, 2)) * sigma
    noise[1:] *= np.sqrt(1 - rho**2)
    return lfilter([1.0], [1.0, -rho], noise, axis=0)


def _fix_error(rng, count, setting):
    s = setting
    if s.error == "two-part":
        part = s.gps_sigma_m / np.sqrt(2)
        return _ar1(rng, count, part, 5 / s.correlation_s) + _ar1(
            rng, count, part, 0.2 / s.correlation_s
        )
    if s.error == "blunder":
        step = np.cumsum(rng.random(count) < 1 / s.correlation_s)
        return rng.normal(size=(step[-1] + 1, 2))[step] * s.gps_sigma_m
    return _ar1(rng, count, s.gps_sigma_m, 1 / s.correlation_s)


def _truth(rng, s):
    truth = []
    while len(truth) < s.objects:
        xy = rng.uniform([3, 3], [s.width_m - 3, s.height_m - 3])
        if all(np.hypot(*(xy - t)) > 3.5 for t in truth):
            truth.append(xy)
    truth = np.array(truth).reshape(-1, 2)
    edges = []
    for _ in range(s.edges):
        start = rng.uniform([10, 10], [s.width_m - 10, s.height_m - 10])
        angle = rng.uniform(0, 2 * np.pi)
        end = start + rng.uniform(25, 60) * np.array([np.cos(angle), np.sin(angle)])
        edges.append((start, end, np.array([-np.sin(angle), np.cos(angle)])))
    return truth, rng.uniform(*s.half_reach_m, size=len(truth)), edges


def _chainages(rng, length, s):
    """Distance along the lane at each second of the walk."""
    if not s.uneven:
        return np.linspace(0, length, int(length / s.speed_mps) + 1)
    pace = s.speed_mps * rng.uniform(0.7, 1.4)
    seconds = int(length / pace * 1.6) + 2
    change = np.exp(_ar1(rng, seconds, 0.25, 1 / 15.0)[:, 0])
    walked = np.concatenate([[0.0], np.cumsum(pace * change)])
    return np.append(walked[walked < length], length)


def _causes(rng, s, begin, heading, across, chain, wander, truth, reach, edges):
    """Distances along the lane at which something makes the instrument respond."""
    at = []
    for xy, r in zip(truth, reach, strict=True):
        u = (xy - begin) @ heading
        d = abs((xy - begin) @ across - np.interp(u, chain, wander))
        if rng.random() < response_chance(s, d, r) and 0 <= u <= chain[-1]:
            at.append(u)
    track = shapely.LineString(begin + chain[:, None] * heading + wander[:, None] * across)
    for start, end, normal in edges:
        cut = shapely.get_parts(shapely.intersection(shapely.LineString([start, end]), track))
        luck = rng.random()
        if cut.size and not cut[0].is_empty and luck < edge_chance(heading, normal):
            at.append((shapely.get_coordinates(cut[0])[0] - begin) @ heading)
    return at


def simulate(seed: int, setting: Setting = Setting()) -> Field:
    """Field walked twice at right angles in serpentine, with everything that it hides."""
    s = setting
    rng = np.random.default_rng(seed)
    truth, reach, edges = _truth(rng, s)
    lane_rows, run_rows, hit_rows = [], [], []
    for pass_no in (1, 2):
        along, across = np.eye(2)[::-1] if pass_no == 1 else np.eye(2)
        span, length = (s.width_m, s.height_m)[:: 1 if pass_no == 1 else -1]
        count = int((span - s.spacing_m / 2) / s.spacing_m) + 1
        error = _fix_error(rng, int(count * (2.5 * length / s.speed_mps + _TURN_S)), s)
        second = 0
        for k in range(count):
            lane_id = f"{pass_no}-{k + 1:03d}"
            heading = along if k % 2 == 0 else -along
            begin = across * (s.spacing_m / 2 + k * s.spacing_m)
            begin = begin if k % 2 == 0 else begin + along * length
            lane_rows.append((lane_id, pass_no, begin, begin + heading * length, heading))
            chain = _chainages(rng, length, s)
            wander = _ar1(rng, len(chain), s.wander_m, 1 / 30.0)[:, 0]
            gps = error[second : second + len(chain)]
            began = _START + np.timedelta64(int(1000 * (second + 86_400 * (pass_no - 1))), "ms")
            second += len(chain) + int(_TURN_S)
            if rng.random() < s.missed_share:
                continue
            logged = begin + chain[:, None] * heading + wander[:, None] * across + gps
            run_id = f"S00{pass_no}-{len(run_rows) + 1:04d}"
            run_rows.append((run_id, lane_id, pass_no, heading, logged, began))
            at = _causes(rng, s, begin, heading, across, chain, wander, truth, reach, edges)
            marks = [u + s.late_m + rng.normal() * s.jitter_m for u in at]
            marks += list(rng.uniform(0, length, rng.poisson(length / s.drift_every_m)))
            for u in np.clip(marks, 0, length):
                when = np.interp(u, chain, np.arange(len(chain)))
                xy = [np.interp(u, chain, logged[:, i]) for i in (0, 1)]
                hit_rows.append((run_id, lane_id, xy, heading, u, began, when))
    return Field(*_layers(lane_rows, run_rows, hit_rows), truth, reach, edges, s)


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
        session_id=[r[0][:4] for r in run_rows],
        lane_id=[r[1] for r in run_rows],
        pass_no=[r[2] for r in run_rows],
        heading_deg=[float(bearing_of(*r[3])) for r in run_rows],
        start_utc=[r[5] for r in run_rows],
        finish_utc=[r[5] + np.timedelta64(1000 * (len(r[4]) - 1), "ms") for r in run_rows],
        accepted=True,
        length_m=[float(shapely.LineString(r[4]).length) for r in run_rows],
    )
    hits = Hits.build(
        count=len(hit_rows),
        geometry=[shapely.Point(r[2]) for r in hit_rows],
        hit_id=[f"H{i + 1:04d}" for i in range(len(hit_rows))],
        session_id=[r[0][:4] for r in hit_rows],
        time_utc=[r[5] + np.timedelta64(round(1000 * r[6]), "ms") for r in hit_rows],
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
    match = matched(found_xy, truth_xy, within_m)
    found = match >= 0
    apart = np.asarray(found_xy, dtype=float).reshape(-1, 2)[found] - truth_xy[match[found]]
    return int(found.sum()), len(match), len(truth_xy), np.sum(apart**2, axis=1)


def matched(found_xy: np.ndarray, truth_xy: np.ndarray, within_m: float = 2.5):
    """Row of the truth that each place found is, one to one, closest pairs first; -1 if none."""
    found_xy = np.asarray(found_xy, dtype=float).reshape(-1, 2)
    match = np.full(len(found_xy), -1)
    if not len(found_xy) or not len(truth_xy):
        return match
    d = np.hypot(*(found_xy[:, None] - truth_xy[None]).transpose(2, 0, 1))
    while np.min(d) <= within_m:
        i, j = np.unravel_index(np.argmin(d), d.shape)
        match[i] = j
        d[i, :] = d[:, j] = np.inf
    return match


def pooled(scores):
    """F1, recall, precision, RMS of several scores."""
    tp, found, present = (sum(s[i] for s in scores) for i in range(3))
    squared = np.concatenate([s[3] for s in scores])
    rms = float(np.sqrt(squared.mean())) if squared.size else np.nan
    return 2 * tp / max(found + present, 1), tp / present, tp / max(found, 1), rms
