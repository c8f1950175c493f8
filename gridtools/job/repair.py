"""A sound copy of a job that is not: what can be read goes into a new file."""

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pyproj import CRS
from pyproj.exceptions import CRSError

from gridtools.columns import Kind, Layer, feature_id
from gridtools.errors import InputError
from gridtools.geodesy import unit_factor
from gridtools.job.connection import clear_errors, connect
from gridtools.job.create import create_job
from gridtools.job.geometry import BadGeometry, decode
from gridtools.job.rows import FID, GEOMETRY, BadValue, decode_column, quoted
from gridtools.layers import ALL_LAYERS, Site


@dataclass(frozen=True)
class Loss:
    """Something that is not in the copy.

    Attributes
    ----------
    layer
        Layer that it is missing from.
    problem
        What was left out, and why.
    """

    layer: str
    problem: str


def repair_job(path: Path, copy: Path) -> list[Loss]:
    """Write what can be read of a job into a new one; the job itself is left as it is.

    A value that does not fit its column becomes unknown; a row without a usable geometry, or
    whose id is empty or taken, is left out. Layers and columns that are missing come back empty.

    Parameters
    ----------
    path
        The job.
    copy
        File to make; there must be none of that name.

    Returns
    -------
    list of Loss
        What the copy lacks.

    Raises
    ------
    InputError
        If not even the CRS can be read.
    RefusedError
        If there is a file of the copy's name.
    """
    losses: list[Loss] = []
    with clear_errors(path), closing(connect(path)) as db:
        crs = _crs(path, db)
        scale = unit_factor(crs)
        rows = [_salvage(db, layer, scale, losses) for layer in ALL_LAYERS]
    create_job(copy, crs, rows, command="check", options={"repair": str(path)})
    return losses


def _crs(path: Path, db: sqlite3.Connection) -> CRS:
    try:
        texts = db.execute(
            "SELECT organization || ':' || organization_coordsys_id, definition "
            "FROM gpkg_spatial_ref_sys s JOIN gpkg_geometry_columns c ON s.srs_id = c.srs_id "
            "WHERE c.table_name = ?",
            (Site.table,),
        ).fetchone()
    except sqlite3.OperationalError:
        texts = None
    for text in texts or ():
        try:
            return CRS.from_user_input(text)
        except CRSError:
            continue
    raise InputError(f"{path}: the CRS of the job cannot be read, so it cannot be repaired")


def _salvage(db: sqlite3.Connection, layer: type[Layer], scale: float, losses: list[Loss]) -> Layer:
    there = {row[1] for row in db.execute(f"PRAGMA table_info({quoted(layer.table)})")}
    if not there or (layer.geometry_type and GEOMETRY not in there) or FID not in there:
        losses.append(Loss(layer.table, "the whole layer: it is missing"))
        return layer.empty()
    names = [FID, *([GEOMETRY] if layer.geometry_type else [])]
    names += [c.name for c in layer.columns() if c.name in there]
    cursor = db.execute(
        f"SELECT {', '.join(map(quoted, names))} FROM {quoted(layer.table)} ORDER BY {quoted(FID)}"
    )
    stored = [list(row) for row in cursor]
    stored = _with_ids(layer, names, stored, losses)
    if layer.geometry_type:
        stored = _with_geometry(layer, stored, losses)
    columns: dict[str, Any] = {}
    if layer.geometry_type:
        columns["geometry"] = decode([row[1] for row in stored], layer.geometry_type, scale)
    for column in layer.columns():
        if column.name not in there:
            continue
        at = names.index(column.name)
        values = [row[at] for row in stored]
        unknown: Any = 0 if column.kind in (Kind.WHOLE, Kind.FLAG) else None
        while True:
            try:
                columns[column.name] = decode_column(column, tuple(values))
                break
            except BadValue as bad:
                losses.append(Loss(layer.table, f"fid {stored[bad.index][0]}: {bad.problem}"))
                values[bad.index] = unknown
    return layer.build(len(stored), **columns)


def _with_ids(
    layer: type[Layer], names: list[str], stored: list[list[Any]], losses: list[Loss]
) -> list[list[Any]]:
    """Rows whose id is there, is one, and is not taken."""
    if layer.id_column is None or layer.id_column not in names:
        return stored
    at, seen, kept = names.index(layer.id_column), set[str](), []
    for row in stored:
        row_id = row[at]
        if not isinstance(row_id, str) or row_id in seen or not _is_id(row_id):
            losses.append(Loss(layer.table, f"row with fid {row[0]}: its id is {row_id!r}"))
            continue
        seen.add(row_id)
        kept.append(row)
    return kept


def _is_id(text: str) -> bool:
    try:
        feature_id(text)
    except InputError:
        return False
    return True


def _with_geometry(
    layer: type[Layer], stored: list[list[Any]], losses: list[Loss]
) -> list[list[Any]]:
    """Rows whose geometry can be used."""
    kept = list(stored)
    while True:
        try:
            decode([row[1] for row in kept], str(layer.geometry_type), 1.0)
        except BadGeometry as bad:
            losses.append(Loss(layer.table, f"row with fid {kept[bad.index][0]}: {bad.problem}"))
            del kept[bad.index]
        else:
            return kept
