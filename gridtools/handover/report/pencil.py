"""The pencil of the map: layers as groups of paths and symbols, no finer than can be seen."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

#: Features of one layer that each keep their own name to point at; beyond it they become one path.
MOST_NAMED = 6000
#: Labels of one layer that are legible on the whole map; with more, they wait for a closer look.
MOST_LABELS = 60


@dataclass(frozen=True)
class Shape:
    """One path of the map, with the words shown when it is pointed at."""

    path: str
    words: str


@dataclass(frozen=True)
class Spot:
    """One point of the map: a symbol, the words shown when it is pointed at, and its label."""

    x: float
    y: float
    symbol: str
    words: str
    label: str


@dataclass(frozen=True)
class Group:
    """One layer of the map.

    Attributes
    ----------
    key
        Class of the group, which its colours hang on.
    title
        Words beside its switch.
    shapes, spots
        What is drawn.
    shown
        Whether it is drawn before anyone asks.
    crowded
        Whether its labels wait for a closer look.
    """

    key: str
    title: str
    shapes: Sequence[Shape] = ()
    spots: Sequence[Spot] = ()
    shown: bool = True
    crowded: bool = False

    @property
    def swatch(self) -> str:
        """Symbol that stands for the group in the list of switches; empty for lines and areas."""
        return self.spots[0].symbol if self.spots else ""

    @property
    def filled(self) -> bool:
        """Whether it holds areas."""
        return bool(self.shapes) and self.shapes[0].path.endswith("Z")


class Pencil:
    """Draws geometries in the map's own frame, with no more detail than can be seen."""

    def __init__(self, west: float, north: float, detail_m: float) -> None:
        self._corner = np.array([west, north])
        self._detail_m = detail_m
        self._places = max(0, math.ceil(-math.log10(detail_m)))

    def areas(
        self,
        key: str,
        title: str,
        geometry: NDArray[np.object_],
        words: Callable[[int], str],
        *,
        shown: bool = True,
    ) -> Group:
        """Group of areas."""
        paths = self._paths(geometry, close=True)
        return Group(key, title, shapes=_named(paths, words, title), shown=shown)

    def lines(
        self,
        key: str,
        title: str,
        geometry: NDArray[np.object_],
        words: Callable[[int], str],
        *,
        shown: bool = True,
    ) -> Group:
        """Group of lines."""
        paths = self._paths(geometry, close=False)
        return Group(key, title, shapes=_named(paths, words, title), shown=shown)

    def points(
        self,
        key: str,
        title: str,
        geometry: NDArray[np.object_],
        symbols: Sequence[str],
        words: Callable[[int], str],
        labels: NDArray[np.object_] | None,
        *,
        shown: bool = True,
    ) -> Group:
        """Group of points."""
        at = self._frame(shapely.get_coordinates(geometry))
        spots = [
            Spot(x, y, symbols[i], words(i), "" if labels is None else labels[i])
            for i, (x, y) in enumerate(at.tolist())
        ]
        return Group(key, title, spots=spots, shown=shown, crowded=len(spots) > MOST_LABELS)

    def _frame(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        moved = (xy - self._corner) * (1.0, -1.0)
        return np.asarray(np.round(moved, self._places), dtype=np.float64)

    def _paths(self, geometry: NDArray[np.object_], *, close: bool) -> list[str]:
        """Path data of every geometry, empty where nothing of it can be seen."""
        if not len(geometry):
            return []
        plain = shapely.simplify(geometry, self._detail_m, preserve_topology=close)
        parts, owner = shapely.get_parts(plain, return_index=True)
        rings = parts
        if close:
            rings, polygon = shapely.get_rings(parts, return_index=True)
            owner = owner[polygon]
        xy, ring = shapely.get_coordinates(rings, return_index=True)
        texts = [f"{x:g} {y:g}" for x, y in self._frame(xy).tolist()]
        starts = np.searchsorted(ring, np.arange(len(rings) + 1)).tolist()
        out = [""] * len(geometry)
        for i, who in enumerate(owner.tolist()):
            points = texts[starts[i] : starts[i + 1]]
            out[who] += f"M{'L'.join(points[:-1])}Z" if close else f"M{'L'.join(points)}"
        return out


def _named(paths: list[str], words: Callable[[int], str], title: str) -> list[Shape]:
    if len(paths) > MOST_NAMED:
        return [Shape("".join(paths), f"{title}: {len(paths)} features")]
    return [Shape(path, words(i)) for i, path in enumerate(paths) if path]
