"""A whole layer as CSV, for a spreadsheet or an archive: every column, and where each row lies."""

import csv
import io

import numpy as np
import shapely

from gridtools.columns import Layer
from gridtools.formats.features import geometry_of, plain_columns, spreadsheet_text

_MILLIMETRES = 4


def write_layer(layer: Layer, metres_per_unit: float = 1.0) -> bytes:
    r"""Layer as CSV, coordinates in the units of the job CRS.

    Points have columns ``easting`` and ``northing``; lines and areas one with their outline as
    well-known text (OGC 06-103r4).

    Examples
    --------
    >>> from gridtools.layers import Tape
    >>> write_layer(Tape.build(tape_id=["T001"], from_m=[0.5])).splitlines()[1]
    b'T001,,,0.5,,,no'
    """
    columns = plain_columns(layer)
    if layer.geometry_type is not None:
        shapes = shapely.transform(
            geometry_of(layer), lambda xy: np.round(xy / metres_per_unit, _MILLIMETRES)
        )
        if layer.geometry_type == "Point":
            xy = shapely.get_coordinates(shapes)
            columns |= {"easting": xy[:, 0].tolist(), "northing": xy[:, 1].tolist()}
        else:
            texts = shapely.to_wkt(shapes, rounding_precision=_MILLIMETRES, trim=True)
            columns["wkt"] = texts.tolist()
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(columns)
    cells = [[_cell(value) for value in values] for values in columns.values()]
    writer.writerows(zip(*cells, strict=True))
    return out.getvalue().encode()


def _cell(value: object) -> object:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return spreadsheet_text(value) if isinstance(value, str) else value
