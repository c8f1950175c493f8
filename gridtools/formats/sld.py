"""Styles as OGC Styled Layer Descriptor 1.0.0 (OGC 02-070), the version that most programs read.

Only what the standard itself names is used. It knows no arrows, no hatching, no label at the end
of a line and no number formats: lanes go without arrows, hatching becomes a pattern of crosses,
a lane has one label along it, and a label is one column.
"""

from collections.abc import Sequence
from xml.etree import ElementTree as ET

from gridtools.columns import Layer
from gridtools.handover.symbols import Area, Hatch, Label, Line, Mark, Style, Where

#: Name of our styles in their files.
OWN_NAME = "gridtools"
_SLD = "http://www.opengis.net/sld"
_OGC = "http://www.opengis.net/ogc"
_MM_PER_PIXEL = 0.28  # the standard's own pixel (OGC 02-070, 10.2)
_PIXELS_PER_POINT = 25.4 / 72 / _MM_PER_PIXEL
_COMPARE = {
    "=": "PropertyIsEqualTo",
    ">=": "PropertyIsGreaterThanOrEqualTo",
    "<": "PropertyIsLessThan",
}


def write_sld(layer: type[Layer], style: Style) -> bytes:
    """Style document of a layer.

    Examples
    --------
    >>> from gridtools.handover.styles import STYLES
    >>> from gridtools.layers import Site
    >>> b"<Title>site</Title>" in write_sld(Site, STYLES[Site])
    True
    """
    root = ET.Element(
        "StyledLayerDescriptor", {"version": "1.0.0", "xmlns": _SLD, "xmlns:ogc": _OGC}
    )
    named = ET.SubElement(root, "NamedLayer")
    _text(named, "Name", layer.table)
    user = ET.SubElement(named, "UserStyle")
    _text(user, "Name", OWN_NAME)
    _text(user, "Title", layer.table.replace("_", " "))
    _text(user, "Abstract", layer.meaning)
    rules = ET.SubElement(user, "FeatureTypeStyle")
    for rule in style.rules:
        element = ET.SubElement(rules, "Rule")
        _text(element, "Title", rule.title)
        _filter(element, rule.where)
        for part in rule.symbol:
            _symbolizer(element, part)
    for label in style.labels:
        if label.at != "finish":
            element = ET.SubElement(rules, "Rule")
            _filter(element, label.where)
            if label.closer_than:
                _text(element, "MaxScaleDenominator", str(label.closer_than))
            _label(element, layer, label)
    ET.indent(root, " ")
    document: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return document


def _symbolizer(rule: ET.Element, part: Line | Area | Mark) -> None:
    if isinstance(part, Line):
        _stroke(ET.SubElement(rule, "LineSymbolizer"), part)
    elif isinstance(part, Mark):
        _graphic(ET.SubElement(rule, "PointSymbolizer"), part)
    else:
        if part.colour:
            plain = ET.SubElement(rule, "PolygonSymbolizer")
            _fill(plain, part.colour, part.opacity)
        if part.hatch is not None or part.outline is not None:
            drawn = ET.SubElement(rule, "PolygonSymbolizer")
            if part.hatch is not None:
                _pattern(drawn, part.hatch)
            if part.outline is not None:
                _stroke(drawn, part.outline)


def _pattern(parent: ET.Element, hatch: Hatch) -> None:
    """Crosses side by side; wider apart where the hatching goes one way only."""
    size = hatch.spacing_mm * (1.4 if hatch.crossed else 2.8)
    fill = ET.SubElement(ET.SubElement(parent, "Fill"), "GraphicFill")
    _graphic(fill, Mark(shape="x", size_mm=size, outline=hatch.colour, outline_mm=hatch.width_mm))


def _graphic(parent: ET.Element, mark: Mark) -> None:
    graphic = ET.SubElement(parent, "Graphic")
    element = ET.SubElement(graphic, "Mark")
    # The standard knows no diamond: a square on its corner.
    diamond = mark.shape == "diamond"
    _text(element, "WellKnownName", "square" if diamond else mark.shape)
    _fill(element, mark.colour or "#ffffff", 1.0 if mark.colour else 0.0)
    _stroke(element, Line(colour=mark.outline, width_mm=mark.outline_mm))
    _text(graphic, "Size", _pixels(mark.size_mm / 2**0.5 if diamond else mark.size_mm))
    if diamond:
        _text(graphic, "Rotation", "45")


def _fill(parent: ET.Element, colour: str, opacity: float = 1.0) -> None:
    fill = ET.SubElement(parent, "Fill")
    _css(fill, "fill", colour)
    if opacity < 1.0:
        _css(fill, "fill-opacity", f"{opacity:g}")


def _stroke(parent: ET.Element, line: Line) -> None:
    stroke = ET.SubElement(parent, "Stroke")
    _css(stroke, "stroke", line.colour)
    _css(stroke, "stroke-width", _pixels(line.width_mm))
    if line.opacity < 1.0:
        _css(stroke, "stroke-opacity", f"{line.opacity:g}")
    if line.dash_mm:
        _css(stroke, "stroke-dasharray", " ".join(map(_pixels, line.dash_mm)))


def _label(rule: ET.Element, layer: type[Layer], label: Label) -> None:
    text = ET.SubElement(rule, "TextSymbolizer")
    _ogc(ET.SubElement(text, "Label"), "PropertyName").text = label.column
    font = ET.SubElement(text, "Font")
    _css(font, "font-family", "SansSerif")
    _css(font, "font-size", f"{label.size_pt * _PIXELS_PER_POINT:.1f}")
    if label.bold:
        _css(font, "font-weight", "bold")
    placement = ET.SubElement(text, "LabelPlacement")
    if layer.geometry_type == "LineString":
        ET.SubElement(placement, "LinePlacement")
    else:
        beside = label.at == "beside"
        point = ET.SubElement(placement, "PointPlacement")
        # Beside, the text is anchored in the middle of its left edge, as the standard has it.
        if not beside:
            anchor = ET.SubElement(point, "AnchorPoint")
            _text(anchor, "AnchorPointX", "0.5")
            _text(anchor, "AnchorPointY", "0.5")
        else:
            move = ET.SubElement(point, "Displacement")
            _text(move, "DisplacementX", _pixels(label.offset_mm))
            _text(move, "DisplacementY", "0")
    halo = ET.SubElement(text, "Halo")
    _text(halo, "Radius", _pixels(0.5))
    _fill(halo, label.halo)
    _fill(text, label.colour)


def _filter(rule: ET.Element, where: Sequence[Where]) -> None:
    if where:
        parent = _ogc(rule, "Filter")
        if len(where) > 1:
            parent = _ogc(parent, "And")
        for condition in where:
            _condition(parent, condition)


def _condition(parent: ET.Element, where: Where) -> None:
    if isinstance(where.value, bool):
        # Programs that hand the filter to SQLite find neither 'true' nor 'false' in the 1 and 0
        # of a GeoPackage: a flag is what is not its opposite.
        where = Where(where.column, "<>", str(not where.value).lower())
    if where.is_ == "<>":
        parent = _ogc(parent, "Not")
    if where.value == "":  # text that nobody wrote is stored as no value
        _ogc(_ogc(parent, "PropertyIsNull"), "PropertyName").text = where.column
        return
    compared = _ogc(parent, _COMPARE["=" if where.is_ == "<>" else where.is_])
    _ogc(compared, "PropertyName").text = where.column
    _ogc(compared, "Literal").text = str(where.value)


def _ogc(parent: ET.Element, tag: str) -> ET.Element:
    return ET.SubElement(parent, f"ogc:{tag}")


def _css(parent: ET.Element, name: str, value: str) -> None:
    ET.SubElement(parent, "CssParameter", name=name).text = value


def _text(parent: ET.Element, tag: str, text: str) -> None:
    ET.SubElement(parent, tag).text = text


def _pixels(length_mm: float) -> str:
    return f"{length_mm / _MM_PER_PIXEL:.2f}".rstrip("0").rstrip(".")
