"""One atomic change of a job: a single SQLite transaction in place."""

import json
import sqlite3
import time
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

import gridtools
from gridtools.columns import Column, Kind, Layer
from gridtools.errors import InputError, RefusedError
from gridtools.job.connection import clear_errors
from gridtools.job.kept import GONE, carry_over
from gridtools.job.metadata_table import store_metadata
from gridtools.job.rows import FID, BadValue, decode_column, encode_column, quoted
from gridtools.job.settings import Setting
from gridtools.job.stale import source_name, stamped_digest
from gridtools.job.store import Store
from gridtools.job.style_table import store_styles
from gridtools.job.tables import Tables
from gridtools.layers import History, Settings


class Change:
    """A change under way; made by `Job.change`, used as a context manager.

    Entering takes the write lock and fails if the job changed since it was opened; leaving
    commits everything with one entry in the history, or, on any exception, nothing at all.
    """

    def __init__(
        self,
        store: Store,
        command: str,
        options: Mapping[str, Any],
        inputs: Sequence[type[Layer] | str],
        started: float,
    ) -> None:
        self._store = store
        self._tables = Tables(store)
        self._command = command
        self._options = options
        self._inputs = inputs
        self._started = started
        self._outputs: set[str] = set()

    def __enter__(self) -> Self:
        try:
            with clear_errors(self._store.path):
                self._store.db.execute("BEGIN IMMEDIATE")
                self._store.check_unchanged()
        except BaseException:
            self._roll_back()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if error is None:
                with clear_errors(self._store.path):
                    self._record()
                    store_metadata(self._store)
                    self._tables.finish()
                    self._store.db.execute("COMMIT")
        finally:
            self._roll_back()

    def _roll_back(self) -> None:
        # SQLite has rolled back by itself after some errors. Should the disk be dead, the
        # journal stays, and the next opening rolls back.
        with suppress(sqlite3.Error):
            if self._store.db.in_transaction:
                self._store.db.execute("ROLLBACK")

    def replace(self, layer: Layer) -> None:
        """Put new rows in place of all rows of a derived layer.

        Columns that people write in are carried over by id. A row in which somebody wrote, and
        which is not among the new ones, stays with the status gone. Feature ids follow from the
        rows' own ids; columns that a user added stay where the feature id does.

        Raises
        ------
        RefusedError
            If the layer belongs to the user.
        InputError
            If a value or geometry cannot be stored, or an id appears twice.
        """
        if layer.user_owned:
            raise RefusedError(f"layer {layer.table} is the user's own: rows are only added to it")
        fids: list[int] = layer.feature_ids().tolist()
        if len(set(fids)) != len(fids):
            raise InputError(f"layer {layer.table}: an id appears twice")
        with clear_errors(self._store.path):
            gone: list[int] = []
            if any(column.kept for column in layer.columns()):
                old = self._store.read(type(layer))
                layer, rows = carry_over(old, layer)
                gone = self._leave_as_gone(layer, fids, rows)
            self._tables.keep_only(layer, {*fids, *gone} if layer.id_column else ())
            self._tables.put(layer, fids, overwrite=True)
            self._tables.index_again(layer)
        self._outputs.add(layer.table)

    def append(self, layer: Layer) -> None:
        """Add rows to a layer.

        Raises
        ------
        InputError
            If a value or geometry cannot be stored, or a row of that id is there already.
        """
        if not len(layer):
            return
        with clear_errors(self._store.path):
            fids = self._tables.free_fids(layer)
            self._tables.put(layer, fids)
            self._tables.index_new(layer, fids)
        self._outputs.add(layer.table)

    def update(self, layer: Layer, columns: Iterable[str] | None = None) -> None:
        """Rewrite some columns of rows that are there, found by id; other rows stay.

        Parameters
        ----------
        layer
            Rows with the values to store; only the columns named are written.
        columns
            Names of columns; the derived ones if not given.

        Raises
        ------
        InputError
            If a row of that id is not there, or a value cannot be stored.
        """
        named = {c.name for c in layer.columns() if c.derived} if columns is None else set(columns)
        wanted = [column for column in layer.columns() if column.name in named]
        names = [column.name for column in wanted]
        if layer.id_column is None or not names or named != set(names):
            raise InputError(f"layer {layer.table} has no ids, or no columns {sorted(named)}")
        selected = ", ".join(quoted(name) for name in (FID, layer.id_column, *names))
        with clear_errors(self._store.path):
            rows = self._store.db.execute(
                f"SELECT {selected} FROM {quoted(layer.table)} ORDER BY {FID}"
            ).fetchall()
            fids, ids, *stored = zip(*rows, strict=True) if rows else [()] * (2 + len(wanted))
            row_of = {row_id: row for row, row_id in enumerate(ids)}
            try:
                place = np.array([row_of[i] for i in getattr(layer, layer.id_column)], np.intp)
            except KeyError as error:
                raise InputError(
                    f"layer {layer.table}: there is no {error.args[0]} to change"
                ) from error
            changed = np.zeros(len(layer), dtype=np.bool_)
            for column, values in zip(wanted, stored, strict=True):
                changed |= _differ(getattr(layer, column.name), column, values, place)
            if not changed.any():
                return
            layer, place = layer.take(changed), place[changed]
            sets = ", ".join(f"{quoted(column.name)} = ?" for column in wanted)
            self._store.db.executemany(
                f"UPDATE {self._tables.touch(layer)} SET {sets} WHERE {FID} = ?",
                zip(
                    *(encode_column(layer, column) for column in wanted),
                    [fids[row] for row in place],
                    strict=True,
                ),
            )
        # Nothing is worked out from kept columns, so nothing is stale for a change of them.
        if not all(column.kept for column in wanted):
            self._outputs.add(layer.table)

    def set(self, key: str, value: str | float, unit: str = "", basis: str = "given") -> None:
        """Choose a parameter; nothing is written if it stands so already."""
        setting = Setting(value, unit, basis)
        stored = self._store.setting(key)
        if stored is not None and (stored.text, stored.unit, stored.basis) == (
            setting.text,
            unit,
            basis,
        ):
            return
        row = Settings.build(
            1,
            key=key,
            value=setting.text,
            unit=unit,
            basis=basis,
            set_by=self._command,
            set_utc=_utc(time.time()),
        )
        with clear_errors(self._store.path):
            found = self._store.db.execute(
                f"SELECT {FID} FROM settings WHERE key = ?", (key,)
            ).fetchone()
            fids = found or self._tables.free_fids(row)
            self._tables.put(row, fids, overwrite=True)

    def store_styles(self, *, restore: bool = False) -> list[str]:
        """Give our style to layers without a default one, or with ``restore`` to all.

        Returns
        -------
        list of str
            Names of the layers that were given it.
        """
        with clear_errors(self._store.path):
            return store_styles(self._store.db, restore=restore)

    def _leave_as_gone(self, layer: Layer, fids: Sequence[int], rows: Sequence[int]) -> list[int]:
        """Mark old rows at some positions as gone; their feature ids."""
        table = self._tables.touch(layer)
        old = [
            fid for (fid,) in self._store.db.execute(f"SELECT {FID} FROM {table} ORDER BY {FID}")
        ]
        taken, gone = set(fids), []
        free = max([self._tables.next_fid(layer), *(fid + 1 for fid in fids)])
        for row in rows:
            fid = old[row]
            if fid in taken:  # somebody added a row in a GIS under a number that now has an owner
                fid, free = free, free + 1
            self._store.db.execute(
                f"UPDATE {table} SET {FID} = ?, status = ? WHERE {FID} = ?", (fid, GONE, old[row])
            )
            gone.append(fid)
        return gone

    def _record(self) -> None:
        """Append the entry of this change to the history."""
        next_entry = "SELECT coalesce(max(entry), 0) + 1 FROM history"
        row = History.build(
            1,
            entry=self._store.db.execute(next_entry).fetchone()[0],
            command=self._command,
            options=_json(self._options),
            version=gridtools.__version__,
            start_utc=_utc(self._started),
            seconds=round(max(0.0, time.time() - self._started), 3),
            inputs=_json({source_name(s): stamped_digest(self._store, s) for s in self._inputs}),
            outputs=_json(sorted(self._outputs)),
        )
        self._tables.put(row, self._tables.free_fids(row))


def _differ(
    new: NDArray[Any], column: Column, stored: Sequence[Any], place: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """Where new values (n,) differ from those stored in some rows (n,) of a column."""
    try:
        old = decode_column(column, tuple(stored))[place]
    except BadValue:  # something that does not belong there: write over it
        return np.ones(len(new), dtype=np.bool_)
    differ: NDArray[np.bool_] = new != old
    if column.kind in (Kind.REAL, Kind.TIME):
        differ &= ~((new != new) & (old != old))  # unknown is the same as unknown
    return differ


def _utc(seconds: float) -> np.datetime64:
    return np.datetime64(int(seconds * 1000), "ms")


def _json(value: object) -> str:
    def plain(item: object) -> object:
        return item.item() if isinstance(item, np.generic) else str(item)

    return json.dumps(value, ensure_ascii=False, sort_keys=True, default=plain)
