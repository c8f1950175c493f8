from xml.etree import ElementTree as ET

import pytest

from gridtools.formats.sld import write_sld
from gridtools.handover.styles import STYLES
from gridtools.layers import Candidates, Digs, Hits, Lanes

SLD = "{http://www.opengis.net/sld}"
OGC = "{http://www.opengis.net/ogc}"
# Order of elements in the schema of OGC 02-070, StyledLayerDescriptor.xsd.
ORDER = {
    "UserStyle": ["Name", "Title", "Abstract", "IsDefault", "FeatureTypeStyle"],
    "Rule": [
        "Name", "Title", "Abstract", "LegendGraphic", "Filter", "ElseFilter",
        "MinScaleDenominator", "MaxScaleDenominator", "PolygonSymbolizer", "LineSymbolizer",
        "PointSymbolizer", "TextSymbolizer",
    ],
    "PolygonSymbolizer": ["Geometry", "Fill", "Stroke"],
    "LineSymbolizer": ["Geometry", "Stroke"],
    "PointSymbolizer": ["Geometry", "Graphic"],
    "TextSymbolizer": ["Geometry", "Label", "Font", "LabelPlacement", "Halo", "Fill"],
    "Graphic": ["Mark", "Opacity", "Size", "Rotation"],
    "Mark": ["WellKnownName", "Fill", "Stroke"],
    "Fill": ["GraphicFill", "CssParameter"],
    "Stroke": ["GraphicFill", "GraphicStroke", "CssParameter"],
    "PointPlacement": ["AnchorPoint", "Displacement", "Rotation"],
    "Halo": ["Radius", "Fill"],
}  # fmt: skip
MARKS = {"square", "circle", "triangle", "star", "cross", "x"}  # OGC 02-070, 11.3


@pytest.mark.parametrize("layer", STYLES, ids=lambda la: la.table)
def test_sld__elements_stand_in_the_order_of_the_schema(layer):
    root = ET.fromstring(write_sld(layer, STYLES[layer]))
    assert root.get("version") == "1.0.0"
    for element in root.iter():
        allowed = ORDER.get(element.tag.removeprefix(SLD))
        if allowed:
            places = [allowed.index(child.tag.rpartition("}")[2]) for child in element]
            assert places == sorted(places), element.tag
    assert {mark.text for mark in root.iter(f"{SLD}WellKnownName")} <= MARKS
    assert all(len(filter_) == 1 for filter_ in root.iter(f"{OGC}Filter"))


def drawn(layer):
    root = ET.fromstring(write_sld(layer, STYLES[layer]))
    return [rule for rule in root.iter(f"{SLD}Rule") if rule.find(f"{SLD}Title") is not None]


@pytest.mark.parametrize("layer", [Lanes, Candidates, Digs, Hits], ids=lambda la: la.table)
def test_sld__one_rule_for_each_of_the_declaration(layer):
    assert [rule.findtext(f"{SLD}Title") for rule in drawn(layer)] == [
        rule.title for rule in STYLES[layer].rules
    ]


def test_sld__no_text_is_no_value():
    rule = next(r for r in drawn(Digs) if r.findtext(f"{SLD}Title") == "dig, ready")
    null = rule.find(f".//{OGC}PropertyIsNull/{OGC}PropertyName")
    assert null.text == "hold"
