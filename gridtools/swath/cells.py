"""Square cells over an area, cut into windows, and which cells lie inside polygons."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.errors import InputError

Flags = NDArray[np.bool_]

_MOST_CELLS = 4_000_000_000
# A bound that lies on a line of the grid but for rounding is on it.
_ON_LINE_CELLS = 1e-6


@dataclass(frozen=True, kw_only=True)
class CellGrid:
    """Square cells in rows from north to south, columns from west to east.

    Attributes
    ----------
    west_m, north_m
        Upper left corner.
    cell_m
        Side of a cell.
    rows, columns
        Number of cells.
    """

    west_m: float
    north_m: float
    cell_m: float
    rows: int
    columns: int

    @classmethod
    def over(cls, area: Any, cell_m: float) -> "CellGrid":
        """Grid over the bounds of a polygon, its lines at whole multiples of the cell.

        Raises
        ------
        InputError
            If the cell is no length, or so small that there would be four thousand million.

        Examples
        --------
        >>> grid = CellGrid.over(shapely.box(10.1, 0.0, 12.0, 1.0), 0.5)
        >>> grid.west_m, grid.north_m, grid.rows, grid.columns
        (10.0, 1.0, 2, 4)
        """
        if not (np.isfinite(cell_m) and cell_m > 0):
            raise InputError(f"a cell of {cell_m:g} m cannot be used: give more than 0")
        low_x, low_y, high_x, high_y = np.asarray(shapely.bounds(area)) / cell_m
        west, south = (int(np.floor(v + _ON_LINE_CELLS)) for v in (low_x, low_y))
        east, north = (int(np.ceil(v - _ON_LINE_CELLS)) for v in (high_x, high_y))
        rows, columns = max(north - south, 1), max(east - west, 1)
        if rows * columns > _MOST_CELLS:
            raise InputError(
                f"cells of {cell_m:g} m make a map of {rows} by {columns}: give a larger cell"
            )
        return cls(
            west_m=west * cell_m, north_m=north * cell_m, cell_m=cell_m, rows=rows, columns=columns
        )

    def coarser(self, factor: int) -> "CellGrid":
        """Grid of larger cells from the same corner, with a border of one of them all round."""
        size = self.cell_m * factor
        return CellGrid(
            west_m=self.west_m - size,
            north_m=self.north_m + size,
            cell_m=size,
            rows=-(-self.rows // factor) + 2,
            columns=-(-self.columns // factor) + 2,
        )

    def windows(self, size: int) -> Iterator["Window"]:
        """Windows of at most size by size cells, along rows."""
        for row in range(0, self.rows, size):
            for column in range(0, self.columns, size):
                yield Window(
                    grid=self,
                    row=row,
                    column=column,
                    rows=min(size, self.rows - row),
                    columns=min(size, self.columns - column),
                )


@dataclass(frozen=True, kw_only=True)
class Window:
    """Part of a grid: its first row and column, and how many of each."""

    grid: CellGrid
    row: int
    column: int
    rows: int
    columns: int

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """West, south, east, north."""
        cell = self.grid.cell_m
        west = self.grid.west_m + self.column * cell
        north = self.grid.north_m - self.row * cell
        return west, north - self.rows * cell, west + self.columns * cell, north

    def places(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Coordinates (n, 2) in metres as column and row (n, 2) of the window, in cells.

        The centre of the first cell is at 0, 0.
        """
        west, _, _, north = self.bounds_m
        return (xy - [west, north]) / [self.grid.cell_m, -self.grid.cell_m] - 0.5


class Outline:
    """Edges of a polygon or multipolygon, to tell which cells of a window it holds."""

    def __init__(self, polygon: Any) -> None:
        xy, ring = shapely.get_coordinates(
            shapely.get_rings(shapely.get_parts(polygon)), return_index=True
        )
        start = np.flatnonzero(ring[:-1] == ring[1:])
        self._a, self._b = xy[start], xy[start + 1]

    def inside(self, window: Window) -> Flags:
        """Cells (rows, columns) whose centre lies inside, by counting edges to the left.

        Edges are half-open: a centre exactly on an edge shared by two polygons is in one of them.

        Examples
        --------
        >>> grid = CellGrid.over(shapely.box(0, 0, 3, 2), 1.0)
        >>> triangle = Outline(shapely.Polygon([(0, 0), (3, 0), (0, 2)]))
        >>> triangle.inside(next(grid.windows(8))).astype(int).tolist()
        [[1, 0, 0], [1, 1, 0]]
        """
        a, b = window.places(self._a), window.places(self._b)
        first = np.ceil(np.clip(np.minimum(a[:, 1], b[:, 1]), 0, window.rows)).astype(np.int64)
        last = np.ceil(np.clip(np.maximum(a[:, 1], b[:, 1]), 0, window.rows)).astype(np.int64)
        count = last - first
        edge = np.repeat(np.arange(len(a)), count)
        row = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count) + first[edge]
        a, b = a[edge], b[edge]
        column = a[:, 0] + (row - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0])
        place = np.ceil(np.clip(column, 0, window.columns)).astype(np.int64)
        turns = np.bincount(
            row * (window.columns + 1) + place, minlength=window.rows * (window.columns + 1)
        ).astype(np.uint8)
        turned = turns.reshape(window.rows, window.columns + 1)[:, :-1]
        return np.asarray(np.bitwise_xor.accumulate(turned & 1, axis=1), dtype=np.bool_)
