"""Services, overhead lines and metalwork near the holes, from the sources of interference."""

import re
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
_BURIED_WORDS = re.compile(r"under[ -]?ground|buried|below ground|subsurface|sub-surface")
_OVERHEAD_WORDS = re.compile(
    r"\b(over ?head|power ?lines?|pylons?|transmission lines?|catenary|aerial (line|cable)s?)\b"
)
# Only what is one of these things, and said in no words but these, can hide no service.
_HARMLESS = re.compile(
    r"\b(fenc(e|es|ing)|gates?|posts?|rails?|railings?|vehicles?|cars?|vans?|lorry|truck|tractor|"
    r"trailer|plant|machines?|excavator|digger|containers?|skip|sheds?|barn|roofs?|heaps?|scrap|"
    r"bench|signs?|goalposts?|netting)\b"
)
_QUALIFIERS = re.compile(
    r"\b(parked|metal|steel|iron|wire|barbed|chain|link|mesh|corrugated|wooden|garden|old|farm|the|"
    r"a|of|and|by)\b"
)
#: How far from where it is drawn a service may lie, unless its kind states quality level A or B
#: (assumed; common practice, no source).
LOCATION_ERROR_M = 1.0
_LOCATED = re.compile(r"\b(ql|quality( level)?)[ -]*[ab]\b")
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
    """Group of a source by the words in its kind: whatever is not surely harmless is a service.

    Examples
    --------
    >>> group_of("gas pipe"), group_of("overhead cable"), group_of("wire fence"), group_of("")
    ('service', 'overhead line', 'metalwork', 'service')
    >>> group_of("underground power line"), group_of("manhole by the fence")
    ('service', 'service')
    """
    text = kind.lower()
    if _BURIED_WORDS.search(text):
        return SERVICE
    if _OVERHEAD_WORDS.search(text):
        return OVERHEAD
    other, things = _HARMLESS.subn(" ", text)
    return SERVICE if not things or re.search(r"\w", _QUALIFIERS.sub(" ", other)) else METALWORK


def location_error_m(kind: str) -> float:
    """How far from where it is drawn a service may lie.

    Examples
    --------
    >>> location_error_m("gas pipe"), location_error_m("gas pipe, QL-B")
    (1.0, 0.0)
    """
    return 0.0 if _LOCATED.search(kind.lower()) else LOCATION_ERROR_M


def sources_near(
    interference: Interference,
    holes: NDArray[np.object_],
    *,
    tolerance_m: float = TOLERANCE_M,
) -> list[list[Nearby]]:
    """What lies near each hole (n,): nearest first.

    A buried service counts within its tolerance zone, which is wider by `LOCATION_ERROR_M` unless
    its kind states quality level A or B; an overhead line within 10 ft; metalwork
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
        service = tolerance_m + location_error_m(kind)
        within = {SERVICE: service, OVERHEAD: OVERHEAD_M, METALWORK: np.inf}[group]
        distance = np.maximum(shapely.distance(source, holes) + (source is not zone) * _LINE_M, 0)
        distance[shapely.intersects(source, holes)] = 0.0
        near = distance <= within
        if group == METALWORK:
            near &= shapely.intersects(zone, holes)
        for i in np.flatnonzero(near):
            found[i].append(Nearby(kind or "unknown source", group, float(distance[i])))
    return [sorted(row, key=lambda n: (n.distance_m, n.kind)) for row in found]
