"""Styles in the job: the table ``layer_styles``, in which desktop GIS keep them.

Ours are there from the start, under one name; a person's own are never written over, nor is
one that a person made the default.
"""

import sqlite3

from gridtools.columns import Layer
from gridtools.formats.qml import write_qml
from gridtools.formats.sld import write_sld
from gridtools.handover.styles import STYLES
from gridtools.job.rows import GEOMETRY
from gridtools.layers import ALL_LAYERS

TABLE = "layer_styles"
#: Name under which our style of each layer stands.
OURS = "gridtools"
# As QGIS makes it; it finds no style unless the catalog and schema are empty text, not NULL.
_COLUMNS = """
    id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
    f_table_catalog TEXT(256), f_table_schema TEXT(256),
    f_table_name TEXT(256), f_geometry_column TEXT(256),
    styleName TEXT(30), styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT,
    owner TEXT(30), ui TEXT(30),
    update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now'))
"""


def store_styles(db: sqlite3.Connection, *, restore: bool = False) -> list[str]:
    """Give each layer our style, inside an open transaction.

    Parameters
    ----------
    db
        Connection to the job.
    restore
        Whether ours becomes the default, as new, also for layers that have another default
        style; else those stay as they are.

    Returns
    -------
    list of str
        Names of the layers that were given our style.
    """
    _make_table(db)
    given = [layer.table for layer in ALL_LAYERS] if restore else missing_styles(db)
    for layer in ALL_LAYERS:
        if layer.table not in given:
            continue
        key = (layer.table, GEOMETRY if layer.geometry_type else "")
        db.execute(f"UPDATE {TABLE} SET useAsDefault = 0 WHERE f_table_name = ?", key[:1])
        db.execute(
            f"DELETE FROM {TABLE} WHERE f_table_name = ? AND styleName = ?", (layer.table, OURS)
        )
        db.execute(
            f"INSERT INTO {TABLE} (f_table_catalog, f_table_schema, f_table_name, "
            "f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, owner) "
            "VALUES ('', '', ?, ?, ?, ?, ?, 1, ?, '')",
            (*key, OURS, *_documents(layer), layer.meaning),
        )
    if given:
        db.execute(
            "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ', 'now') "
            "WHERE table_name = ?",
            (TABLE,),
        )
    return given


def missing_styles(db: sqlite3.Connection) -> list[str]:
    """Names of the layers without a default style."""
    there = db.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (TABLE,)).fetchone()
    styled = set()
    if there:
        styled = {
            name for (name,) in db.execute(f"SELECT f_table_name FROM {TABLE} WHERE useAsDefault")
        }
    return [layer.table for layer in ALL_LAYERS if layer.table not in styled]


def _documents(layer: type[Layer]) -> tuple[str, str]:
    style = STYLES.get(layer)
    sld = "" if style is None else write_sld(layer, style).decode()
    return write_qml(layer, style), sld


def _make_table(db: sqlite3.Connection) -> None:
    db.execute(f"CREATE TABLE IF NOT EXISTS {TABLE} ({_COLUMNS})")
    # A GIS reads only tables that the file lists.
    db.execute(
        "INSERT OR IGNORE INTO gpkg_contents (table_name, data_type, identifier, description) "
        "VALUES (?, 'attributes', ?, 'how a desktop GIS draws each layer')",
        (TABLE, TABLE),
    )
