"""The tables of an open job: found, checked and read."""

import sqlite3
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from pyproj import CRS
from pyproj.exceptions import CRSError

from gridtools.columns import Layer
from gridtools.errors import InputError, JobBusyError, MissingError
from gridtools.geodesy import unit_factor
from gridtools.job.connection import clear_errors, connect
from gridtools.job.geometry import BadGeometry, decode
from gridtools.job.rows import FID, GEOMETRY, BadValue, decode_column, quoted
from gridtools.job.settings import Setting
from gridtools.layers import ALL_LAYERS, History, Site

L = TypeVar("L", bound=Layer)
_PART_ROWS = 50_000


@dataclass(frozen=True)
class Store:
    """Connection to a job whose tables have been checked.

    Attributes
    ----------
    path
        The job file, as the user named it.
    db
        Connection without automatic transactions.
    srs_id
        Number of the job CRS in the file's own list.
    version
        SQLite's data version when it was opened.
    """

    path: Path
    db: sqlite3.Connection
    srs_id: int
    version: int

    @classmethod
    def open(cls, path: Path) -> "Store":
        """Connect and check that every layer is there.

        Raises
        ------
        FileError, InputError, JobBusyError
            As `connect`, or if the file is not a GeoPackage or a layer lacks a column.
        MissingError
            If it is a GeoPackage but not a job, or lacks a layer.
        """
        db = connect(path)
        try:
            with clear_errors(path):
                srs_id = _check(path, db)
                version = data_version(db)
            return cls(path, db, srs_id, version)
        except BaseException:
            db.close()
            raise

    @cached_property
    def crs(self) -> CRS:
        """CRS of the job as the file states it."""
        with clear_errors(self.path):
            columns = {row[1] for row in self.db.execute("PRAGMA table_info(gpkg_spatial_ref_sys)")}
            wkt2 = "definition_12_063" if "definition_12_063" in columns else "NULL"
            stated = self.db.execute(
                f"SELECT organization || ':' || organization_coordsys_id, {wkt2}, definition "
                "FROM gpkg_spatial_ref_sys WHERE srs_id = ?",
                (self.srs_id,),
            ).fetchone()
        # The code first, then its text, should the code be newer than the register at hand.
        for text in stated or ():
            try:
                return CRS.from_user_input(text)
            except CRSError:
                continue
        raise InputError(f"{self.path}: the CRS of the job cannot be read")

    @cached_property
    def metres_per_unit(self) -> float:
        """Length of one unit of the job CRS."""
        return unit_factor(self.crs)

    def check_unchanged(self) -> None:
        """Raise JobBusyError if another program has changed the file since it was opened."""
        if data_version(self.db) != self.version:
            raise JobBusyError(f"{self.path} changed meanwhile: nothing was written, try again")

    def read(self, layer: type[L]) -> L:
        """All rows of a layer in the order of their feature ids, in metres, each value checked.

        Raises
        ------
        InputError
            If a row holds what its column does not allow; names the layer and feature id.
        """
        names = [FID] + ([GEOMETRY] if layer.geometry_type else [])
        names += [column.name for column in layer.columns()]
        sql = ", ".join(map(quoted, names))
        parts = []
        with clear_errors(self.path):
            cursor = self.db.execute(
                f"SELECT {sql} FROM {quoted(layer.table)} ORDER BY {quoted(FID)}"
            )
            # In parts, so that the rows as Python objects are never all in memory.
            while rows := cursor.fetchmany(_PART_ROWS):
                stored = dict(zip(names, zip(*rows, strict=True), strict=True))
                parts.append(self._decode(layer, stored))
        whole = layer.concat(parts)
        self._check_ids(whole)
        return whole

    def _decode(self, layer: type[L], stored: dict[str, tuple[Any, ...]]) -> L:
        decoded: dict[str, Any] = {}
        try:
            if layer.geometry_type:
                decoded["geometry"] = decode(
                    stored[GEOMETRY], layer.geometry_type, self.metres_per_unit
                )
            for column in layer.columns():
                decoded[column.name] = decode_column(column, stored[column.name])
        except (BadGeometry, BadValue) as bad:
            raise self._bad_row(layer, stored[FID][bad.index], bad.problem) from bad
        return layer(**decoded)

    def _check_ids(self, layer: Layer) -> None:
        if layer.id_column is None:
            return
        ids = getattr(layer, layer.id_column)
        distinct = set(ids)
        if len(distinct) == len(ids) and "" not in distinct:
            return
        seen = {""}
        for row, row_id in enumerate(ids):  # noqa: B007
            if row_id in seen:
                break
            seen.add(row_id)
        fid = self.db.execute(
            f"SELECT {FID} FROM {quoted(layer.table)} ORDER BY {FID} LIMIT 1 OFFSET ?", (row,)
        ).fetchone()[0]
        problem = (
            f"{layer.id_column} {ids[row]} appears twice: change it, or delete the row"
            if ids[row]
            else f"{layer.id_column} is empty: write one, or delete the row"
        )
        raise self._bad_row(type(layer), fid, problem)

    def _bad_row(self, layer: type[Layer], fid: int, problem: str) -> InputError:
        return InputError(f"{self.path}, layer {layer.table}, fid {fid}: {problem}")

    def setting(self, key: str) -> Setting | None:
        """One chosen parameter, or None."""
        with clear_errors(self.path):
            row = self.db.execute(
                "SELECT value, unit, basis FROM settings WHERE key = ? ORDER BY fid", (key,)
            ).fetchone()
        if row is None:
            return None
        value, unit, basis = row
        try:
            return Setting(value or "", unit or "", basis or "")
        except InputError as error:
            raise InputError(f"{self.path}, layer settings, {key}: {error}") from error

    def last_change(self, layer: type[Layer]) -> str:
        """When any but a kept column of a layer last changed, as the file states it."""
        with clear_errors(self.path):
            row = self.db.execute(
                "SELECT last_change FROM gpkg_contents WHERE table_name = ?", (layer.table,)
            ).fetchone()
        return str(row[0]) if row else ""

    def digest(self, source: type[Layer] | str) -> str:
        """Short digest of what a layer holds, kept columns left out, or of a setting."""
        if isinstance(source, str):
            setting = self.setting(source)
            text = "" if setting is None else f"{setting.text}\0{setting.unit}"
            return sha256(text.encode()).hexdigest()[:16]
        names = [column.name for column in source.columns() if not column.kept]
        names += [GEOMETRY] if source.geometry_type else []
        total = sha256()
        with clear_errors(self.path):
            cursor = self.db.execute(
                f"SELECT {', '.join(map(quoted, names))} FROM {quoted(source.table)} "
                f"ORDER BY {quoted(FID)}"
            )
            while rows := cursor.fetchmany(_PART_ROWS):
                for values in zip(*rows, strict=True):
                    total.update(_bytes(values))
        return total.hexdigest()[:16]


def data_version(db: sqlite3.Connection) -> int:
    """Number that differs once another connection has committed a change."""
    version: int = db.execute("PRAGMA data_version").fetchone()[0]
    return version


def _bytes(values: tuple[Any, ...]) -> bytes:
    kinds = set(map(type, values)) - {type(None)}
    if kinds == {bytes}:
        return b"\0".join([value or b"" for value in values])
    if kinds == {str}:
        return "\0".join([value or "" for value in values]).encode()
    if kinds <= {int, float}:
        return np.array(values, dtype=np.float64).tobytes()
    return repr(values).encode()


def check_is_job(path: Path, db: sqlite3.Connection) -> set[str]:
    """Names of the tables of a file, which is a job, if perhaps not a whole one.

    Raises
    ------
    InputError
        If it is not a GeoPackage.
    MissingError
        If it is one, but not a job.
    """
    tables = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if not {"gpkg_contents", "gpkg_geometry_columns", "gpkg_spatial_ref_sys"} <= tables:
        raise InputError(f"{path} is not a GeoPackage")
    for table in (Site.table, History.table):
        if table not in tables:
            raise MissingError(
                f"{path} is a GeoPackage but not a job: it has no layer {table}; start a job with: "
                "gridtools new"
            )
    return tables


def _check(path: Path, db: sqlite3.Connection) -> int:
    """Check that a file is a job with all that belongs to one; its srs_id."""
    tables = check_is_job(path, db)
    repair = (
        "an earlier version made the job, or somebody took it out; work on a copy made with: "
        f"gridtools check {path} --repair COPY.gpkg"
    )
    for layer in ALL_LAYERS:
        if layer.table not in tables:
            raise MissingError(f"{path}: layer {layer.table} is missing; {repair}")
        found = {row[1] for row in db.execute(f"PRAGMA table_info({quoted(layer.table)})")}
        names = [FID] + ([GEOMETRY] if layer.geometry_type else [])
        names += [column.name for column in layer.columns()]
        for name in names:
            if name not in found:
                raise InputError(f"{path}, layer {layer.table}: column {name} is missing; {repair}")
    srs_ids = dict(db.execute("SELECT table_name, srs_id FROM gpkg_geometry_columns"))
    spatial = [layer.table for layer in ALL_LAYERS if layer.geometry_type]
    for table in spatial:
        if srs_ids.get(table) != srs_ids.get(Site.table):
            raise InputError(f"{path}, layer {table}: its CRS differs from that of the site")
    if srs_ids.get(Site.table) is None:
        raise InputError(f"{path}: the CRS of the job is not stated")
    return int(srs_ids[Site.table])
