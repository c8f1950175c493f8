"""A job for the archive: one ZIP with all there is, its checksums, and what is what."""

import hashlib
import os
import sqlite3
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from gridtools.errors import FileError, InputError, RefusedError
from gridtools.formats.layer_csv import write_layer
from gridtools.formats.sld import write_sld
from gridtools.handover.cautions import NO_PROOF
from gridtools.handover.styles import STYLES
from gridtools.job.connection import clear_errors, connect
from gridtools.job.create import put_in_place
from gridtools.job.file import Job
from gridtools.layers import ALL_LAYERS, History, Logs
from gridtools.units import counted

_PART_BYTES = 1 << 20
# The first moment that a ZIP can state; the same for all files, so that the same job gives the
# same bytes.
_NO_TIME = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True)
class Entry:
    """One file of an archive: its name there, its size and its SHA-256 in hexadecimal."""

    name: str
    size: int
    sha256: str


def write_archive(
    path: str | Path, out: str | Path, report: Callable[[Job], bytes] | None = None
) -> list[Entry]:
    """Write a job and all that belongs to it into a new ZIP file.

    Everything is read from one copy of the job, made as SQLite makes a copy of a database in use,
    so that all of it belongs together.

    Parameters
    ----------
    path
        The job.
    out
        File to make; afterwards it is there and complete, or it is not there.
    report
        Makes the report of a job; None leaves it out.

    Returns
    -------
    list of Entry
        The files, in order.

    Raises
    ------
    RefusedError
        If there is a file of that name.
    FileError
        If it cannot be written.
    InputError
        If a log in the job is damaged.
    """
    source, target = Path(path), Path(out)
    if target.suffix.lower() != ".zip":
        raise InputError(f"{target}: the name of an archive ends in .zip")
    if os.path.lexists(target):
        raise RefusedError(f"{target} exists: choose another name, or remove it first")
    try:
        with tempfile.TemporaryDirectory(prefix=f".{target.stem}-", dir=target.parent) as folder:
            copy = Path(folder) / source.name
            _copy(source, copy)
            entries = _fill(Path(folder) / "archive.zip", copy, report)
            put_in_place(Path(folder) / "archive.zip", target)
    except OSError as error:
        if isinstance(error, FileError):
            raise
        raise FileError(f"{target} cannot be written: {error.strerror}") from error
    return entries


def _copy(source: Path, copy: Path) -> None:
    with Job.open(source):  # says clearly what is wrong, if anything is
        pass
    with (
        clear_errors(source),
        closing(connect(source)) as db,
        closing(sqlite3.connect(copy)) as into,
    ):
        # With a read lock of its own it waits as long as any command does, and no longer.
        db.execute("BEGIN")
        db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        db.backup(into)
        # A copy of a job in WAL mode would need files beside it.
        into.execute("PRAGMA journal_mode = DELETE")


def _fill(scratch: Path, copy: Path, report: Callable[[Job], bytes] | None) -> list[Entry]:
    entries = []
    with zipfile.ZipFile(scratch, "x", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        with Job.open(copy) as job:
            entries += [_put(archive, name, data) for name, data in _contents(job, report)]
            page = _page(job, copy.name, report is not None)
        entries.append(_put_file(archive, copy.name, copy))
        entries.append(_put(archive, "README.txt", page.encode()))
        entries.sort(key=lambda entry: entry.name)
        sums = "".join(f"{entry.sha256}  {entry.name}\n" for entry in entries)
        entries.append(_put(archive, "SHA256SUMS", sums.encode()))
    return entries


def _contents(job: Job, report: Callable[[Job], bytes] | None) -> Iterator[tuple[str, bytes]]:
    """Everything but the job itself, as names and bytes."""
    logs = job.read(Logs)
    for log_id, name, digest, content in zip(
        logs.log_id, logs.name, logs.sha256, logs.content, strict=True
    ):
        try:
            data = zlib.decompress(content)
        except zlib.error as error:
            raise InputError(f"{job.path.name}, log {log_id}: its content is damaged") from error
        if digest and hashlib.sha256(data).hexdigest() != digest:
            raise InputError(f"{job.path.name}, log {log_id}: its content is not what was taken in")
        yield f"logs/{log_id}-{_file_name(name)}", data
    for layer in ALL_LAYERS:
        yield f"layers/{layer.table}.csv", write_layer(job.read(layer), job.metres_per_unit)
    for layer, style in STYLES.items():
        yield f"styles/{layer.table}.sld", write_sld(layer, style)
    yield "metadata.xml", job.metadata().encode()
    if report is not None:
        yield "report.html", report(job)


def _page(job: Job, name: str, has_report: bool) -> str:
    """What is what, in plain text."""
    stated = job.setting("name")
    code = ":".join(job.crs.to_authority() or ())
    unit = job.crs.axis_info[0].unit_name
    entries = len(job.read(History))
    parts = [
        (name, "the job, a GeoPackage (OGC 12-128) that any GIS opens: all layers and styles"),
        ("report.html", "the job in words, figures and a map, for a browser"),
        ("metadata.xml", "title, extent, dates, contact and lineage (ISO 19115 in ISO/TS 19139)"),
        ("logs/", "every log as it was taken in, byte for byte, its number before its name"),
        ("layers/", "every layer as CSV in UTF-8; lines and areas as well-known text"),
        ("styles/", "how to draw each layer with geometry (OGC Styled Layer Descriptor 1.0)"),
        ("SHA256SUMS", "checksums; check them with: sha256sum -c SHA256SUMS"),
    ]
    lines = [
        f"{stated.text if stated else job.path.stem}",
        "",
        "Search of ground on foot for large buried metal, made with gridtools.",
        f"CRS {job.crs.name}{f' ({code})' if code else ''}; coordinates in {unit}.",
        "Columns that end in _m are metres, _m2 square metres, _deg degrees clockwise from grid",
        "north, _utc times in UTC. In CSV, text that a spreadsheet would take for a formula is",
        "led by an apostrophe.",
        f"The table history has {counted(entries, 'change')}.",
        "",
        *(f"{part:<14}{words}" for part, words in parts if has_report or part != "report.html"),
        "",
        "Layers:",
        *(f"{layer.table:<14}{layer.meaning}" for layer in ALL_LAYERS),
        "",
        NO_PROOF,
    ]
    return "\n".join(lines) + "\n"


def _file_name(name: str) -> str:
    """Name of a log as every file system takes it, inside its folder."""
    plain = "".join(c if c.isalnum() or c in "._- " else "_" for c in name).strip(". ")
    return plain[-80:] or "log"


def _put(archive: zipfile.ZipFile, name: str, data: bytes) -> Entry:
    archive.writestr(_info(name), data)
    return Entry(name, len(data), hashlib.sha256(data).hexdigest())


def _put_file(archive: zipfile.ZipFile, name: str, path: Path) -> Entry:
    total, size = hashlib.sha256(), 0
    with path.open("rb") as source, archive.open(_info(name), "w", force_zip64=True) as into:
        while part := source.read(_PART_BYTES):
            into.write(part)
            total.update(part)
            size += len(part)
    return Entry(name, size, total.hexdigest())


def _info(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, _NO_TIME)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = 0o644 << 16
    info.create_system = 3
    return info
