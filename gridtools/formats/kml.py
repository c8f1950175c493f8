"""KML 2.2 (OGC 07-147r2): layers as folders, in the colours of our styles."""

from collections.abc import Sequence
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from gridtools.columns import Layer
from gridtools.formats.features import lonlat_geometry, names_of, one_line, plain_columns
from gridtools.handover.aliases import alias
from gridtools.handover.palette import INK
from gridtools.handover.styles import STYLES
from gridtools.handover.symbols import Area, Line, Rule, Style, rule_of_rows

_KML = "http://www.opengis.net/kml/2.2"
#: Comment by which our files are known again.
OWN_MARK = b"<!-- gridtools -->"
_PIXELS_PER_MM = 96 / 25.4


def write_kml(layers: Sequence[Layer], crs: CRS, *, title: str = "") -> bytes:
    """Layers as one KML document.

    Parameters
    ----------
    layers
        Layers with geometry, in the metric CRS.
    crs
        The metric CRS.
    title
        Name of the document.

    Examples
    --------
    >>> from gridtools.layers import Pegs
    >>> pegs = Pegs.build(geometry=[shapely.Point(500_000, 5_600_000)], peg_id=["P<1>"])
    >>> b"<name>P&lt;1&gt;</name>" in write_kml([pegs], CRS(32632))
    True
    """
    root = ET.Element("kml", xmlns=_KML)
    document = ET.SubElement(root, "Document")
    _text(document, "name", title)
    for layer in layers:
        _styles(document, layer)
    for layer in layers:
        _folder(document, layer, crs)
    body = ET.tostring(root, encoding="unicode")
    return f"<?xml version='1.0' encoding='UTF-8'?>\n{OWN_MARK.decode()}\n{body}\n".encode()


def _folder(document: ET.Element, layer: Layer, crs: CRS) -> None:
    folder = ET.SubElement(document, "Folder")
    _text(folder, "name", layer.table.replace("_", " "))
    _text(folder, "description", layer.meaning)
    columns = plain_columns(layer)
    rules = rule_of_rows(STYLES[type(layer)], layer)
    for i, (name, shape) in enumerate(
        zip(names_of(layer), lonlat_geometry(layer, crs), strict=True)
    ):
        mark = ET.SubElement(folder, "Placemark")
        _text(mark, "name", one_line(name))
        # A description would be shown as HTML; these values are shown as text.
        data = ET.Element("ExtendedData")
        for column, values in columns.items():
            if values[i] is not None and values[i] != "":
                item = ET.SubElement(data, "Data", name=column)
                _text(item, "displayName", alias(column))
                _text(item, "value", _words(values[i]))
        if rules[i] >= 0:
            _text(mark, "styleUrl", f"#{layer.table}-{rules[i]}")
        mark.append(data)
        _geometry(mark, shape)


def _geometry(parent: ET.Element, shape: Any) -> None:
    kind = shape.geom_type
    if kind in ("Point", "LineString"):
        _coordinates(ET.SubElement(parent, kind), shapely.get_coordinates(shape))
    elif kind == "Polygon":
        polygon = ET.SubElement(parent, "Polygon")
        for number, ring in enumerate(shapely.get_rings(shape)):
            side = "innerBoundaryIs" if number else "outerBoundaryIs"
            line = ET.SubElement(ET.SubElement(polygon, side), "LinearRing")
            _coordinates(line, shapely.get_coordinates(ring))
    else:
        many = ET.SubElement(parent, "MultiGeometry")
        for part in shapely.get_parts(shape):
            _geometry(many, part)


def _coordinates(parent: ET.Element, lonlat: NDArray[np.float64]) -> None:
    _text(parent, "coordinates", " ".join(f"{lon:.9f},{lat:.9f}" for lon, lat in lonlat.tolist()))


def _styles(document: ET.Element, layer: Layer) -> None:
    style: Style = STYLES[type(layer)]
    for number, rule in enumerate(style.rules):
        element = ET.SubElement(document, "Style", id=f"{layer.table}-{number}")
        _style(element, rule)


def _style(element: ET.Element, rule: Rule) -> None:
    top = rule.symbol[-1]
    if isinstance(top, Line):
        _stroke(element, top)
    elif isinstance(top, Area):
        if top.outline is not None:
            _stroke(element, top.outline)
        fill = ET.SubElement(element, "PolyStyle")
        _text(fill, "color", _colour(top.colour or INK, top.opacity * 0.6 if top.colour else 0.0))
        _text(fill, "outline", "1" if top.outline is not None else "0")
    else:
        icon = ET.SubElement(element, "IconStyle")
        _text(icon, "color", _colour(top.colour or top.outline))


def _stroke(element: ET.Element, line: Line) -> None:
    stroke = ET.SubElement(element, "LineStyle")
    _text(stroke, "color", _colour(line.colour, line.opacity))
    _text(stroke, "width", f"{max(1.0, line.width_mm * _PIXELS_PER_MM):.1f}")


def _colour(colour: str, opacity: float = 1.0) -> str:
    """Colour as KML writes it: opacity, blue, green, red."""
    return f"{round(255 * opacity):02x}{colour[5:7]}{colour[3:5]}{colour[1:3]}"


def _words(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return one_line(value) if isinstance(value, str) else f"{value}"


def _text(parent: ET.Element, tag: str, text: str) -> None:
    ET.SubElement(parent, tag).text = text
