"""Verifying a job: the file, the GeoPackage, the layers, and what they say of each other."""

import hashlib
import sqlite3
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely

from gridtools.columns import Layer
from gridtools.errors import GridtoolsError, InputError
from gridtools.job.connection import clear_errors, connect
from gridtools.job.rows import FID, GEOMETRY, quoted
from gridtools.job.store import Store, check_is_job
from gridtools.layers import (
    ALL_LAYERS,
    Approaches,
    Candidates,
    Checks,
    DigPegs,
    Digs,
    Evidence,
    Fixes,
    Hits,
    Infill,
    Lanes,
    Logs,
    Outcomes,
    Pinpoints,
    Recheck,
    Runs,
    Sessions,
    Tape,
)

#: "GPKG", as a GeoPackage states at its head (OGC GeoPackage 1.3, requirement 2).
_APPLICATION_ID = 0x47504B47
#: Which column of a layer names rows of which layers; an empty name points at nothing.
REFERENCES: tuple[tuple[type[Layer], str, tuple[type[Layer], ...]], ...] = (
    (Sessions, "log_id", (Logs,)),
    (Checks, "session_id", (Sessions,)),
    (Fixes, "session_id", (Sessions,)),
    (Fixes, "run_id", (Runs,)),
    (Tape, "session_id", (Sessions,)),
    (Runs, "session_id", (Sessions,)),
    (Hits, "session_id", (Sessions,)),
    (Hits, "run_id", (Runs,)),
    (Runs, "lane_id", (Lanes, Infill, Recheck)),
    (Evidence, "candidate_id", (Candidates,)),
    (Pinpoints, "candidate_id", (Candidates,)),
    (Approaches, "candidate_id", (Candidates,)),
    (Digs, "candidate_id", (Candidates,)),
    (DigPegs, "dig_id", (Digs,)),
    (Outcomes, "dig_id", (Digs,)),
)
_BLOCK = 1 << 20
_REPAIR = "make a copy with gridtools check --repair, and work on that"


@dataclass(frozen=True)
class Finding:
    """Something wrong with a job.

    Attributes
    ----------
    layer
        Layer that it is in, empty for the file as a whole.
    problem
        What is wrong.
    advice
        What to do about it.
    """

    layer: str
    problem: str
    advice: str


def check_job(path: Path) -> list[Finding]:
    """Everything found wrong with a job; empty where nothing is.

    Parameters
    ----------
    path
        The file.

    Raises
    ------
    FileError
        If it is missing or cannot be opened.
    InputError
        If it is not a GeoPackage, or too damaged to be opened.
    MissingError
        If it is a GeoPackage but not a job.
    JobBusyError
        If another program keeps it locked.
    """
    db = connect(path)
    try:
        with clear_errors(path):
            check_is_job(path, db)
            found = [*_file(db), *_structure(db)]
    finally:
        db.close()
    if any(finding.advice == _REPAIR for finding in found):
        return found
    try:
        store = Store.open(path)
    except GridtoolsError as error:
        return [*found, Finding("", _without_path(path, error), _REPAIR)]
    try:
        return [*found, *_contents(path, store)]
    finally:
        store.db.close()


def _file(db: sqlite3.Connection) -> Iterator[Finding]:
    """The database itself."""
    for (said,) in db.execute("PRAGMA integrity_check(10)"):
        if said != "ok":
            yield Finding(
                "",
                f"the file is damaged: {said}",
                "restore it from a copy, or see what gridtools check --repair can still read",
            )
    for table, *_ in db.execute("PRAGMA foreign_key_check"):
        yield Finding(str(table), "a row points at one that is not there", _REPAIR)
    if db.execute("PRAGMA application_id").fetchone()[0] != _APPLICATION_ID:
        yield Finding("", "the file does not say at its head that it is a GeoPackage", _REPAIR)


def _structure(db: sqlite3.Connection) -> Iterator[Finding]:
    """Tables and columns of the layer contract, and what does not belong to it."""
    kinds = dict(db.execute("SELECT name, type FROM sqlite_master WHERE type IN ('table', 'view')"))
    for layer in ALL_LAYERS:
        kind = kinds.get(layer.table)
        if kind != "table":
            what = "is a view, not a table" if kind else "is missing"
            yield Finding(layer.table, f"the layer {what}", _REPAIR)
            continue
        there = {row[1] for row in db.execute(f"PRAGMA table_info({quoted(layer.table)})")}
        wanted = {FID, *(column.name for column in layer.columns())}
        wanted |= {GEOMETRY} if layer.geometry_type else set()
        if lacking := sorted(wanted - there):
            yield Finding(layer.table, f"columns are missing: {', '.join(lacking)}", _REPAIR)
    listed = {name for (name,) in db.execute("SELECT table_name FROM gpkg_contents")}
    for layer in ALL_LAYERS:
        if layer.table not in listed:
            yield Finding(layer.table, "the file does not list it, so no GIS shows it", _REPAIR)
    for name, table in db.execute(
        "SELECT name, tbl_name FROM sqlite_master WHERE type = 'trigger' ORDER BY name"
    ):
        ours: tuple[str, ...] = ("gpkg_",)  # of the standard, on its own tables
        if not str(table).startswith("gpkg_"):
            counts = (f"trigger_{event}_feature_count_{table}" for event in ("insert", "delete"))
            ours = (f"changed_{table}_", f"rtree_{table}_{GEOMETRY}_", *counts)
        if not name.startswith(ours):
            yield Finding(
                table,
                f"a trigger of unknown make, {name}, changes what is written",
                "find out who added it before writing to the job",
            )


def _contents(path: Path, store: Store) -> Iterator[Finding]:
    layers: dict[type[Layer], Layer] = {}
    for layer in ALL_LAYERS:
        try:
            layers[layer] = store.read(layer)
        except GridtoolsError as error:
            yield Finding(
                layer.table,
                _without_path(path, error),
                "put it right in a GIS, or make a copy with gridtools check --repair",
            )
    for rows in layers.values():
        yield from _geometry(rows)
    try:
        with clear_errors(path):
            yield from _indexes(store.db)
    except InputError:  # damaged, as it says above
        pass
    yield from _references(layers)
    logs = layers.get(Logs)
    if isinstance(logs, Logs):
        yield from _logs(logs)


def _geometry(rows: Layer) -> Iterator[Finding]:
    if not rows.geometry_type or not len(rows):
        return
    geometry = rows.geometry  # type: ignore[attr-defined]
    bad = np.flatnonzero(~shapely.is_valid(geometry))
    if bad.size:
        fid = rows.feature_ids()[bad[0]]
        why = shapely.is_valid_reason(geometry[bad[0]]).partition("[")[0].lower()
        yield Finding(
            rows.table,
            f"{bad.size} rows have a geometry that is not valid, the first fid {fid} ({why})",
            "put them right in a GIS"
            if rows.user_owned
            else "run the command that makes the layer again",
        )


def _indexes(db: sqlite3.Connection) -> Iterator[Finding]:
    tables = {name for (name,) in db.execute("SELECT name FROM sqlite_master")}
    for layer in ALL_LAYERS:
        rtree = f"rtree_{layer.table}_{GEOMETRY}"
        if not layer.geometry_type or rtree not in tables:
            continue
        rows, indexed = db.execute(
            f"SELECT (SELECT count(*) FROM {quoted(layer.table)} WHERE {GEOMETRY} IS NOT NULL), "
            f"(SELECT count(*) FROM {quoted(rtree)})"
        ).fetchone()
        empty = db.execute(
            f"SELECT count(*) FROM {quoted(layer.table)} WHERE {GEOMETRY} IS NOT NULL AND "
            f"{FID} NOT IN (SELECT id FROM {quoted(rtree)})"
        ).fetchone()[0]
        if indexed > rows or (empty and layer.geometry_type != "MultiPolygon"):
            yield Finding(
                layer.table,
                f"the spatial index holds {indexed} boxes for {rows} rows",
                "a GIS may not draw all rows: " + _REPAIR,
            )


def _references(layers: dict[type[Layer], Layer]) -> Iterator[Finding]:
    for layer, column, targets in REFERENCES:
        if layer not in layers or not all(target in layers for target in targets):
            continue
        known = {""}.union(*(getattr(layers[t], str(t.id_column)) for t in targets))
        lost = sorted(set(getattr(layers[layer], column)) - known)
        if lost:
            names = ", ".join(lost[:3]) + (" and more" if len(lost) > 3 else "")
            where = " or ".join(target.table for target in targets)
            yield Finding(
                layer.table,
                f"{column} {names} is not in layer {where}",
                "undo the edit in the GIS, or run the command that makes the layer again",
            )


def _logs(logs: Logs) -> Iterator[Finding]:
    for i, log_id in enumerate(logs.log_id):
        if _digest(logs.content[i]) != logs.sha256[i]:
            yield Finding(
                "logs",
                f"the bytes of {log_id} ({logs.name[i]}) are not those that were taken in",
                "restore the job from a copy, or keep the log itself by it",
            )


def _digest(content: bytes) -> str:
    """SHA-256 of a compressed log, block by block, however large it says it is."""
    total, stream = hashlib.sha256(), zlib.decompressobj()
    try:
        while block := stream.decompress(content, _BLOCK):
            total.update(block)
            content = stream.unconsumed_tail
    except zlib.error:
        return ""
    return total.hexdigest() if stream.eof else ""


def _without_path(path: Path, error: GridtoolsError) -> str:
    return str(error).removeprefix(f"{path}, ").removeprefix(f"{path}: ").removeprefix(f"{path} ")
