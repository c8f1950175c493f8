"""The job: open it, read its layers, change it."""

import time
from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from pyproj import CRS

from gridtools.columns import Layer
from gridtools.geodesy import metric_twin
from gridtools.job.change import Change
from gridtools.job.connection import clear_errors
from gridtools.job.metadata_table import metadata_text
from gridtools.job.settings import Setting
from gridtools.job.stale import stale_layers
from gridtools.job.store import Store
from gridtools.job.style_table import missing_styles
from gridtools.layers import ALL_LAYERS

L = TypeVar("L", bound=Layer)


class Job:
    """A job file, open; used as a context manager.

    All that is read through one `Job` belongs together: once another program has changed the
    file, reading and changing fail with `JobBusyError`. No lock is held while nothing is read.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._opened = time.time()

    @classmethod
    def open(cls, path: str | Path) -> Self:
        """Open a job that is there.

        Raises
        ------
        FileError
            If the file is missing or cannot be opened.
        InputError
            If it is not a GeoPackage, or a layer lacks a column.
        MissingError
            If it is a GeoPackage but not a job.
        JobBusyError
            If another program keeps it locked.
        """
        return cls(Store.open(Path(path)))

    def close(self) -> None:
        """Close the file."""
        self._store.db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def path(self) -> Path:
        """The file, as it was named."""
        return self._store.path

    @property
    def crs(self) -> CRS:
        """CRS of the file, in its own units."""
        return self._store.crs

    @cached_property
    def metric_crs(self) -> CRS:
        """The same CRS in metres: that of every layer read and written."""
        return metric_twin(self.crs)

    @property
    def metres_per_unit(self) -> float:
        """Length of one unit of the CRS of the file."""
        return self._store.metres_per_unit

    def read(self, layer: type[L]) -> L:
        """All rows of a layer, coordinates in metres, in the order of their feature ids.

        Raises
        ------
        InputError
            If a row holds what its column does not allow; names the file, layer and row.
        JobBusyError
            If another program has changed the file since it was opened.
        """
        rows = self._store.read(layer)
        self._store.check_unchanged()
        return rows

    def setting(self, key: str) -> Setting | None:
        """One chosen parameter, or None if it was never set."""
        return self._store.setting(key)

    def stale(self, layers: Iterable[type[Layer]] = ALL_LAYERS) -> dict[str, tuple[str, ...]]:
        """Layers made from something that has changed since, by name, with what has changed."""
        return stale_layers(self._store, layers)

    def missing_styles(self) -> list[str]:
        """Names of the layers without a default style."""
        with clear_errors(self.path):
            return missing_styles(self._store.db)

    def metadata(self) -> str:
        """Metadata of the job as an XML document, ISO 19115."""
        with clear_errors(self.path):
            return metadata_text(self._store)

    def digest(self, source: type[Layer] | str) -> str:
        """Short digest of a layer, without its kept columns, or of a setting."""
        return self._store.digest(source)

    def change(
        self,
        command: str,
        options: Mapping[str, Any] | None = None,
        inputs: Sequence[type[Layer] | str] = (),
    ) -> Change:
        """One atomic change, as a context manager.

        Parameters
        ----------
        command
            Name of the command, for the history.
        options
            Its options as they were resolved; stored as JSON.
        inputs
            Layers, and keys of settings, from which the layers written were made.

        Raises
        ------
        FileError
            On entering or leaving, if the file cannot be written.
        JobBusyError
            If another program is writing, or has changed the file since it was opened.
        """
        return Change(self._store, command, options or {}, inputs, self._opened)
