"""A sound copy of a job that is not: what can be read goes into a new file."""

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pyproj import CRS

from gridtools.columns import Column, Kind, Layer, feature_id
from gridtools.errors import InputError, quote
from gridtools.geodesy import unit_factor
from gridtools.job.connection import clear_errors, connect, is_damage
from gridtools.job.create import create_job
from gridtools.job.geometry import BadGeometry, decode
from gridtools.job.rows import FID, GEOMETRY, BadValue, decode_column, quoted
from gridtools.job.store import Store, check_is_job
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
    whose id is empty or taken, is left out, and so is what stands on damaged pages. Layers and
    columns that are missing come back empty.

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
    MissingError
        If it is not a job.
    RefusedError
        If there is a file of the copy's name.
    """
    losses: list[Loss] = []
    with clear_errors(path), closing(connect(path)) as db:
        check_is_job(path, db)
        # Text that is no UTF-8 stays as far as it is.
        db.text_factory = lambda text: text.decode(errors="replace")
        crs, srs_id = _crs(path, db)
        scale = unit_factor(crs)
        rows = [_salvage(db, layer, srs_id, scale, losses) for layer in ALL_LAYERS]
    create_job(copy, crs, rows, command="check", options={"repair": str(path)})
    return losses


def _crs(path: Path, db: sqlite3.Connection) -> tuple[CRS, int]:
    """CRS of the job, and its number in the file."""
    srs_ids = dict(db.execute("SELECT table_name, srs_id FROM gpkg_geometry_columns"))
    try:
        srs_id = srs_ids[Site.table]
        return Store(path, db, srs_id, 0).crs, srs_id
    except (KeyError, InputError) as error:
        raise InputError(
            f"{path}: the CRS of the job cannot be read, so it cannot be repaired"
        ) from error


def _salvage(
    db: sqlite3.Connection, layer: type[Layer], srs_id: int, scale: float, losses: list[Loss]
) -> Layer:
    there = {row[1] for row in db.execute(f"PRAGMA table_info({quoted(layer.table)})")}
    if not there or (layer.geometry_type and GEOMETRY not in there) or FID not in there:
        losses.append(Loss(layer.table, "the whole layer: it is missing"))
        return layer.empty()
    stated = db.execute(
        "SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = ?", (layer.table,)
    ).fetchone()
    if layer.geometry_type and stated not in (None, (srs_id,)):
        # Coordinates of another CRS taken for those of the job would put it all elsewhere.
        losses.append(Loss(layer.table, "the whole layer: its CRS differs from that of the site"))
        return layer.empty()
    names = [FID, *([GEOMETRY] if layer.geometry_type else [])]
    names += [c.name for c in layer.columns() if c.name in there]
    stored = _with_ids(layer, names, _read(db, layer, names, losses), losses)
    if layer.geometry_type:
        stored = _with_geometry(layer, stored, losses)
    columns: dict[str, Any] = {}
    if layer.geometry_type:
        columns["geometry"] = decode([row[1] for row in stored], layer.geometry_type, scale)
    for at, name in enumerate(names):
        for column in layer.columns():
            if column.name == name:
                columns[name] = _values(layer, column, stored, at, losses)
    return layer.build(len(stored), **columns)


def _read(
    db: sqlite3.Connection, layer: type[Layer], names: list[str], losses: list[Loss]
) -> list[list[Any]]:
    """Rows by feature id: from both ends, up to a damaged page."""
    found: dict[Any, list[Any]] = {}
    selected = f"SELECT {', '.join(map(quoted, names))} FROM {quoted(layer.table)}"
    damage = ""
    for direction in ("ASC", "DESC"):
        try:
            for row in db.execute(f"{selected} ORDER BY {quoted(FID)} {direction}"):
                if row[0] in found:
                    break
                found[row[0]] = list(row)
        except sqlite3.DatabaseError as error:
            if not is_damage(error):
                raise
            damage = str(error)
        if not damage:
            break
    if damage:
        losses.append(Loss(layer.table, f"rows on damaged pages ({damage})"))
    return [found[fid] for fid in sorted(found)]


def _values(
    layer: type[Layer], column: Column, stored: list[list[Any]], at: int, losses: list[Loss]
) -> Any:
    """Values of a column, unknown where they do not fit it."""
    values = [row[at] for row in stored]
    try:
        return decode_column(column, tuple(values))
    except BadValue:
        pass
    for i, value in enumerate(values):
        try:
            decode_column(column, (value,))
        except BadValue as bad:
            losses.append(Loss(layer.table, f"fid {stored[i][0]}: {bad.problem}"))
            values[i] = 0 if column.kind in (Kind.WHOLE, Kind.FLAG) else None
    return decode_column(column, tuple(values))


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
            losses.append(Loss(layer.table, f"row with fid {row[0]}: its id is {quote(row_id)}"))
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
    try:
        decode([row[1] for row in stored], str(layer.geometry_type), 1.0)
        return stored
    except BadGeometry:
        kept = []
    for row in stored:
        try:
            decode([row[1]], str(layer.geometry_type), 1.0)
            kept.append(row)
        except BadGeometry as bad:
            losses.append(Loss(layer.table, f"row with fid {row[0]}: {bad.problem}"))
    return kept
