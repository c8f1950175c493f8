"""Our styles in a desktop GIS: PyQGIS in a process of its own opens the job and draws it."""

import json
import os
import subprocess

import pytest

from gridtools.formats.sld import write_sld
from gridtools.handover.styles import STYLES
from gridtools.layers import ALL_LAYERS, History, Settings

PYTHON = "/usr/bin/python3"
OFFSCREEN = {**os.environ, "QT_QPA_PLATFORM": "offscreen"}
SCRIPT = """
import json, sys
from qgis.core import QgsApplication, QgsExpression, QgsRenderContext, QgsVectorLayer
application = QgsApplication([], False)
application.initQgis()
path, folder, names = sys.argv[1], sys.argv[2], sys.argv[3].split(",")
found = {}
def drawn(layer):
    renderer, context = layer.renderer().clone(), QgsRenderContext()
    renderer.startRender(context, layer.fields())
    count = 0
    for feature in layer.getFeatures():
        context.expressionContext().setFeature(feature)
        count += bool(renderer.willRenderFeature(feature, context))
    renderer.stopRender(context)
    return count
for name in names:
    layer = QgsVectorLayer(f"{path}|layername={name}", name, "ogr")
    facts = {"alias": layer.attributeAlias(1), "field": layer.fields()[1].name()}
    if layer.renderer() is not None:
        rules = layer.renderer().rootRule().children()
        facts["rules"] = [rule.label() for rule in rules]
        wrong = [rule.filterExpression() for rule in rules]
        if layer.labelsEnabled():
            labels = layer.labeling().rootRule().children()
            wrong += [rule.settings().fieldName for rule in labels]
        facts["wrong"] = [text for text in wrong if text and QgsExpression(text).hasParserError()]
        facts["drawn"] = drawn(layer)
        facts["sld"] = layer.loadSldStyle(f"{folder}/{name}.sld")
        facts["drawn by sld"] = drawn(layer)
    found[name] = facts
if len(sys.argv) > 4:
    layer = QgsVectorLayer(f"{path}|layername=lanes", "lanes", "ogr")
    layer.saveStyleToDatabase(sys.argv[4], "", True, "")
print(json.dumps(found))
"""

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module", autouse=True)
def _qgis():
    try:
        subprocess.run(
            [PYTHON, "-c", "import qgis.core"], env=OFFSCREEN, capture_output=True, check=True
        )
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("PyQGIS is not installed for /usr/bin/python3")


def look(job, folder, *more):
    folder.mkdir(exist_ok=True)
    for layer, style in STYLES.items():
        (folder / f"{layer.table}.sld").write_bytes(write_sld(layer, style))
    names = ",".join(layer.table for layer in ALL_LAYERS)
    run = subprocess.run(
        [PYTHON, "-c", SCRIPT, str(job), str(folder), names, *more],
        env=OFFSCREEN, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return json.loads(run.stdout.splitlines()[-1])


def test_desktop__opens_the_plan_with_our_styles(planned, tmp_path, gridtools):
    gridtools("pegs", planned)
    found = look(planned, tmp_path / "sld")
    for layer in ALL_LAYERS:
        facts = found[layer.table]
        assert facts["alias"], layer.table
        if layer.geometry_type:
            assert facts["rules"] == [rule.title for rule in STYLES[layer].rules]
            assert facts["wrong"] == []
            assert facts["sld"] == ["", True]
    for name in ("site", "search_area", "lanes", "pegs"):
        assert found[name]["drawn"] > 0, name
        assert found[name]["drawn by sld"] == found[name]["drawn"], name


def test_desktop__every_row_is_drawn(job_path, rows_of, tmp_path):
    from gridtools.job import Job

    with Job.open(job_path) as job, job.change("test") as change:
        for layer in ALL_LAYERS:
            if layer not in (History, Settings):
                change.append(rows_of(layer))
    found = look(job_path, tmp_path / "sld")
    for name in ("site", "hits", "runs", "fixes", "evidence", "gaps"):
        assert found[name]["drawn"] == found[name]["drawn by sld"], name


def test_desktop__own_style_saved_there_outlives_later_commands(planned, tmp_path, gridtools):
    look(planned, tmp_path / "sld", "mine")
    gridtools("lanes", planned, "--spacing", "3m", "--bearing", "10")
    assert "already" in gridtools("styles", planned).out
    assert look(planned, tmp_path / "sld")["lanes"]["rules"] == [
        rule.title for rule in STYLES[next(la for la in STYLES if la.table == "lanes")].rules
    ]
