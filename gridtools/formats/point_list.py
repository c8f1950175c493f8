"""Point lists as CSV for a total station or a rover: number, northing, easting, height, words."""

import csv
import io
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from gridtools.columns import Layer
from gridtools.errors import InputError, quote
from gridtools.formats.features import dig_words, geometry_of, names_of, spreadsheet_text
from gridtools.layers import Candidates, Control, Digs, Lanes, Pegs

#: Letters of an order of columns, and what each stands for.
COLUMNS = {"P": "point", "N": "northing", "E": "easting", "Z": "height", "D": "description"}
#: What the title row of ours holds, by which a file is known again.
OWN_MARK = b"; gridtools)"


@dataclass(frozen=True, kw_only=True)
class PointList:
    """A point list to be written to a file, and how many points it holds."""

    data: bytes
    points: int


def check_order(order: str) -> str:
    """Order of columns, in capitals.

    Raises
    ------
    InputError
        If it holds another letter, one twice, or lacks point, northing or easting.

    Examples
    --------
    >>> check_order("penzd")
    'PENZD'
    """
    letters = order.upper()
    if len(set(letters)) < len(letters) or not set("PNE") <= set(letters) <= set(COLUMNS):
        raise InputError(
            f"{quote(order)} is no order of columns: each letter once, P point, N northing, "
            "E easting, Z height, D description, the first three at least, as in PNEZD"
        )
    return letters


def write_points(
    layer: Layer,
    crs: CRS,
    metres_per_unit: float,
    *,
    order: str = "PNEZD",
    titles: bool = True,
    number_from: int | None = None,
) -> PointList:
    r"""Points, or both ends of each lane, as a point list in the job CRS.

    Parameters
    ----------
    layer
        A layer of points, or lanes, coordinates in metres.
    crs
        CRS of the job, in its own units, which are those of the list.
    metres_per_unit
        Length of one unit of it.
    order
        Letters of the columns in order, see `check_order`.
    titles
        Whether the first row holds titles, with unit and CRS.
    number_from
        Number of the first point; points keep their names if None. Where numbered, the name
        leads the description.

    Raises
    ------
    InputError
        If there are no points, or the order is none.

    Examples
    --------
    >>> pegs = Pegs.build(geometry=[shapely.Point(7, 8)], peg_id=["P001"], role="baseline")
    >>> write_points(pegs, CRS(32632), 1.0, titles=False).data
    b'P001,8.000,7.000,,peg baseline\r\n'
    """
    letters = check_order(order)
    names, xy, words, height_m = _points(layer)
    if not names:
        raise InputError(f"there are no {layer.table} to send")
    points = names
    if number_from is not None:
        points = [str(number_from + i) for i in range(len(names))]
        words = [f"{name} {text}".strip() for name, text in zip(names, words, strict=True)]
    columns = {
        "P": [spreadsheet_text(point) for point in points],
        "N": _lengths(xy[:, 1] / metres_per_unit),
        "E": _lengths(xy[:, 0] / metres_per_unit),
        "Z": _lengths(height_m / metres_per_unit),
        "D": [spreadsheet_text(text) for text in words],
    }
    out = io.StringIO()
    writer = csv.writer(out)
    if titles:
        row = [COLUMNS[letter] for letter in letters]
        code = ":".join(crs.to_authority() or (crs.name,))
        row[-1] += f" ({code} in {crs.axis_info[0].unit_name}; gridtools)"
        writer.writerow(row)
    writer.writerows(zip(*(columns[letter] for letter in letters), strict=True))
    return PointList(data=out.getvalue().encode(), points=len(points))


def _points(
    layer: Layer,
) -> tuple[list[str], NDArray[np.float64], list[str], NDArray[np.float64]]:
    """Names (n,), places (n, 2), descriptions (n,) and heights (n,) in metres."""
    if isinstance(layer, Lanes):
        return _lane_ends(layer)
    count = len(layer)
    what = layer.table.rstrip("s").replace("_", " ")
    words = [what] * count
    height_m = np.full(count, np.nan)
    if isinstance(layer, Control):
        words, height_m = ["control"] * count, layer.height_m
    elif isinstance(layer, Pegs):
        words = [f"peg {role}" for role in layer.role]
    elif isinstance(layer, Candidates):
        words = [
            f"{verdict} {p:.0%}" for verdict, p in zip(layer.verdict, layer.p_metal, strict=True)
        ]
    elif isinstance(layer, Digs):
        words = dig_words(layer)
    return names_of(layer), shapely.get_coordinates(geometry_of(layer)), words, height_m


def _lane_ends(
    lanes: Lanes,
) -> tuple[list[str], NDArray[np.float64], list[str], NDArray[np.float64]]:
    """Start and finish of each lane in walking order."""
    lanes = lanes.take(np.argsort(lanes.seq, kind="stable"))
    ends = shapely.get_point(lanes.geometry[:, None], [0, -1]).ravel()
    names, words = [], []
    for lane, start, finish in zip(lanes.lane_id, lanes.start_peg, lanes.finish_peg, strict=True):
        names += [start or f"{lane}s", finish or f"{lane}f"]
        words += [f"start of {lane}", f"finish of {lane}"]
    return names, shapely.get_coordinates(ends), words, np.full(len(names), np.nan)


def _lengths(values: NDArray[np.float64]) -> list[str]:
    return [f"{value:.3f}" if np.isfinite(value) else "" for value in values.tolist()]
