"""Writing rows, with everything that a GeoPackage keeps beside them."""

from collections.abc import Collection, Sequence
from itertools import chain, islice
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.columns import Layer
from gridtools.errors import InputError
from gridtools.job.geometry import BadGeometry, bounds_of, encode
from gridtools.job.rows import FID, GEOMETRY, encode_column, quoted
from gridtools.job.store import Store

# Values in one statement, below the limit of any SQLite.
_MOST_VALUES = 900
STAMP = "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ', 'now')"


class Tables:
    """Tables of a job inside an open transaction; its caller commits after `finish`."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._db = store.db
        self._triggers: list[str] = []
        self._touched: set[str] = set()

    def touch(self, layer: Layer | type[Layer]) -> str:
        """Prepare a table for writing; its quoted name.

        Its triggers go until `finish`: they call functions that only a GIS has, and what they
        do row by row is done here in bulk.
        """
        if layer.table not in self._touched:
            self._touched.add(layer.table)
            triggers = self._db.execute(
                "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?",
                (layer.table,),
            ).fetchall()
            for name, sql in triggers:
                self._db.execute(f"DROP TRIGGER {quoted(name)}")
                self._triggers.append(sql)
            self._db.execute(f"{STAMP} WHERE table_name = ?", (layer.table,))
        return quoted(layer.table)

    def put(self, layer: Layer, fids: Sequence[int], *, overwrite: bool = False) -> None:
        """Insert rows; the index is brought up to date by one of the methods for it.

        Parameters
        ----------
        layer
            Rows to store.
        fids
            Their feature ids.
        overwrite
            Whether rows that hold the same feature ids are there, and are to be overwritten.

        Raises
        ------
        InputError
            If a value or geometry cannot be stored.
        """
        table = self.touch(layer)
        names = [FID]
        values: list[Sequence[Any]] = [fids]
        if layer.geometry_type:
            geometry: NDArray[np.object_] = layer.geometry  # type: ignore[attr-defined]
            try:
                blobs = encode(geometry, self._store.srs_id, self._store.metres_per_unit)
            except BadGeometry as bad:
                raise InputError(
                    f"layer {layer.table}, row {bad.index + 1}: {bad.problem}"
                ) from bad
            names.append(GEOMETRY)
            values.append(blobs)
        for column in layer.columns():
            names.append(column.name)
            values.append(encode_column(layer, column))
        columns, marks = ", ".join(map(quoted, names)), ", ".join("?" * len(names))
        conflict = ""
        if overwrite:
            sets = ", ".join(f"{quoted(name)} = excluded.{quoted(name)}" for name in names[1:])
            conflict = f" ON CONFLICT ({FID}) DO UPDATE SET {sets}"
        # Many rows to a statement: each statement looks up and keeps the table's highest fid.
        rows = zip(*values, strict=True)
        while batch := list(islice(rows, max(1, _MOST_VALUES // len(names)))):
            every = ", ".join([f"({marks})"] * len(batch))
            self._db.execute(
                f"INSERT INTO {table} ({columns}) VALUES {every}{conflict}",
                list(chain.from_iterable(batch)),
            )

    def keep_only(self, layer: Layer, fids: Collection[int]) -> None:
        """Delete all rows but those with the feature ids given."""
        table, keep = self.touch(layer), set(fids)
        there = self._db.execute(f"SELECT {FID} FROM {table}").fetchall()
        self._db.executemany(
            f"DELETE FROM {table} WHERE {FID} = ?", [row for row in there if row[0] not in keep]
        )

    def index_again(self, layer: Layer) -> None:
        """Make the spatial index and the extent of a table anew from all its rows."""
        if not layer.geometry_type:
            return
        rtree = f"rtree_{layer.table}_{GEOMETRY}"
        if self._has_table(rtree):
            self._db.execute(f"DELETE FROM {quoted(rtree)}")
        self._db.execute(
            "UPDATE gpkg_contents SET min_x = NULL, min_y = NULL, max_x = NULL, max_y = NULL "
            "WHERE table_name = ?",
            (layer.table,),
        )
        rows = self._db.execute(
            f"SELECT {FID}, {GEOMETRY} FROM {quoted(layer.table)} WHERE {GEOMETRY} IS NOT NULL"
        ).fetchall()
        if rows:
            fids, blobs = zip(*rows, strict=True)
            self._index(layer.table, fids, bounds_of(blobs))

    def index_new(self, layer: Layer, fids: Sequence[int]) -> None:
        """Add rows that were put under new feature ids to the spatial index and the extent."""
        if layer.geometry_type:
            geometry: NDArray[np.object_] = layer.geometry  # type: ignore[attr-defined]
            bounds = shapely.bounds(geometry) / self._store.metres_per_unit
            self._index(layer.table, fids, bounds)

    def free_fids(self, layer: Layer) -> list[int]:
        """Feature ids for rows to add: from their own ids, else the next unused numbers.

        Raises
        ------
        InputError
            If a row of the same id is there already.
        """
        table = quoted(layer.table)
        free = self.next_fid(layer)
        if layer.id_column is None:
            return list(range(free, free + len(layer)))
        fids: list[int] = layer.feature_ids().tolist()
        taken = dict(
            self._db.execute(
                f"SELECT {FID}, {quoted(layer.id_column)} FROM {table} WHERE {FID} BETWEEN ? AND ?",
                (min(fids, default=0), max(fids, default=0)),
            )
        )
        if not taken:
            return fids
        free = max([free, *fids]) + 1
        for i, row_id in enumerate(getattr(layer, layer.id_column)):
            if fids[i] not in taken:
                continue
            if taken[fids[i]] == row_id:
                raise InputError(
                    f"{self._store.path}, layer {layer.table}: {row_id} is there already"
                )
            # A row that somebody added in a GIS took the number; both keep a number for good.
            fids[i], free = free, free + 1
        return fids

    def next_fid(self, layer: Layer) -> int:
        """Feature id above all that the table ever held."""
        highest: int = self._db.execute(
            "SELECT max(coalesce((SELECT seq FROM sqlite_sequence WHERE name = ?), 0), "
            f"coalesce((SELECT max({FID}) FROM {quoted(layer.table)}), 0))",
            (layer.table,),
        ).fetchone()[0]
        return highest + 1

    def finish(self) -> None:
        """Put triggers back and bring the GeoPackage's own records up to date."""
        for sql in self._triggers:
            self._db.execute(sql)
        if self._has_table("gpkg_ogr_contents"):
            for table in sorted(self._touched):
                self._db.execute(
                    "UPDATE gpkg_ogr_contents SET feature_count = "
                    f"(SELECT count(*) FROM {quoted(table)}) WHERE table_name = ?",
                    (table,),
                )

    def _has_table(self, name: str) -> bool:
        found = self._db.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (name,))
        return found.fetchone() is not None

    def _index(self, table: str, fids: Sequence[int], bounds: NDArray[np.float64]) -> None:
        """Add boxes to the spatial index and the extent of a table."""
        filled = ~np.isnan(bounds[:, 0])
        if not filled.any():
            return
        rtree = f"rtree_{table}_{GEOMETRY}"
        if self._has_table(rtree):
            boxes = bounds[filled][:, [0, 2, 1, 3]].T.tolist()
            self._db.executemany(
                f"INSERT OR REPLACE INTO {quoted(rtree)} VALUES (?, ?, ?, ?, ?)",
                zip(np.asarray(fids)[filled].tolist(), *boxes, strict=True),
            )
        low, high = bounds[filled, :2].min(axis=0), bounds[filled, 2:].max(axis=0)
        self._db.execute(
            "UPDATE gpkg_contents SET min_x = min(?1, coalesce(min_x, ?1)), "
            "min_y = min(?2, coalesce(min_y, ?2)), max_x = max(?3, coalesce(max_x, ?3)), "
            "max_y = max(?4, coalesce(max_y, ?4)) WHERE table_name = ?5",
            (*low.tolist(), *high.tolist(), table),
        )
