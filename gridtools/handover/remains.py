"""What may remain, in words and figures: for the command and for the report."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import shapely

from gridtools.coverage.residual import Tally
from gridtools.layers import Exclusion, Site, SweepWidths
from gridtools.units import format_area, format_chance, format_length

#: Ways to reckon, the least favourable first, in words.
NAMED_WAYS = {
    "standoff": "the first of those below, if a standoff hides all inside it",
    "low end": "low end: the worst curve that the test passes allow, no credit for repeats of one "
    "pass",
    "cautious": "cautious: no credit for repeats of one pass",
    "independent": "if every run is a fresh chance",
    "measured": "as repeats of the test passes say",
}
_PARTS = (
    ("full", "full confidence"),
    ("reduced", "inside a standoff: little proof"),
    ("all", "search area"),
)


@dataclass(frozen=True, kw_only=True)
class Remains:
    """What a statement on what may remain rests on.

    Attributes
    ----------
    what
        Object that the sweep width holds for, in words.
    sweep
        How far the sweep width is known.
    wanted_pod
        POD wanted, 0 to 1.
    tally
        POD summed over the search area.
    low
        The same by the worst curve that the test passes allow, or None where nothing was tested.
    excluded_m2
        Area of exclusions inside the site, by reason.
    assumptions
        Sentences on what was assumed.
    """

    what: str
    sweep: str
    wanted_pod: float
    tally: Tally
    excluded_m2: Mapping[str, float]
    low: Tally | None = None
    assumptions: tuple[str, ...] = ()

    def pod(self, confidence: str) -> dict[str, float]:
        """Mean POD of ground by way, the least favourable way first."""
        ways = self.tally.ground(confidence).pod
        if self.low is not None:
            ways = {**ways, "low end": self.low.ground(confidence).pod["cautious"]}
        return in_order(ways)

    @property
    def missed(self) -> dict[str, float]:
        """Chance that one object was missed, by way, the least favourable way first."""
        ways = {way: 1.0 - pod for way, pod in self.pod("all").items()}
        if self.tally.has("reduced"):
            ways["standoff"] = (self.low or self.tally).missed_unless_full("cautious")
        return in_order(ways)

    @property
    def missed_lines(self) -> list[str]:
        """The same in words."""
        return [f"{format_chance(p)}, {NAMED_WAYS[way]}" for way, p in self.missed.items()]

    @property
    def header(self) -> tuple[str, ...]:
        """Titles of the columns of `rows`."""
        ways = [f"POD {way}" for way in self.pod("all")]
        return ("ground", "area", *ways, f"below {self.wanted_pod * 100:g} %")

    @property
    def rows(self) -> list[tuple[str, ...]]:
        """POD by confidence, and the area below the one wanted by the first way."""
        return [
            (
                title,
                format_area(self.tally.ground(confidence).area_m2),
                *(format_chance(pod) for pod in self.pod(confidence).values()),
                format_area((self.low or self.tally).ground(confidence).below_m2["cautious"]),
            )
            for confidence, title in _PARTS
            if self.tally.has(confidence)
        ]

    @property
    def untested(self) -> list[str]:
        """Sentence where nothing bounds the figures from below."""
        if self.low is not None:
            return []
        return [
            "No test pass bounds the POD from below: the figures rest on the lateral range curve "
            "alone."
        ]

    @property
    def not_searched(self) -> list[str]:
        """Sentences on ground that was not searched."""
        lines = []
        if self.excluded_m2:
            named = ", ".join(
                f"{why} {format_area(area)}" for why, area in self.excluded_m2.items()
            )
            lines.append(f"Not searched, and in none of these figures: exclusions ({named}).")
        not_passed_m2 = self.tally.ground("all").not_passed_m2
        if not_passed_m2 > 0:
            lines.append(
                f"Not passed within half a sweep width: {format_area(not_passed_m2)} of the "
                "search area; it counts above with the little that farther runs detect."
            )
        return lines


def in_order(values: Mapping[str, float]) -> dict[str, float]:
    """Values by way, the least favourable way first."""
    return {way: values[way] for way in NAMED_WAYS if way in values}


def object_words(rows: SweepWidths, chosen: str) -> str:
    """What the chosen sweep width holds for.

    Examples
    --------
    >>> object_words(SweepWidths.empty(), "")
    'the object that the sweep width stands for'
    """
    row = rows.take(rows.curve_id == chosen)
    if not len(row) or not row.object[0]:
        return "the object that the sweep width stands for"
    depth = row.depth_m[0]
    return f"{row.object[0]}" + (f", top {format_length(depth)} down" if depth == depth else "")


def excluded_m2(site: Site, exclusion: Exclusion) -> dict[str, float]:
    """Area of exclusions inside the site, by reason.

    Examples
    --------
    >>> site = Site.build(geometry=[shapely.box(0, 0, 10, 10)])
    >>> pond = Exclusion.build(geometry=[shapely.box(8, 0, 20, 10)], reason="pond")
    >>> excluded_m2(site, pond)
    {'pond': 20.0}
    """
    ground = shapely.union_all(site.geometry)
    areas = {
        reason or "no reason given": float(
            np.asarray(
                shapely.area(
                    shapely.union_all(exclusion.geometry[exclusion.reason == reason]) & ground
                )
            )
        )
        for reason in sorted(set(exclusion.reason))
    }
    return {reason: area for reason, area in areas.items() if area > 0}
