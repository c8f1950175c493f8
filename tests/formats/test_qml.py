from xml.etree import ElementTree as ET

import pytest

from gridtools.columns import Kind
from gridtools.formats.qml import expression, write_qml
from gridtools.handover.aliases import alias
from gridtools.handover.styles import STYLES
from gridtools.handover.symbols import Label, Rule, Style, Where
from gridtools.layers import ALL_LAYERS, Site, Tape


def parsed(text):
    doctype, _, body = text.partition("\n")
    assert doctype.startswith("<!DOCTYPE qgis")
    return ET.fromstring(body)


@pytest.mark.parametrize("layer", ALL_LAYERS, ids=lambda la: la.table)
def test_qml__every_layer_has_titles_for_its_columns(layer):
    root = parsed(write_qml(layer, STYLES.get(layer)))
    titles = {a.get("field"): a.get("name") for a in root.iter("alias")}
    assert titles == {column.name: alias(column.name) for column in layer.columns()}
    assert len(set(titles.values())) == len(titles)
    assert (root.find("renderer-v2") is not None) == bool(layer.geometry_type)


@pytest.mark.parametrize("layer", STYLES, ids=lambda la: la.table)
def test_qml__rules_name_columns_of_their_layer(layer):
    names = {column.name: column for column in layer.columns()}
    style = STYLES[layer]
    for part in (*style.rules, *style.labels):
        for where in part.where:
            assert where.column in names
            flag = names[where.column].kind is Kind.FLAG
            assert flag == isinstance(where.value, bool)
    for label in style.labels:
        assert label.column in names
        assert label.then in {"", *names}


@pytest.mark.parametrize("layer", STYLES, ids=lambda la: la.table)
def test_qml__each_rule_draws_its_own_symbol(layer):
    root = parsed(write_qml(layer, STYLES[layer]))
    symbols = [s.get("name") for s in root.findall("renderer-v2/symbols/symbol")]
    rules = root.findall("renderer-v2/rules/rule")
    assert [rule.get("symbol") for rule in rules] == symbols
    keys = [rule.get("key") for rule in root.iter("rule")]
    assert len(set(keys)) == len(keys)


def test_qml__words_are_text():
    title = "<script>\"a\" & 'b'"
    style = Style(
        rules=(Rule(title=title, symbol=(), where=(Where("name", "=", title),)),),
        labels=(Label(column="name"),),
    )
    rule = parsed(write_qml(Site, style)).find("renderer-v2/rules/rule")
    assert rule.get("label") == title
    assert rule.get("filter") == "coalesce(\"name\", '') = '<script>\"a\" & ''b'''"


def test_qml__same_bytes_every_time():
    assert write_qml(Tape) == write_qml(Tape)


def test_expression__numbers_flags_and_text():
    where = [Where("p_metal", "<", 0.95), Where("struck", "=", False), Where("hold", "=", "")]
    assert (
        expression(where) == '"p_metal" < 0.95 AND NOT "struck" AND coalesce("hold", \'\') = \'\''
    )
