"""What to mind at each dig, and why it may have to wait.

Each caution is a short heading, with what it is about in brackets; the words for each heading, and
their source, are in `gridtools.handover.dig_cautions`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.layers import Exclusion
from gridtools.targets import ranking
from gridtools.targets.holes import EGRESS_FROM_M, ENGINEER_OVER_M, PROTECTION_FROM_M
from gridtools.targets.nearby import METALWORK, OVERHEAD, SERVICE, Nearby
from gridtools.units import format_length

Texts = NDArray[np.object_]

HAND_DIG = "hand dig near a service"
OVERHEAD_LINE = "overhead line"
NEAR_METALWORK = "metalwork near by"
LONG_METAL = "long metal may be a service"
CLOSED_CONTAINER = "possible closed container"
SUSPECTED_MUNITION = "suspected munition"
WAY_OUT = "way out and air"
PROTECTION = "protective system"
ENGINEER = "engineer's design"
MAY_BE_DEEPER = "may lie deeper than stated"
DEEPER_WHEN_FREED = "goes deeper when the object is freed"
OPEN_WATER = "water near by"
MORE_METAL = "more metal after the last lift"
HEADINGS = (
    SUSPECTED_MUNITION, HAND_DIG, LONG_METAL, OVERHEAD_LINE, CLOSED_CONTAINER, ENGINEER,
    PROTECTION, WAY_OUT, MAY_BE_DEEPER, DEEPER_WHEN_FREED, OPEN_WATER, NEAR_METALWORK, MORE_METAL,
)  # fmt: skip

#: Open water within this distance can fill a hole (common practice, no source).
WATER_WITHIN_M = 10.0
_WATER_WORDS = ("pond", "water", "ditch", "stream", "river", "lake", "canal", "well", "marsh")
_GROUP_HEADING = {SERVICE: HAND_DIG, OVERHEAD: OVERHEAD_LINE, METALWORK: NEAR_METALWORK}


@dataclass(frozen=True, kw_only=True, eq=False)
class Facts:
    """What is known of digs (n,) before digging.

    Attributes
    ----------
    consequence
        Class, as `ranking.consequence` gives it.
    stated
        Whether a person said what to expect.
    pinpointed
        Whether the place was closed in on.
    depth_m, error_m
        Depth of the object, NaN if unknown, and how near its centre lies.
    at_least
        Whether the depth is only a least one.
    hole_depth_m, outline
        Depth and outline of the hole once the object is freed; a point where its size is unknown.
    nearby
        Known sources near each hole.
    recheck
        What the last re-check said.
    """

    consequence: Texts
    stated: NDArray[np.bool_]
    pinpointed: NDArray[np.bool_]
    depth_m: NDArray[np.float64]
    at_least: NDArray[np.bool_]
    error_m: NDArray[np.float64]
    hole_depth_m: NDArray[np.float64]
    outline: Texts
    nearby: list[list[Nearby]]
    recheck: Texts


def cautions(facts: Facts, exclusion: Exclusion) -> list[str]:
    """Cautions of each dig (n,) as one text, the gravest first."""
    found: list[dict[str, list[str]]] = [{} for _ in facts.consequence]
    for i, row in enumerate(found):
        consequence, deep = facts.consequence[i], facts.hole_depth_m[i]
        for near in facts.nearby[i]:
            row.setdefault(_GROUP_HEADING[near.group], []).append(
                f"{near.kind}, {format_length(near.distance_m, 1)}"
            )
        if consequence == ranking.MUNITION:
            row[SUSPECTED_MUNITION] = []
        if consequence == ranking.SERVICE:
            row[LONG_METAL] = []
        if consequence == ranking.CONTAINER:
            row[CLOSED_CONTAINER] = []
        if deep > ENGINEER_OVER_M:
            row[ENGINEER] = [f"{format_length(deep, 1)} deep"]
        if deep >= PROTECTION_FROM_M:
            row[PROTECTION] = [f"{format_length(deep, 1)} deep"]
        if deep >= EGRESS_FROM_M:
            row[WAY_OUT] = [f"{format_length(deep, 1)} deep"]
        if np.isfinite(deep):
            row[DEEPER_WHEN_FREED] = [f"to {format_length(deep, 1)}"]
        if facts.at_least[i]:
            row[MAY_BE_DEEPER] = []
        if facts.recheck[i] == "responds":
            row[MORE_METAL] = []
    for geometry, reason in zip(exclusion.geometry, exclusion.reason, strict=True):
        if any(word in reason.lower() for word in _WATER_WORDS):
            distance = shapely.distance(geometry, facts.outline)
            for row, away in zip(found, distance, strict=True):
                if away <= WATER_WITHIN_M:
                    row.setdefault(OPEN_WATER, []).append(f"{reason}, {format_length(away, 0)}")
    return ["; ".join(_phrase(h, row[h]) for h in HEADINGS if h in row) for row in found]


def headings_of(text: str) -> tuple[str, ...]:
    """Headings of the cautions of a dig, in their order.

    Examples
    --------
    >>> headings_of("hand dig near a service (gas pipe, 0.3 m); protective system (1.6 m deep)")
    ('hand dig near a service', 'protective system')
    """
    return tuple(h for h in HEADINGS if f"; {h}" in f"; {text}")


def holds(
    facts: Facts,
    *,
    permits_lacking: Sequence[str],
    services_permit: bool,
    site: shapely.Geometry | None,
    exclusion: Exclusion,
    munitions: Sequence[str] = (),
) -> list[str]:
    """Why each dig (n,) may not be dug yet, as one text; empty if nothing speaks against it.

    Parameters
    ----------
    facts
        The digs.
    permits_lacking
        Reasons that hold every dig.
    services_permit
        Whether a permit of the owners of services is valid.
    site
        Outline of the site; None if there is none to keep within.
    exclusion
        Ground that holes must not reach into.
    munitions
        Digs where a munition is suspected and not yet dealt with: no dig of the job goes on.
    """
    out = []
    for i, outline in enumerate(facts.outline):
        consequence, reasons = facts.consequence[i], []
        if consequence == ranking.MUNITION:
            reasons.append("suspected munition: keep away and report it, not to be dug")
        elif len(munitions):
            reasons.append(
                f"suspected munition at {', '.join(munitions)}: no digging until the authority has "
                "dealt with it"
            )
        if not facts.pinpointed[i]:
            reasons.append(
                f"pinpoint first: its place is known to {format_length(facts.error_m[i], 1)}, "
                "its depth not"
            )
        elif np.isnan(facts.depth_m[i]):
            reasons.append("depth unknown: pinpoint it again with onsets")
        if facts.hole_depth_m[i] > ENGINEER_OVER_M:
            reasons.append("deeper than 6.1 m (20 ft): an engineer designs the excavation")
        if not services_permit:
            services = [n.kind for n in facts.nearby[i] if n.group == SERVICE]
            if services:
                reasons.append(f"in the tolerance zone of a service ({services[0]}): ask its owner")
            if consequence == ranking.SERVICE and not facts.stated[i]:
                reasons.append("long metal may be a service: ask the owners, or state what it is")
        reasons += permits_lacking
        for reason in exclusion.reason[shapely.intersects(exclusion.geometry, outline)]:
            reasons.append(f"the hole reaches into ground not to be walked ({reason})")
        if site is not None and not shapely.covers(site, outline):
            reasons.append("the hole reaches out of the site")
        out.append("; ".join(reasons))
    return out


def _phrase(heading: str, about: list[str]) -> str:
    return f"{heading} ({'; '.join(about)})".replace("; ", ", ") if about else heading
