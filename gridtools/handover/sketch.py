"""A sketch for a sheet: which corner to start in and which way to go, or where a hole is."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.layers import Lanes
from gridtools.units import shown_unit

WIDTH_MM = 180.0
HEIGHT_MM = 105.0
_HOLE_HEIGHT_MM = 75.0
#: Ground drawn round a hole and its pegs.
_AROUND_M = 1.0
_MARGIN_MM = 9.0
_LABELS_APART_MM = 11.0
Ring = tuple[tuple[float, float], ...]
ToPaper = Callable[[NDArray[np.float64]], NDArray[np.float64]]
_BAR_STEPS = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)


@dataclass(frozen=True)
class Mark:
    """A lane on the sketch: its ends in millimetres from the upper left, and a label or none."""

    x1: float
    y1: float
    x2: float
    y2: float
    label: str
    label_x: float
    label_y: float


@dataclass(frozen=True)
class Spot:
    """A point on the sketch: a peg, the centre of a hole, or another place."""

    x: float
    y: float
    kind: str
    label: str


@dataclass(frozen=True)
class Sketch:
    """A drawing, grid north up, in millimetres of paper from the upper left, y downwards."""

    width: float
    height: float
    lanes: tuple[Mark, ...]
    outline: tuple[Ring, ...]
    no_go: tuple[Ring, ...]
    bar_mm: float
    bar_words: str
    spots: tuple[Spot, ...] = ()


def sketch(
    lanes: Lanes, outline: shapely.Geometry | None = None, no_go: shapely.Geometry | None = None
) -> Sketch | None:
    """Sketch of the lanes of one section, grid north up, as large as the paper allows.

    Parameters
    ----------
    lanes
        Lanes to draw; the first, the last and some between are labelled at their start.
    outline, no_go
        Search area and ground not to be walked, in the CRS of the lanes; None leaves them out.

    Returns
    -------
    Sketch or None
        None where there is nothing to draw.

    Examples
    --------
    >>> one = Lanes.build(geometry=[shapely.LineString([(0, 0), (0, 50)])], lane_id="1-001")
    >>> sketch(one).bar_words, sketch(one).lanes[0].label
    ('20 m', '1-001')
    """
    if not len(lanes):
        return None
    extra = [g for g in (outline, no_go) if g is not None and not shapely.is_empty(g)]
    frame = _Frame(
        shapely.total_bounds(np.concatenate([lanes.geometry, np.array(extra, dtype=object)])),
        HEIGHT_MM,
    )
    return Sketch(
        width=WIDTH_MM,
        height=frame.height,
        lanes=tuple(_marks(lanes, frame.paper)),
        outline=_rings(outline, frame.paper),
        no_go=_rings(no_go, frame.paper),
        bar_mm=frame.bar_mm,
        bar_words=frame.bar_words,
    )


def hole_sketch(
    hole: shapely.Geometry,
    spots: Sequence[tuple[shapely.Point, str, str]],
    no_go: shapely.Geometry | None = None,
) -> Sketch:
    """Sketch of one hole with what stands round it, grid north up.

    Parameters
    ----------
    hole
        Outline of the hole at ground level, or its centre where the size is unknown.
    spots
        Points with their kind (``centre``, ``peg`` or other) and label.
    no_go
        Ground not to be walked; what lies outside the drawing is cut off.

    Examples
    --------
    >>> drawn = hole_sketch(shapely.box(0, 0, 2, 1), [(shapely.Point(1, 0.5), "centre", "D001")])
    >>> [spot.label for spot in drawn.spots], drawn.bar_words
    (['D001'], '2 m')
    """
    around = shapely.union_all([hole, *(point for point, _, _ in spots)])
    bounds = np.array(around.buffer(_AROUND_M).bounds)
    frame = _Frame(bounds, _HOLE_HEIGHT_MM)
    at = frame.paper(shapely.get_coordinates([point for point, _, _ in spots]))
    return Sketch(
        width=WIDTH_MM,
        height=frame.height,
        lanes=(),
        outline=_rings(hole, frame.paper),
        no_go=() if no_go is None else _rings(no_go & shapely.box(*bounds), frame.paper),
        bar_mm=frame.bar_mm,
        bar_words=frame.bar_words,
        spots=tuple(
            Spot(x, y, kind, label)
            for (x, y), (_, kind, label) in zip(at.tolist(), spots, strict=True)
        ),
    )


class _Frame:
    """Places ground in the drawing, as large as the paper allows, and picks a scale bar."""

    def __init__(self, bounds: NDArray[np.float64], most_mm: float) -> None:
        size_m = np.maximum(bounds[2:] - bounds[:2], 1.0)
        self._scale = min(
            (WIDTH_MM - 2 * _MARGIN_MM) / size_m[0], (most_mm - 2 * _MARGIN_MM) / size_m[1]
        )
        self._height = float(size_m[1] * self._scale + 2 * _MARGIN_MM)
        self._origin = (bounds[:2] + bounds[2:]) / 2
        self.height = round(self._height, 2)
        unit, unit_m = shown_unit()
        longest = WIDTH_MM / 4 / self._scale / unit_m
        bar = max(s for s in _BAR_STEPS if s == 1 or s <= longest)
        self.bar_mm = round(float(bar * unit_m * self._scale), 2)
        self.bar_words = f"{bar} {unit}"

    def paper(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Millimetres on paper (n, 2) of ground coordinates (n, 2)."""
        middle = (WIDTH_MM / 2, self._height / 2)
        offset = (xy - self._origin) * (self._scale, -self._scale) + middle
        return np.asarray(np.round(offset, 2), dtype=np.float64)


def _marks(lanes: Lanes, paper: ToPaper) -> list[Mark]:
    ends = paper(shapely.get_coordinates(shapely.get_point(lanes.geometry, [[0], [-1]]))).reshape(
        2, -1, 2
    )
    along = ends[1] - ends[0]
    length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-9)[:, None]
    label_at = np.round(ends[0] - along / length * 3.5, 2)
    labelled = _apart(label_at)
    return [
        Mark(
            x1=float(ends[0, i, 0]),
            y1=float(ends[0, i, 1]),
            x2=float(ends[1, i, 0]),
            y2=float(ends[1, i, 1]),
            label=lanes.lane_id[i] if i in labelled else "",
            label_x=float(label_at[i, 0]),
            label_y=float(label_at[i, 1]),
        )
        for i in range(len(lanes))
    ]


def _apart(at: NDArray[np.float64]) -> set[int]:
    """Lanes to label: the first, the last, then those whose label stands free of the others."""
    chosen: list[int] = []
    for i in [0, len(at) - 1, *range(1, len(at) - 1)]:
        if np.all(np.abs(at[chosen] - at[i]).max(axis=1, initial=0.0) >= _LABELS_APART_MM):
            chosen.append(i)
    return set(chosen)


def _rings(geometry: shapely.Geometry | None, paper: ToPaper) -> tuple[Ring, ...]:
    if geometry is None:
        return ()
    parts = shapely.get_parts(geometry)
    rings = shapely.get_rings(parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON])
    return tuple(tuple(map(tuple, paper(shapely.get_coordinates(r)).tolist())) for r in rings)
