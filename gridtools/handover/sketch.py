"""A sketch of the lanes for the head of a sheet: which corner to start in, and which way to go."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.layers import Lanes

WIDTH_MM = 180.0
HEIGHT_MM = 105.0
_MARGIN_MM = 9.0
_LABELS_APART_MM = 11.0
ToPaper = Callable[[NDArray[np.float64]], NDArray[np.float64]]
_BAR_STEPS_M = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)


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
class Sketch:
    """A drawing ready for the template, grid north up, all lengths in millimetres of paper."""

    width: float
    height: float
    lanes: tuple[Mark, ...]
    outline: str
    no_go: str
    bar_mm: float
    bar_m: int


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
    >>> sketch(one).bar_m, sketch(one).lanes[0].label
    (20, '1-001')
    """
    if not len(lanes):
        return None
    extra = [g for g in (outline, no_go) if g is not None and not shapely.is_empty(g)]
    bounds = shapely.total_bounds(np.concatenate([lanes.geometry, np.array(extra, dtype=object)]))
    size_m = np.maximum(bounds[2:] - bounds[:2], 1.0)
    scale = min((WIDTH_MM - 2 * _MARGIN_MM) / size_m[0], (HEIGHT_MM - 2 * _MARGIN_MM) / size_m[1])
    height = float(size_m[1] * scale + 2 * _MARGIN_MM)
    origin = (bounds[:2] + bounds[2:]) / 2

    def paper(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        offset = (xy - origin) * (scale, -scale) + (WIDTH_MM / 2, height / 2)
        return np.asarray(np.round(offset, 2), dtype=np.float64)

    bar_m = max(s for s in _BAR_STEPS_M if s == 1 or s * scale <= WIDTH_MM / 4)
    return Sketch(
        width=WIDTH_MM,
        height=round(height, 2),
        lanes=tuple(_marks(lanes, paper)),
        outline=_path(outline, paper),
        no_go=_path(no_go, paper),
        bar_mm=round(bar_m * scale, 2),
        bar_m=bar_m,
    )


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


def _path(geometry: shapely.Geometry | None, paper: ToPaper) -> str:
    if geometry is None:
        return ""
    parts = shapely.get_parts(geometry)
    rings = shapely.get_rings(parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON])
    return " ".join(
        "M" + " L".join(f"{x:g},{y:g}" for x, y in paper(shapely.get_coordinates(r))) + " Z"
        for r in rings
    )
