"""The POD map as a small image inside the page."""

import base64
import io
from collections.abc import Iterable, Iterator

import numpy as np

from gridtools.coverage.pod import PodWindow
from gridtools.handover import palette
from gridtools.swath.cells import CellGrid

#: Colours of the lowest and the highest probability of detection.
RAMP = (palette.GROUND, palette.PASS_1)
#: Cells along the longer side: more than a page shows.
MOST_CELLS = 700


class PodImage:
    """Image of the cautious POD, filled while windows pass; clear outside the search area.

    Parameters
    ----------
    grid
        Cells of the map, at most `MOST_CELLS` along a side or the page grows large.

    Examples
    --------
    >>> import shapely
    >>> grid = CellGrid.over(shapely.box(0, 0, 4, 2), 1.0)
    >>> PodImage(grid).bounds_m
    (0.0, 0.0, 4.0, 2.0)
    """

    def __init__(self, grid: CellGrid) -> None:
        self._grid = grid
        self._pixels = np.zeros((grid.rows, grid.columns, 4), dtype=np.uint8)
        self._low, self._high = (np.array(_rgb(colour), dtype=np.float64) for colour in RAMP)

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """West, south, east, north."""
        grid = self._grid
        east = grid.west_m + grid.columns * grid.cell_m
        return grid.west_m, grid.north_m - grid.rows * grid.cell_m, east, grid.north_m

    def watch(self, windows: Iterable[PodWindow]) -> Iterator[PodWindow]:
        """Pass windows on, drawing each."""
        for part in windows:
            at = part.window
            chance = part.cautious.astype(np.float64)[..., None]
            colour = np.round(self._low + chance * (self._high - self._low))
            rows = slice(at.row, at.row + at.rows)
            columns = slice(at.column, at.column + at.columns)
            self._pixels[rows, columns, :3] = colour
            self._pixels[rows, columns, 3] = np.where(part.inside, 255, 0)
            yield part

    def uri(self) -> str:
        """The image as a data URI."""
        from PIL import Image

        data = io.BytesIO()
        Image.fromarray(self._pixels).quantize(64).save(data, "PNG", optimize=True)
        return "data:image/png;base64," + base64.b64encode(data.getvalue()).decode()


def _rgb(colour: str) -> tuple[int, ...]:
    return tuple(bytes.fromhex(colour.removeprefix("#")))
