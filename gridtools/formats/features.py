"""Rows of any layer as plain values, with a name for each, for the writers of other formats."""

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from gridtools.columns import Kind, Layer
from gridtools.geodesy import WGS84, transform_geometry
from gridtools.layers import Digs

# 1e-9 of a degree is a tenth of a millimetre.
_DEGREE_PLACES = 9


def geometry_of(layer: Layer) -> NDArray[np.object_]:
    """Geometries (n,) of a layer, in metres."""
    geometry: NDArray[np.object_] = layer.geometry  # type: ignore[attr-defined]
    return geometry


def lonlat_geometry(layer: Layer, crs: CRS) -> NDArray[np.object_]:
    """Geometries (n,) of a layer in WGS 84, outer rings counterclockwise, inner ones clockwise."""
    lonlat = transform_geometry(geometry_of(layer), crs, WGS84)
    rounded = shapely.transform(lonlat, lambda xy: np.round(xy, _DEGREE_PLACES))
    return np.asarray(shapely.orient_polygons(rounded, exterior_cw=False), dtype=np.object_)


def names_of(layer: Layer) -> list[str]:
    """Name of each row (n,): its id, else its first words, else the layer's name.

    Examples
    --------
    >>> from gridtools.layers import Covered, Exclusion
    >>> square = [shapely.box(0, 0, 1, 1)]
    >>> names_of(Exclusion.build(geometry=square, reason=["pond"]))
    ['pond']
    >>> names_of(Covered.build(geometry=[shapely.MultiPolygon(square)], pass_no=[2]))
    ['covered 2']
    """
    first = next(c for c in layer.columns() if layer.id_column in (None, c.name))
    values = getattr(layer, first.name).tolist()
    title = layer.table.replace("_", " ")
    if first.kind is Kind.TEXT:
        return [value or title for value in values]
    return [f"{title} {value}" for value in values]


def dig_words(digs: Digs) -> list[str]:
    """Each dig (n,) in words: why it must wait, what to mind, its remark."""
    return [
        "; ".join(
            words
            for words in (
                f"dig {candidate}",
                hold and f"on hold: {hold}",
                mind and f"mind: {mind}",
                note,
            )
            if words
        )
        for candidate, hold, mind, note in zip(
            digs.candidate_id, digs.hold, digs.cautions, digs.note, strict=True
        )
    ]


def plain_columns(layer: Layer) -> dict[str, list[Any]]:
    """Columns as plain values: unknown ones None, times as text in ISO 8601, bytes left out.

    Examples
    --------
    >>> from gridtools.layers import Tape
    >>> plain_columns(Tape.build(tape_id=["T001"], from_m=[0.5]))["to_m"]
    [None]
    """
    columns = {}
    for column in layer.columns():
        values = getattr(layer, column.name)
        if column.kind is Kind.BLOB:
            continue
        if column.kind is Kind.TIME:
            texts = np.datetime_as_string(values, unit="ms", timezone="UTC").tolist()
            plain = [
                None if unknown else text
                for text, unknown in zip(texts, np.isnat(values).tolist(), strict=True)
            ]
        elif column.kind is Kind.REAL:
            plain = [None if value != value else value for value in values.tolist()]
        else:
            plain = values.tolist()
        columns[column.name] = plain
    return columns


def one_line(text: str) -> str:
    r"""Text on one line, without control characters.

    Examples
    --------
    >>> one_line("by the gate,\nleft")
    'by the gate, left'
    """
    if text.isprintable():  # nearly always, and by the million
        return text.strip()
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def spreadsheet_text(text: str) -> str:
    """Text on one line that a spreadsheet takes for text, whatever it begins with.

    A text that would be read as a formula is led by an apostrophe (OWASP, CSV Injection).

    Examples
    --------
    >>> spreadsheet_text("=cmd()"), spreadsheet_text("1-001")
    ("'=cmd()", '1-001')
    """
    plain = one_line(text)
    # The wide forms are read as the narrow ones by some spreadsheets.
    return f"'{plain}" if plain.startswith(("=", "+", "-", "@", "＝", "＋", "－", "＠")) else plain
