"""POD maps as GeoTIFF, written window by window."""

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from gridtools.coverage.pod import PodWindow
from gridtools.errors import FileError, InputError, RefusedError
from gridtools.swath.cells import CellGrid

NODATA = -1.0
_SOFTWARE = "gridtools"
_BLOCK = 256
# A binary fraction: values end in zeros and compress well, and are off by at most 0.0001. No value
# is rounded up to certainty.
_STEPS = 8192.0
_LEAST_OVERVIEW = 256
_CACHE_BYTES = 32 * 2**20


def write_pod_map(
    path: str | Path,
    windows: Iterable[PodWindow],
    grid: CellGrid,
    *,
    crs: CRS,
    metres_per_unit: float,
    bearings_deg: Sequence[float],
    statements: Mapping[str, str],
) -> None:
    """Write a POD map: tiled, compressed, with overviews; whole or not at all.

    Bands: POD independent between runs, cautious POD, and crossings by heading class. Cells
    outside the search area hold no data (-1).

    Parameters
    ----------
    path
        File ending in .tif or .tiff; an earlier POD map there is replaced.
    windows
        Values, in any order.
    grid
        All cells, in metres.
    crs, metres_per_unit
        CRS of the job in its own units, in which the file is written, and their length.
    bearings_deg
        Bearings (4,) of the heading classes, from grid north.
    statements
        What was assumed, by key, for the metadata.

    Raises
    ------
    InputError
        If the name ends otherwise.
    RefusedError
        If there is a file that is not an earlier POD map.
    FileError
        If the file cannot be written.
    """
    target = Path(path)
    check_target(target)
    try:
        folder = Path(tempfile.mkdtemp(prefix=f".{target.stem}-", dir=target.parent))
    except OSError as error:
        raise FileError(f"{target} cannot be written: {error.strerror}") from error
    try:
        scratch = folder / target.name
        with _failures(target), _sparing():
            _write(scratch, windows, grid, crs, metres_per_unit, bearings_deg, statements)
            os.replace(scratch, target)  # noqa: PTH105 - so that it replaces on every system
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def check_target(path: str | Path) -> None:
    """Refuse a name that a POD map cannot or must not take.

    Raises
    ------
    InputError
        If the name does not end in .tif or .tiff.
    RefusedError
        If there is a file that is not an earlier POD map.
    """
    target = Path(path)
    if target.suffix.lower() not in (".tif", ".tiff"):
        raise InputError(f"{target}: the name of a POD map ends in .tif")
    if os.path.lexists(target) and not _is_pod_map(target):
        raise RefusedError(f"{target} is not a POD map of gridtools: choose another name")


def _is_pod_map(path: Path) -> bool:
    import rasterio

    try:
        with rasterio.open(path) as file:
            return bool(file.tags().get("TIFFTAG_SOFTWARE") == _SOFTWARE)
    except rasterio.errors.RasterioError:
        return False


def _sparing() -> contextlib.AbstractContextManager[Any]:
    """Environment in which little is kept in memory: by default one twentieth of all there is."""
    import rasterio

    env: contextlib.AbstractContextManager[Any] = rasterio.Env(GDAL_CACHEMAX=_CACHE_BYTES)
    return env


@contextlib.contextmanager
def _failures(target: Path) -> Iterator[None]:
    """Failures to write, as one sentence with the name of the target."""
    from rasterio._err import CPLE_BaseError
    from rasterio.errors import RasterioError

    try:
        yield
    except OSError as error:
        raise FileError(f"{target} cannot be written: {error.strerror or error}") from error
    except (RasterioError, CPLE_BaseError) as error:
        raise FileError(f"{target} cannot be written: {error}") from error


def _write(
    path: Path,
    windows: Iterable[PodWindow],
    grid: CellGrid,
    crs: CRS,
    metres_per_unit: float,
    bearings_deg: Sequence[float],
    statements: Mapping[str, str],
) -> None:
    import rasterio
    from rasterio.enums import Resampling

    cell = grid.cell_m / metres_per_unit
    # The corner is a whole number of cells, so that maps of one cell size lie on one lattice.
    west, north = (round(place / grid.cell_m) * cell for place in (grid.west_m, grid.north_m))
    bands = [
        ("POD, independent between runs", "1"),
        ("POD, cautious: no credit for repeats of one pass", "1"),
        *((f"crossings on heading {b:.1f} deg", "runs") for b in bearings_deg),
    ]
    sharing = {"compress": "deflate", "predictor": 3, "zlevel": 4, "num_threads": "all_cpus"}
    with rasterio.open(
        path, "w", driver="GTiff", width=grid.columns, height=grid.rows, count=len(bands),
        dtype="float32", nodata=NODATA, crs=rasterio.CRS.from_wkt(crs.to_wkt()),
        transform=rasterio.Affine(cell, 0.0, west, 0.0, -cell, north), tiled=True,
        blockxsize=_BLOCK, blockysize=_BLOCK, interleave="band", bigtiff="if_safer",
        sparse_ok=True, **sharing,
    ) as file:  # fmt: skip
        file.update_tags(TIFFTAG_SOFTWARE=_SOFTWARE, **statements)
        for number, (what, unit) in enumerate(bands, start=1):
            file.set_band_description(number, what)
            file.set_band_unit(number, unit)
        for part in windows:
            w = part.window
            where = rasterio.windows.Window(w.column, w.row, w.columns, w.rows)
            file.write(_values(part), window=where)
    levels = [2**k for k in range(1, 16) if max(grid.rows, grid.columns) >= _LEAST_OVERVIEW * 2**k]
    if levels:
        with (
            rasterio.Env(COMPRESS_OVERVIEW="DEFLATE", PREDICTOR_OVERVIEW=3, GDAL_NUM_THREADS=2),
            rasterio.open(path, "r+") as file,
        ):
            file.build_overviews(levels, Resampling.average)
    with rasterio.open(path) as file:
        # What was lost for want of room shows on reading, if not before.
        file.checksum(1)


def _values(part: PodWindow) -> NDArray[Any]:
    values = np.empty((2 + len(part.crossings), *part.inside.shape), dtype=np.float32)
    for band, chance in enumerate((part.independent, part.cautious)):
        np.minimum(np.rint(chance * np.float32(_STEPS)), _STEPS - 1, out=values[band])
    values[:2] *= np.float32(1 / _STEPS)
    values[2:] = part.crossings
    values[:, ~part.inside] = NODATA
    return values
