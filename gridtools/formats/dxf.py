"""DXF of release 12, which every CAD program reads: layers, lines, points and their names.

Release 12 knows no units and no CRS: both stand in comments at the head of the file.
"""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from gridtools.columns import Layer
from gridtools.formats.features import geometry_of, names_of, one_line

#: Comment by which our files are known again.
OWN_MARK = b"999\r\nMade by gridtools"
#: Height of names, in metres on the ground.
TEXT_HEIGHT_M = 0.5
_LONGEST_NAME = 31
# Index 7 is black on white and white on black.
_COLOUR = 7


def write_dxf(layers: Sequence[Layer], crs: CRS, metres_per_unit: float) -> bytes:
    """Layers as DXF, in the units of the job CRS.

    Each layer, and each pass of it, is a layer of the drawing; names stand on layers of their
    own, which end in ``_TEXT``.

    Parameters
    ----------
    layers
        Layers with geometry, coordinates in metres.
    crs
        CRS of the job, in its own units.
    metres_per_unit
        Length of one unit of it.

    Examples
    --------
    >>> from gridtools.layers import Pegs
    >>> pegs = Pegs.build(geometry=[shapely.Point(7, 8)], peg_id=["P001"])
    >>> b"PEGS_TEXT" in write_dxf([pegs], CRS(32632), 1.0)
    True
    """
    entities: list[tuple[int, str]] = []
    names: dict[str, None] = {}
    for layer in layers:
        xy = shapely.transform(geometry_of(layer), lambda c: c / metres_per_unit)
        for shape, name, on in zip(xy, names_of(layer), drawing_layers(layer), strict=True):
            names[on] = names[f"{on}_TEXT"] = None
            entities += _shape(shape, on)
            entities += _name(shape, name, f"{on}_TEXT", TEXT_HEIGHT_M / metres_per_unit)
    code = ":".join(crs.to_authority() or ("", ""))
    unit = crs.axis_info[0].unit_name
    pairs = [
        (999, "Made by gridtools"),
        (999, _ascii(f"CRS {crs.name} {code.strip(':')}, unit {unit}")),
        *_section("HEADER", [(9, "$ACADVER"), (1, "AC1009")]),
        *_section("TABLES", _tables(names)),
        *_section("ENTITIES", entities),
        (0, "EOF"),
    ]
    return "".join(f"{group}\r\n{value}\r\n" for group, value in pairs).encode("ascii")


def drawing_layers(layer: Layer) -> list[str]:
    """Layer of the drawing (n,) on which each row goes.

    Examples
    --------
    >>> from gridtools.layers import Lanes
    >>> lane = shapely.LineString([(0, 0), (1, 0)])
    >>> drawing_layers(Lanes.build(geometry=[lane], pass_no=[2]))
    ['LANES_PASS_2']
    """
    table = layer.table.upper()
    passes = getattr(layer, "pass_no", None)
    if passes is None:
        return [table] * len(layer)
    return [f"{table}_PASS_{number}" if number else table for number in passes.tolist()]


def _shape(shape: Any, on: str) -> Iterator[tuple[int, str]]:
    if shape.geom_type == "Point":
        yield from ((0, "POINT"), (8, on))
        yield from _at(shapely.get_coordinates(shape)[0])
    elif shape.geom_type == "LineString":
        yield from _line(shapely.get_coordinates(shape), on, closed=False)
    else:
        for ring in shapely.get_rings(shapely.get_parts(shape)):
            yield from _line(shapely.get_coordinates(ring)[:-1], on, closed=True)


def _line(xy: NDArray[np.float64], on: str, *, closed: bool) -> Iterator[tuple[int, str]]:
    yield from ((0, "POLYLINE"), (8, on), (66, "1"), (10, "0.0"), (20, "0.0"), (30, "0.0"))
    yield (70, "1" if closed else "0")
    for point in xy:
        yield from ((0, "VERTEX"), (8, on))
        yield from _at(point)
    yield from ((0, "SEQEND"), (8, on))


def _name(shape: Any, name: str, on: str, height: float) -> list[tuple[int, str]]:
    place = shape
    if shape.geom_type == "LineString":
        place = shapely.get_point(shape, 0)
    elif shape.geom_type != "Point":
        place = shapely.point_on_surface(shape)
    at = shapely.get_coordinates(place)[0]
    # The doubled percent sign begins a code in text.
    words = _ascii(one_line(name).replace("%%", "% %"))
    return [(0, "TEXT"), (8, on), *_at(at), (40, f"{height:.4f}"), (1, words)]


def _at(point: NDArray[np.float64]) -> list[tuple[int, str]]:
    x, y = point.tolist()
    return [(10, f"{x:.4f}"), (20, f"{y:.4f}"), (30, "0.0")]


def _section(name: str, content: Sequence[tuple[int, str]]) -> list[tuple[int, str]]:
    return [(0, "SECTION"), (2, name), *content, (0, "ENDSEC")]


def _tables(names: dict[str, None]) -> list[tuple[int, str]]:
    lines = [
        (0, "TABLE"), (2, "LTYPE"), (70, "1"),
        (0, "LTYPE"), (2, "CONTINUOUS"), (70, "0"), (3, "Solid line"), (72, "65"), (73, "0"),
        (40, "0.0"), (0, "ENDTAB"), (0, "TABLE"), (2, "LAYER"), (70, str(len(names) + 1)),
    ]  # fmt: skip
    for name in ("0", *names):
        lines += [
            (0, "LAYER"), (2, name[:_LONGEST_NAME]), (70, "0"), (62, str(_COLOUR)),
            (6, "CONTINUOUS"),
        ]  # fmt: skip
    return [*lines, (0, "ENDTAB")]


def _ascii(text: str) -> str:
    r"""Text with other letters in the form \U+XXXX, as DXF writes them."""
    units = text.encode("utf-16-be")
    codes = [int.from_bytes(units[i : i + 2]) for i in range(0, len(units), 2)]
    return "".join(chr(code) if code < 128 else f"\\U+{code:04X}" for code in codes)
