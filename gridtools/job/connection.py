"""One SQLite connection to a job, and SQLite's errors as sentences."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gridtools.errors import FileError, GridtoolsError, InputError, JobBusyError

BUSY_SECONDS = 5.0
# Pages that do not fit the cache are spilled into the file before the commit, under a lock that
# keeps a desktop GIS from reading: hold a large change in memory instead.
_CACHE_KIB = 256 * 1024


def connect(path: Path) -> sqlite3.Connection:
    """Connection to a job, read-write where the file system allows it, else reading only.

    A query is run before anything else: it rolls back what a killed program left half done.

    Raises
    ------
    FileError
        If the file is missing, is a folder or cannot be opened.
    InputError
        If the file is not a SQLite database.
    JobBusyError
        If another program keeps it locked.
    """
    if not path.exists():
        raise FileError(f"{path}: no such file; start a job with: gridtools new {path}")
    if not path.is_file():
        raise FileError(f"{path} is not a file")
    uri = path.absolute().as_uri()
    with clear_errors(path):
        try:
            return _open(f"{uri}?mode=rw")
        except sqlite3.OperationalError as error:
            if _code(error) not in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
                raise
        # In a folder that cannot be written, a job last used in WAL mode has no place for its
        # -wal and -shm files. Without changes waiting in them, the file alone is complete.
        waiting = any(Path(f"{path}{end}").exists() for end in ("-wal", "-journal"))
        try:
            return _open(f"{uri}?mode=ro" if waiting else f"{uri}?mode=ro&immutable=1")
        except sqlite3.OperationalError as error:
            why = "its last change is not finished and " if waiting else ""
            raise FileError(
                f"{path} cannot be opened: {why}its permissions, or those of its folder, do not "
                "allow it"
            ) from error


def _open(uri: str) -> sqlite3.Connection:
    db = sqlite3.connect(uri, uri=True, timeout=BUSY_SECONDS, isolation_level=None)
    try:
        db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        # Above FULL: that the journal is gone, which is the commit, is on the disk too, so that
        # no change that a command has reported is undone by a power cut right after.
        db.execute("PRAGMA synchronous = EXTRA")
        db.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
    except BaseException:
        db.close()
        raise
    return db


@contextmanager
def clear_errors(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into ours, each one sentence that names the file."""
    try:
        yield
    except sqlite3.Error as error:
        raise _sentence(path, error) from error


def is_damage(error: sqlite3.Error) -> bool:
    """Whether an error comes from a damaged file."""
    return _code(error) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def _code(error: sqlite3.Error) -> int:
    return getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF


def _sentence(path: Path, error: sqlite3.Error) -> GridtoolsError:
    code = _code(error)
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return JobBusyError(
            f"{path} is in use: another program is writing to it or holds it; nothing was "
            "written, try again"
        )
    if code == sqlite3.SQLITE_NOTADB:
        return InputError(f"{path} is not a GeoPackage")
    if code == sqlite3.SQLITE_CORRUPT:
        return InputError(f"{path} is damaged: restore it from a copy ({error})")
    if code == sqlite3.SQLITE_READONLY:
        return FileError(f"{path} is read-only: nothing was written")
    if code == sqlite3.SQLITE_FULL:
        return FileError(f"{path}: the disk is full; nothing was written")
    if code == sqlite3.SQLITE_CANTOPEN:
        return FileError(f"{path} or its folder does not allow it: nothing was written")
    if getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_IOERR_DIR_FSYNC:
        return FileError(
            f"{path}: the disk failed when the change was already in the file: look with gridtools "
            "status whether it is there"
        )
    if code == sqlite3.SQLITE_IOERR:
        return FileError(f"{path}: the disk is full or failing; nothing was written ({error})")
    return FileError(f"{path} cannot be used: {error}")
