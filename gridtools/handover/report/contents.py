"""What a report is made from, and the blocks that its sections are made of."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, TypeVar, cast

import numpy as np

from gridtools.columns import Layer
from gridtools.handover.remains import Remains
from gridtools.layers import Settings

L = TypeVar("L", bound=Layer)


@dataclass(frozen=True, kw_only=True)
class Contents:
    """A job as the report reads it.

    Attributes
    ----------
    layers
        Layers by their class, coordinates in metres; a class that is left out has no rows.
    name
        Name of the job.
    file_name
        Name of the job file, without its folder.
    crs_name, crs_code
        CRS of the job file: its name, and its code such as EPSG:32631 or empty.
    metres_per_unit
        Length of one unit of that CRS, for the coordinates printed along the map.
    declination_date
        Day for which magnetic bearings hold, ISO 8601, or empty.
    version
        Version of gridtools that makes the report.
    made_utc
        When it is made.
    stale
        Sentences on layers that are out of date.
    remains
        What may remain, or None where it cannot be stated.
    pod_image
        Map of the probability of detection as a data URI, or empty; it spans `pod_bounds`.
    pod_bounds
        (east, north, east, north) of that image in metres.
    """

    layers: Mapping[type[Layer], Layer]
    name: str
    file_name: str
    crs_name: str
    crs_code: str = ""
    metres_per_unit: float = 1.0
    declination_date: str = ""
    version: str
    made_utc: datetime = field(default_factory=lambda: datetime.now(UTC))
    stale: Sequence[str] = ()
    remains: Remains | None = None
    pod_image: str = ""
    pod_bounds: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)

    def of(self, layer: type[L]) -> L:
        """Rows of a layer."""
        return cast("L", self.layers.get(layer, layer.empty()))

    def setting(self, key: str) -> tuple[str, str]:
        """Value and basis of a setting, both empty where it is not set."""
        settings = self.of(Settings)
        found = np.flatnonzero(settings.key == key)
        return (settings.value[found[0]], settings.basis[found[0]]) if found.size else ("", "")

    def number(self, key: str) -> float:
        """Value of a setting as a number, NaN where it is not set."""
        value, _ = self.setting(key)
        try:
            return float(value)
        except ValueError:
            return float("nan")


@dataclass(frozen=True, kw_only=True)
class Table:
    """Rows of text under a header.

    Attributes
    ----------
    caption
        What the table shows.
    header
        Column titles.
    rows
        Cells of each row.
    anchors
        Id of each row within the page, for links to it; empty for none.
    more
        Sentence on what is left out, or empty.
    numbers
        Columns, counted from 0, that hold numbers and are set to the right.
    unbroken
        Columns whose text stays on one line, such as times.
    """

    caption: str
    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    anchors: Sequence[str] = ()
    more: str = ""
    numbers: frozenset[int] = frozenset()
    unbroken: frozenset[int] = frozenset()


@dataclass(frozen=True, kw_only=True)
class Section:
    """One heading of the report and what stands below it.

    Attributes
    ----------
    key
        Id within the page.
    heading
        Title.
    facts
        Names and values, each a short line.
    paragraphs
        Sentences in plain words.
    tables
        Tables, in order.
    drawing
        Template macro that draws something, and what it draws; None for nothing.
    warning
        Whether the paragraphs are cautions.
    """

    key: str
    heading: str
    facts: Sequence[tuple[str, str]] = ()
    paragraphs: Sequence[str] = ()
    tables: Sequence[Table] = ()
    drawing: tuple[str, Any] | None = None
    warning: bool = False
