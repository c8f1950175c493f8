"""A desktop GIS without a screen: PyQGIS in a process of its own, driven line by line."""

import os
import subprocess
from contextlib import contextmanager

PYTHON = "/usr/bin/python3"
OFFSCREEN = {**os.environ, "QT_QPA_PLATFORM": "offscreen"}
DRIVER = """
import sys
from qgis.core import (
    QgsApplication, QgsFeature, QgsGeometry, QgsPointXY, QgsSettings, QgsVectorLayer
)
application = QgsApplication([], False)
application.initQgis()
QgsSettings().setValue("/qgis/walForSqlite3", sys.argv[2] == "WAL")
path = sys.argv[1]
def layer(name):
    return QgsVectorLayer(f"{path}|layername={name}", name, "ogr")
def note(target, key, value, column="note"):
    index = target.fields().indexOf(column)
    for feature in target.getFeatures():
        if feature[target.fields()[1].name()] == key:
            return target.changeAttributeValue(feature.id(), index, value)
    return False
for line in sys.stdin:
    try:
        print(eval(line), flush=True)
    except SyntaxError:
        exec(line)
        print("done", flush=True)
"""


def is_there():
    """Whether PyQGIS is installed."""
    command = [PYTHON, "-c", "import qgis.core"]
    try:
        subprocess.run(command, env=OFFSCREEN, capture_output=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        return False
    return True


@contextmanager
def desktop_on(path, folder, mode="WAL"):
    """Function that evaluates one line in the GIS and gives back what it prints.

    The GIS keeps a job that it has open in the journal mode given; its settings are in the folder.
    """
    with subprocess.Popen(
        [PYTHON, "-c", DRIVER, str(path), mode],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        env={**OFFSCREEN, "QGIS_CUSTOM_CONFIG_PATH": str(folder), "HOME": str(folder)},
    ) as process:  # fmt: skip

        def tell(line):
            process.stdin.write(line + "\n")
            process.stdin.flush()
            return process.stdout.readline().strip()

        yield tell
        process.stdin.close()
