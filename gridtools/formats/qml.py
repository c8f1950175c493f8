"""Styles as QML, the style format of the QGIS project, in which a GeoPackage can carry them.

Written to what version 3.22 reads and later versions still do: rule-based symbols, rule-based
labels, aliases of columns.
"""

import uuid
from collections.abc import Sequence
from xml.etree import ElementTree as ET

from gridtools.columns import Layer
from gridtools.handover.aliases import alias
from gridtools.handover.symbols import Area, Hatch, Label, Line, Mark, Rule, Style, Where

_VERSION = "3.22.0"
_GEOMETRY_TYPES = {"Point": "0", "LineString": "1", "Polygon": "2", "MultiPolygon": "2"}
_SYMBOL_TYPES = {"Point": "marker", "LineString": "line", "Polygon": "fill", "MultiPolygon": "fill"}
_SHAPES = {"x": "cross2"}
# Placements of QGIS (QgsPalLayerSettings::Placement): around a point, over it.
_BESIDE, _OVER = "0", "1"


def write_qml(layer: type[Layer], style: Style | None = None) -> str:
    """Style document of a layer.

    Parameters
    ----------
    layer
        Layer, for the titles of its columns.
    style
        How it is drawn; None for a table without geometry.

    Examples
    --------
    >>> from gridtools.layers import Tape
    >>> 'field="lane_id" name="lane"' in write_qml(Tape)
    True
    """
    root = ET.Element(
        "qgis",
        version=_VERSION,
        styleCategories="Symbology|Labeling|Fields",
        labelsEnabled="1" if style and style.labels else "0",
    )
    if style is not None and layer.geometry_type is not None:
        _renderer(root, layer, style.rules, _SYMBOL_TYPES[layer.geometry_type])
        if style.labels:
            _labeling(root, layer, style.labels)
        ET.SubElement(root, "blendMode").text = "0"
        ET.SubElement(root, "featureBlendMode").text = "0"
        ET.SubElement(root, "layerGeometryType").text = _GEOMETRY_TYPES[layer.geometry_type]
    aliases = ET.SubElement(root, "aliases")
    for index, column in enumerate(layer.columns(), start=1):
        ET.SubElement(
            aliases, "alias", index=str(index), field=column.name, name=alias(column.name)
        )
    if layer.id_column is not None:
        ET.SubElement(root, "previewExpression").text = _name(layer.id_column)
    ET.indent(root, " ")
    return "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n" + ET.tostring(
        root, encoding="unicode"
    )


def expression(where: Sequence[Where]) -> str:
    r"""Conditions as an expression of QGIS; empty text and no text are the same.

    Examples
    --------
    >>> expression([Where("pass_no", "=", 1), Where("hold", "<>", "")])
    '"pass_no" = 1 AND coalesce("hold", \'\') <> \'\''
    """
    return " AND ".join(map(_condition, where))


def _condition(where: Where) -> str:
    name = _name(where.column)
    if isinstance(where.value, bool):  # a flag compared with a number is never equal to it
        return name if where.value else f"NOT {name}"
    if isinstance(where.value, str):
        return f"coalesce({name}, '') {where.is_} {_text(where.value)}"
    return f"{name} {where.is_} {where.value:g}"


def _renderer(root: ET.Element, layer: type[Layer], rules: Sequence[Rule], kind: str) -> None:
    renderer = ET.SubElement(
        root,
        "renderer-v2",
        type="RuleRenderer",
        symbollevels="0",
        forceraster="0",
        enableorderby="0",
    )
    parent = ET.SubElement(renderer, "rules", key=_key(layer, "rules"))
    symbols = ET.SubElement(renderer, "symbols")
    for number, rule in enumerate(rules):
        options = {"key": _key(layer, f"rule {number}"), "symbol": str(number)}
        ET.SubElement(parent, "rule", options | {"label": rule.title} | _filter(rule.where))
        symbol = _symbol(symbols, kind, str(number))
        for part in rule.symbol:
            if isinstance(part, Line):
                _line(symbol, part)
            elif isinstance(part, Area):
                _area(symbol, part)
            else:
                _mark(symbol, part)


def _line(symbol: ET.Element, line: Line) -> None:
    _layer(
        symbol,
        "SimpleLine",
        line_color=_colour(line.colour, line.opacity),
        line_width=_mm(line.width_mm),
        line_width_unit="MM",
        line_style="solid",
        capstyle="flat",
        joinstyle="round",
        use_custom_dash="1" if line.dash_mm else "0",
        customdash=";".join(map(_mm, line.dash_mm)) or "5;2",
        customdash_unit="MM",
    )
    if line.arrow:
        marks = _layer(symbol, "MarkerLine", placement="centralpoint", rotate="1")
        head = Mark(
            shape="triangle", size_mm=4 * line.width_mm + 0.6, colour=line.colour,
            outline=line.colour, outline_mm=0.1,
        )  # fmt: skip
        # A triangle stands on its base; a quarter turn lays it along the line.
        _mark(_symbol(marks, "marker", f"@{symbol.get('name')}@1"), head, angle_deg=90)


def _area(symbol: ET.Element, area: Area) -> None:
    if area.colour:
        _layer(
            symbol,
            "SimpleFill",
            color=_colour(area.colour, area.opacity),
            style="solid",
            outline_style="no",
        )
    if area.hatch:
        turns = (0, 90) if area.hatch.crossed else (0,)
        for turn in turns:
            _hatch(symbol, area.hatch, area.hatch.angle_deg + turn)
    if area.outline:
        _line(symbol, area.outline)


def _hatch(symbol: ET.Element, hatch: Hatch, angle_deg: float) -> None:
    lines = _layer(
        symbol,
        "LinePatternFill",
        angle=f"{angle_deg:g}",
        distance=_mm(hatch.spacing_mm),
        distance_unit="MM",
        color=_colour(hatch.colour),
        line_width=_mm(hatch.width_mm),
        line_width_unit="MM",
    )
    number = sum(1 for _ in symbol.iter("layer")) - 1
    line = _symbol(lines, "line", f"@{symbol.get('name')}@{number}")
    _line(line, Line(colour=hatch.colour, width_mm=hatch.width_mm))


def _mark(symbol: ET.Element, mark: Mark, angle_deg: float = 0.0) -> None:
    _layer(
        symbol,
        "SimpleMarker",
        name=_SHAPES.get(mark.shape, mark.shape),
        size=_mm(mark.size_mm),
        size_unit="MM",
        angle=f"{angle_deg:g}",
        color=_colour(mark.colour or "#ffffff", 1.0 if mark.colour else 0.0),
        outline_color=_colour(mark.outline),
        outline_style="solid",
        outline_width=_mm(mark.outline_mm),
        outline_width_unit="MM",
        joinstyle="miter",
    )


def _labeling(root: ET.Element, layer: type[Layer], labels: Sequence[Label]) -> None:
    labeling = ET.SubElement(root, "labeling", type="rule-based")
    parent = ET.SubElement(labeling, "rules", key=_key(layer, "labels"))
    for number, label in enumerate(labels):
        options = {"key": _key(layer, f"label {number}"), **_filter(label.where)}
        if label.closer_than:
            options |= {"scalemindenom": "1", "scalemaxdenom": str(label.closer_than)}
        rule = ET.SubElement(parent, "rule", options)
        _settings(rule, layer, label)


def _settings(rule: ET.Element, layer: type[Layer], label: Label) -> None:
    settings = ET.SubElement(rule, "settings", calloutType="simple")
    style = ET.SubElement(
        settings,
        "text-style",
        fieldName=_words(label),
        isExpression="1",
        fontFamily="Sans Serif",
        fontSize=f"{label.size_pt:g}",
        fontSizeUnit="Point",
        fontWeight="63" if label.bold else "50",
        textColor=_colour(label.colour),
        textOpacity="1",
        multilineHeight="1",
    )
    ET.SubElement(
        style,
        "text-buffer",
        bufferDraw="1",
        bufferSize="0.7",
        bufferSizeUnits="MM",
        bufferColor=_colour(label.halo),
        bufferOpacity="1",
    )
    # Text of the job is text: it breaks no lines and is never read as markup.
    ET.SubElement(settings, "text-format", wrapChar="", multilineAlign="3", plussign="0")
    point = {"start": "start_point($geometry)", "finish": "end_point($geometry)"}.get(label.at)
    beside = point is not None or label.at == "beside"
    placement = {
        "placement": _BESIDE if beside else ("2" if layer.geometry_type == "LineString" else _OVER),
        "dist": _mm(label.offset_mm) if beside else "0",
        "distUnits": "MM",
        "priority": "5",
    }
    if point is not None:
        placement |= {
            "geometryGenerator": point,
            "geometryGeneratorType": "PointGeometry",
            "geometryGeneratorEnabled": "1",
            "layerType": "LineGeometry",
        }
    ET.SubElement(settings, "placement", placement)
    ET.SubElement(settings, "rendering", obstacle="1", scaleVisibility="0", drawLabels="1")


def _words(label: Label) -> str:
    """Text of a label as an expression."""
    if not label.then:
        return _name(label.column)
    number = _name(label.then) + (f" * {label.scale:g}" if label.scale != 1.0 else "")
    # concat takes no value as no text; || would lose the whole label.
    return (
        f"concat({_name(label.column)}, "
        f"' ' || format_number({number}, {label.decimals}) || {_text(label.suffix)})"
    )


def _symbol(parent: ET.Element, kind: str, name: str) -> ET.Element:
    return ET.SubElement(
        parent, "symbol", type=kind, name=name, alpha="1", clip_to_extent="1", force_rhr="0"
    )


def _layer(symbol: ET.Element, kind: str, **options: str) -> ET.Element:
    layer = ET.SubElement(
        symbol, "layer", {"class": kind, "enabled": "1", "locked": "0", "pass": "0"}
    )
    values = ET.SubElement(layer, "Option", type="Map")
    for name, value in options.items():
        ET.SubElement(values, "Option", name=name, type="QString", value=value)
    return layer


def _filter(where: Sequence[Where]) -> dict[str, str]:
    return {"filter": expression(where)} if where else {}


def _key(layer: type[Layer], what: str) -> str:
    """Key of a rule: any, as long as it stays the same and no two are alike."""
    return "{" + str(uuid.uuid5(uuid.NAMESPACE_OID, f"{layer.table} {what}")) + "}"


def _colour(colour: str, opacity: float = 1.0) -> str:
    parts = [str(int(colour[i : i + 2], 16)) for i in (1, 3, 5)]
    return ",".join([*parts, str(round(255 * opacity))])


def _mm(length: float) -> str:
    return f"{length:g}"


def _name(column: str) -> str:
    return f'"{column}"'


def _text(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
