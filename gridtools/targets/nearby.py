"""Services, overhead lines and metalwork near the holes, from the sources of interference."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.layers import Interference
from gridtools.units import METRES_PER_UNIT

#: Half-width of the zone along a buried service in which digging is by hand: 18 to 24 in by state
#: in US one-call practice; the wider is the default.
TOLERANCE_M = 24 * METRES_PER_UNIT["in"]
#: Plant keeps this far from an overhead line of up to 50 kV (29 CFR 1926.1408, from memory); a
#: planning distance only, since the line's own distance depends on its voltage.
OVERHEAD_M = 10 * METRES_PER_UNIT["ft"]

SERVICE, OVERHEAD, METALWORK = "service", "overhead line", "metalwork"
_OVERHEAD_WORDS = ("overhead", "power line", "powerline", "pylon", "transmission line")
_SERVICE_WORDS = (
    "pipe", "cable", "main", "gas", "water", "sewer", "drain", "duct", "conduit", "service",
    "electric", "telecom", "telephone", "fibre", "fiber", "culvert", "heating", "oil", "utility",
)  # fmt: skip
# How far into a zone its source is looked for: a source drawn as a line has no width.
_LINE_M = 0.05


@dataclass(frozen=True)
class Nearby:
    """A known source near a hole.

    Attributes
    ----------
    kind
        As the job names it.
    group
        ``service`` (buried), ``overhead line`` or ``metalwork``.
    distance_m
        From the source to the hole at ground level; 0 where the hole reaches it.
    """

    kind: str
    group: str
    distance_m: float


def group_of(kind: str) -> str:
    """Group of a source by the words in its kind; one without a kind may be a service.

    Examples
    --------
    >>> group_of("gas pipe"), group_of("overhead cable"), group_of("wire fence"), group_of("")
    ('service', 'overhead line', 'metalwork', 'service')
    """
    text = kind.lower()
    if any(word in text for word in _OVERHEAD_WORDS):
        return OVERHEAD
    if not text.strip() or any(word in text for word in _SERVICE_WORDS):
        return SERVICE
    return METALWORK


def sources_near(
    interference: Interference,
    holes: NDArray[np.object_],
    *,
    tolerance_m: float = TOLERANCE_M,
) -> list[list[Nearby]]:
    """What lies near each hole (n,): nearest first.

    A buried service counts within its tolerance zone; an overhead line within 10 ft; metalwork
    where the hole lies in its standoff zone, in which a response may be its own. The source
    itself is where its zone, made narrower by the standoff, comes to nothing.

    Parameters
    ----------
    interference
        Sources with their standoff zones.
    holes
        Outlines of the holes at ground level, or points where those are unknown.
    tolerance_m
        Distance from a service within which digging is by hand.
    """
    found: list[list[Nearby]] = [[] for _ in holes]
    if not len(holes):
        return found
    for zone, kind, standoff in zip(
        interference.geometry, interference.kind, interference.standoff_m, strict=True
    ):
        source = zone
        if np.isfinite(standoff) and standoff > _LINE_M:
            narrow = shapely.buffer(zone, _LINE_M - standoff)
            source = zone if narrow.is_empty else narrow
        group = group_of(kind)
        within = {SERVICE: tolerance_m, OVERHEAD: OVERHEAD_M, METALWORK: np.inf}[group]
        distance = np.maximum(shapely.distance(source, holes) + (source is not zone) * _LINE_M, 0)
        distance[shapely.intersects(source, holes)] = 0.0
        near = distance <= within
        if group == METALWORK:
            near &= shapely.intersects(zone, holes)
        for i in np.flatnonzero(near):
            found[i].append(Nearby(kind or "unknown source", group, float(distance[i])))
    return [sorted(row, key=lambda n: (n.distance_m, n.kind)) for row in found]
