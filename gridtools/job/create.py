"""A new job: all its tables at once, with their first rows, or no file."""

import os
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from pyproj import CRS

from gridtools.columns import Kind, Layer
from gridtools.errors import FileError, GridtoolsError, InputError, RefusedError
from gridtools.geodesy import unit_factor
from gridtools.job.connection import clear_errors, connect
from gridtools.job.file import Job
from gridtools.job.metadata_table import make_metadata_tables
from gridtools.job.rows import GEOMETRY, quoted
from gridtools.job.settings import Setting
from gridtools.job.style_table import store_styles
from gridtools.job.tables import STAMP
from gridtools.layers import ALL_LAYERS, Fixes

_FIELD_TYPES = {
    Kind.TEXT: "str",
    Kind.WHOLE: "int64",
    Kind.REAL: "float",
    Kind.FLAG: "bool",
    Kind.TIME: "datetime",
    Kind.BLOB: "bytes",
}


def create_job(
    path: str | Path,
    crs: CRS,
    rows: Sequence[Layer] = (),
    settings: Mapping[str, Setting] | None = None,
    *,
    command: str = "new",
    options: Mapping[str, Any] | None = None,
    inputs: Sequence[type[Layer] | str] = (),
) -> None:
    """Start a job; afterwards the file is there and complete, or it is not there.

    Parameters
    ----------
    path
        File to make, with the suffix .gpkg.
    crs
        CRS of the job, projected, in its own units.
    rows
        First rows of some layers, coordinates in metres.
    settings
        First settings by key.
    command, options, inputs
        For the history, as in `Job.change`.

    Raises
    ------
    RefusedError
        If there is a file of that name.
    InputError
        If the CRS is not projected, the suffix is another, or a row cannot be stored.
    FileError
        If the file cannot be written.
    """
    target = Path(path)
    unit_factor(crs)
    if target.suffix.lower() != ".gpkg":
        raise InputError(f"{target}: the name of a job ends in .gpkg")
    if os.path.lexists(target):
        raise RefusedError(f"{target} exists: choose another name, or remove it first")
    try:
        folder = Path(tempfile.mkdtemp(prefix=f".{target.stem}-", dir=target.parent))
    except OSError as error:
        raise FileError(f"{target} cannot be written: {error.strerror}") from error
    try:
        scratch = folder / target.name
        _make_tables(scratch, target, crs)
        _complete(scratch)
        with Job.open(scratch) as job, job.change(command, options, inputs) as change:
            for layer in rows:
                change.append(layer)
            for key, setting in (settings or {}).items():
                change.set(key, setting.value, setting.unit, setting.basis)
        put_in_place(scratch, target)
    except GridtoolsError as error:
        raise type(error)(str(error).replace(str(scratch), str(target))) from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _make_tables(scratch: Path, target: Path, crs: CRS) -> None:
    import fiona
    from fiona._err import CPLE_BaseError
    from fiona.errors import FionaError

    try:
        # Nothing is lost if the machine stops now: the file is not in place yet.
        with fiona.Env(OGR_SQLITE_SYNCHRONOUS="OFF"):
            for layer in ALL_LAYERS:
                properties = {c.name: _FIELD_TYPES[c.kind] for c in layer.columns()}
                fiona.open(
                    scratch,
                    "w",
                    driver="GPKG",
                    layer=layer.table,
                    crs_wkt=crs.to_wkt(),
                    schema={"geometry": layer.geometry_type or "None", "properties": properties},
                    IDENTIFIER=layer.table.replace("_", " "),
                    DESCRIPTION=layer.meaning,
                    # Fixes are many, and looked at all together: an index would halve the speed.
                    SPATIAL_INDEX="NO" if layer is Fixes else "YES",
                ).close()
    except (FionaError, CPLE_BaseError, OSError) as error:
        raise FileError(f"{target} cannot be written: {error}") from error


def _complete(scratch: Path) -> None:
    """Add styles and metadata, and have every change of a row noted in the file, whoever makes it.

    Of changes to kept columns no note is taken: nothing is worked out from them.
    """
    with clear_errors(scratch), closing(connect(scratch)) as db:
        db.execute("BEGIN")
        for layer in ALL_LAYERS:
            names = [column.name for column in layer.columns() if not column.kept]
            names += [GEOMETRY] if layer.geometry_type else []
            for event in ("INSERT", "DELETE", f"UPDATE OF {', '.join(map(quoted, names))}"):
                name = f"changed_{layer.table}_{event.split()[0].lower()}"
                db.execute(
                    f"CREATE TRIGGER {quoted(name)} AFTER {event} ON {quoted(layer.table)} "
                    f"BEGIN {STAMP} WHERE table_name = '{layer.table}'; END"
                )
        db.execute("UPDATE gpkg_ogr_contents SET feature_count = 0")
        store_styles(db)
        make_metadata_tables(db)
        db.execute("COMMIT")


def put_in_place(scratch: Path, target: Path) -> None:
    """Give a finished file its name, never over another file."""
    try:
        try:
            os.link(scratch, target)
        except FileExistsError:
            raise RefusedError(f"{target} exists by now: choose another name") from None
        except OSError:  # a file system without hard links
            if target.exists():
                raise RefusedError(f"{target} exists by now: choose another name") from None
            scratch.rename(target)
    except OSError as error:
        raise FileError(f"{target} cannot be written: {error.strerror}") from error
    _keep_name(target.parent)


def _keep_name(folder: Path) -> None:
    """Have the names in a folder outlast a power cut, where the system can be asked to."""
    with suppress(OSError):  # Windows opens no folders; some file systems have nothing to do
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)
