"""Why ground was left: from lanes without an accepted run, and runs that were not accepted."""

from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.coverage.names import natural, spans
from gridtools.coverage.walked import Pass

Geometries = NDArray[np.object_]
Whole = NDArray[np.int64]

# What would have covered half of a gap, or a square of the sweep width, is a reason for it.
_SHARE = 0.5
# Runs begin and end this near to the ends of a lane without anyone having stopped short.
_LEAST_M = 0.1


class _Causes(NamedTuple):
    """Rows of gap, kind of reason, place in the list of names, and ground explained."""

    gap: Whole
    kind: NDArray[np.object_]
    lane: NDArray[np.object_]
    area_m2: NDArray[np.float64]


def gap_reasons(
    gaps: Geometries, centres: Geometries, walk: Pass, half_width_m: float, spacing_m: float
) -> NDArray[np.object_]:
    """Reasons (n,) in words, for gaps (n,) with their centres (n,).

    A reason is a stretch whose strip takes up half of the gap or a square of the sweep width:
    of a run that was not accepted, or of a lane that no accepted run spans. Where there is none,
    the strips on both sides do not meet, and the lanes between which it lies are named.
    """
    if not len(walk.accepted) and not len(walk.rejected):
        return np.full(len(gaps), f"pass {walk.pass_no} not walked", dtype=np.object_)
    rejected = _rejected(gaps, walk, half_width_m)
    missing = _missing(gaps, walk, half_width_m)
    told = set(zip(rejected.gap.tolist(), rejected.lane.tolist(), strict=True))
    new = np.array(
        [pair not in told for pair in zip(missing.gap.tolist(), missing.lane, strict=True)],
        dtype=bool,
    )
    causes: dict[int, dict[str, float]] = {}
    lanes: dict[tuple[int, str], set[str]] = {}
    for found, keep in ((rejected, np.ones(len(rejected.gap), dtype=bool)), (missing, new)):
        for i in np.flatnonzero(keep):
            gap, kind = int(found.gap[i]), str(found.kind[i])
            by_kind = causes.setdefault(gap, {})
            by_kind[kind] = by_kind.get(kind, 0.0) + float(found.area_m2[i])
            lanes.setdefault((gap, kind), set()).add(str(found.lane[i]))
    out = np.empty(len(gaps), dtype=np.object_)
    for gap, by_kind in causes.items():
        kinds = sorted(by_kind, key=lambda kind: (-round(by_kind[kind], 3), kind))
        out[gap] = "; ".join(_phrase(kind, lanes[gap, kind]) for kind in kinds)
    rest = np.array([gap for gap in range(len(gaps)) if gap not in causes], dtype=np.int64)
    out[rest] = _between(centres[rest], walk, spacing_m)
    return out


def _strips(lines: Geometries, half_width_m: float) -> Geometries:
    return np.asarray(shapely.buffer(lines, half_width_m, quad_segs=2), dtype=np.object_)


def _explained(
    gaps: Geometries, lines: Geometries, half_width_m: float
) -> tuple[Whole, Whole, NDArray[np.float64]]:
    """Pairs of gap and line where the strip takes up enough of the gap, and how much."""
    line, gap = shapely.STRtree(gaps).query(lines, predicate="dwithin", distance=half_width_m)
    order = np.lexsort((line, gap))
    line, gap = line[order], gap[order]
    area = shapely.area(shapely.intersection(gaps[gap], _strips(lines, half_width_m)[line]))
    enough = np.minimum(_SHARE * shapely.area(gaps[gap]), (2.0 * half_width_m) ** 2)
    keep = area >= enough
    return gap[keep], line[keep], area[keep]


def _rejected(gaps: Geometries, walk: Pass, half_width_m: float) -> _Causes:
    runs = walk.rejected.take(walk.rejected.reason != "turn")
    gap, run, area = _explained(gaps, runs.geometry, half_width_m)
    return _Causes(gap, runs.reason[run], runs.lane_id[run], area)


def _missing(gaps: Geometries, walk: Pass, half_width_m: float) -> _Causes:
    stretches = walk.missing
    stretches = stretches.take(stretches.high - stretches.low > _LEAST_M)
    length = shapely.length(walk.lanes.geometry)[stretches.line]
    at_start, at_finish = stretches.low <= half_width_m, stretches.high >= length - half_width_m
    kind = np.where(at_start | at_finish, "ends short", "part not walked").astype(np.object_)
    kind[at_start & at_finish] = "lane not walked"
    gap, piece, area = _explained(gaps, walk.lane_pieces(stretches), half_width_m)
    return _Causes(gap, kind[piece], walk.lanes.lane_id[stretches.line[piece]], area)


def _between(centres: Geometries, walk: Pass, spacing_m: float) -> NDArray[np.object_]:
    """Names of the lanes on both sides of centres (n,)."""
    xy = shapely.get_coordinates(centres)
    frame = walk.frame(np.zeros(2))
    reach = 1.5 * spacing_m * frame.across
    probes = shapely.linestrings(np.stack([xy - reach, xy + reach], axis=1))
    probe, lane = shapely.STRtree(walk.lanes.geometry).query(probes, predicate="intersects")
    start = shapely.get_coordinates(shapely.get_point(walk.lanes.geometry, 0))
    aside = (start[lane] - xy[probe]) @ frame.across
    out = np.full(len(xy), "between runs", dtype=np.object_)
    order = np.lexsort((lane, np.abs(aside), probe))
    sides: dict[int, dict[bool, str]] = {}
    for i in order:
        side = sides.setdefault(int(probe[i]), {})
        side.setdefault(bool(aside[i] > 0), str(walk.lanes.lane_id[lane[i]]))
    for row, side in sides.items():
        names = sorted(side.values(), key=natural)
        out[row] = (
            f"between lanes {' and '.join(names)}" if len(names) > 1 else f"beside lane {names[0]}"
        )
    return out


def _phrase(kind: str, lanes: set[str]) -> str:
    names = lanes - {""}
    if not names:
        return kind
    if kind == "lane not walked":
        return f"{'lane' if len(names) == 1 else 'lanes'} not walked {spans(names)}"
    if kind == "ends short":
        return f"{spans(names)} {'ends' if len(names) == 1 else 'end'} short"
    return f"{kind} on {spans(names)}"
