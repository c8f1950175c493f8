"""From explanations to candidates: chances, verdicts, and what is still open."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.targets.beside import local_line
from gridtools.targets.crossings import Crossings
from gridtools.targets.lines import P_LONG, HitLine, direction_grid_deg
from gridtools.targets.places import LEAST_CHANCE, Place
from gridtools.targets.reach import ReachLaw
from gridtools.targets.recheck import Question
from gridtools.targets.weigh import Explained
from gridtools.units import bearing_of, normalise_bearing

# Stated: chances of metal from which, and below which, a verdict is given.
METAL_FROM, EDGE_BELOW = 0.8, 0.2
# Stated: half of the fix error is common to runs walked one after the other, and does not average
# out however many hits agree.
_COMMON_SHARE = 0.5


@dataclass(frozen=True, eq=False)
class Judged:
    """A candidate before it has its name.

    Attributes
    ----------
    xy
        Place (2,) in the local frame.
    shape
        The point, or the line of a long object, in the local frame.
    chances
        Chance of metal, of a ground edge, and of drift.
    hits
        Rows of its hits.
    sigma_m
        Standard error of the place, each axis.
    axis_deg
        Direction of a long object in the frame, 0 to 180; NaN otherwise.
    p_response
        Chance that metal there responds to a run through the place.
    edge_weight
        Weights over the headings to which a ground edge there would respond.
    """

    xy: NDArray[np.float64]
    shape: Any
    chances: tuple[float, float, float]
    hits: NDArray[np.int64]
    sigma_m: float
    axis_deg: float
    p_response: float
    edge_weight: NDArray[np.float64]

    @property
    def verdict(self) -> str:
        """Metal from 0.8; ground edge below 0.2 where an edge is likelier than drift."""
        metal, edge, drift = self.chances
        if metal >= METAL_FROM:
            return "metal"
        return "ground edge" if metal < EDGE_BELOW and edge > drift else "unresolved"


def judge(
    c: Crossings, law: ReachLaw, explained: Explained, position_sigma_m: float
) -> list[Judged]:
    """Chances for every place and long object, and which of them are worth listing.

    Listed are places with a chance of metal of at least 0.05, and groups of two hits or more
    that a ground edge explains and that are too few for a line.
    """
    judged = []
    for place in explained.places:
        found = _judge_place(c, law, explained, place, position_sigma_m)
        if found.chances[0] >= LEAST_CHANCE or (found.chances[1] > 0.5 and len(found.hits) > 1):
            judged.append(found)
    for line in explained.lines:
        if line.long_object:
            judged.append(_judge_long(c, line, position_sigma_m))
    return judged


def question(
    c: Crossings, law: ReachLaw, found: Judged, candidate_id: str, drift_per_m: float
) -> Question:
    """What an unresolved candidate leaves open, for `lay_recheck`."""
    _, run, _ = c.passing(found.xy[None], law.reach_m)
    return Question(
        candidate_id=candidate_id,
        xy=c.frame.to_job(found.xy[None])[0],
        chances=found.chances,
        p_response=found.p_response,
        p_drift=float(-np.expm1(-drift_per_m * 4 * c.sigma_m)),
        edge_heading_deg=normalise_bearing(direction_grid_deg() + c.frame.bearing_deg),
        edge_weight=found.edge_weight,
        walked_deg=c.runs.heading_deg[run],
    )


def _judge_place(
    c: Crossings, law: ReachLaw, explained: Explained, place: Place, position_sigma_m: float
) -> Judged:
    free = explained.free.copy()
    free[place.hits] = True
    edge, weight = local_line(c, law, free, explained.density, place.xy, long_object=False)
    metal = place.log_evidence
    headings = c.hit_unit[place.hits]
    # Hits of one sense only are no sign of a long object: it is known by having both.
    if np.any(headings @ headings.T < -0.5):
        long_object, _ = local_line(c, law, free, explained.density, place.xy, long_object=True)
        metal = float(np.logaddexp(metal, long_object))
    spread = float(np.sqrt(np.trace(place.covariance_m2) / 2))
    return Judged(
        xy=place.xy,
        shape=shapely.Point(place.xy),
        chances=_chances(metal, edge),
        hits=place.hits,
        sigma_m=float(np.hypot(spread, _COMMON_SHARE * position_sigma_m)),
        axis_deg=np.nan,
        p_response=float((place.half_reach @ law.probability(np.array([spread])))[0]),
        edge_weight=weight,
    )


def _judge_long(c: Crossings, line: HitLine, position_sigma_m: float) -> Judged:
    across = c.sigma_m / np.sqrt(len(line.hits))
    bearing = float(bearing_of(*(line.normal * line.sense)))
    turn = np.radians(direction_grid_deg() - bearing)
    weight = np.exp(10 * np.cos(turn))
    return Judged(
        xy=(line.start + line.finish) / 2,
        shape=shapely.LineString([line.start, line.finish]),
        chances=_chances(line.log_evidence, line.log_evidence_edge),
        hits=line.hits,
        sigma_m=float(np.hypot(across, _COMMON_SHARE * position_sigma_m)),
        axis_deg=float(bearing_of(*(line.finish - line.start))) % 180.0,
        p_response=P_LONG,
        edge_weight=weight / weight.sum(),
    )


def _chances(log_metal: float, log_edge: float) -> tuple[float, float, float]:
    """Chances of metal, edge and drift from their log evidence over that for drift alone."""
    logs = np.array([log_metal, log_edge, 0.0])
    weight = np.exp(logs - logs.max())
    metal, edge, drift = weight / weight.sum()
    return float(metal), float(edge), float(drift)
