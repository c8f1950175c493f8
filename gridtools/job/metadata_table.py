"""Metadata in the job: the GeoPackage's own tables for it, kept up by every change."""

import sqlite3

from gridtools.errors import InputError
from gridtools.formats.iso19139 import STANDARD_URI, JobMetadata, Step, write_metadata
from gridtools.geodesy import lonlat_bounds
from gridtools.job.store import Store
from gridtools.units import counted

# OGC 12-128r18, annex C.
_TABLES = """
CREATE TABLE IF NOT EXISTS gpkg_metadata (
    id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL,
    md_scope TEXT NOT NULL DEFAULT 'dataset',
    md_standard_uri TEXT NOT NULL,
    mime_type TEXT NOT NULL DEFAULT 'text/xml',
    metadata TEXT NOT NULL DEFAULT ''
);
CREATE TABLE IF NOT EXISTS gpkg_metadata_reference (
    reference_scope TEXT NOT NULL,
    table_name TEXT,
    column_name TEXT,
    row_id_value INTEGER,
    timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')),
    md_file_id INTEGER NOT NULL,
    md_parent_id INTEGER,
    CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
    CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id)
)
"""
_ABSTRACT = "Search of ground on foot for large buried metal."
_OURS = (
    "SELECT min(m.id) FROM gpkg_metadata m JOIN gpkg_metadata_reference r ON r.md_file_id = m.id "
    "WHERE r.reference_scope = 'geopackage' AND m.md_standard_uri = ?"
)


def make_metadata_tables(db: sqlite3.Connection) -> None:
    """Add the tables and list them, inside an open transaction."""
    for sql in _TABLES.split(";"):
        db.execute(sql)
    db.executemany(
        "INSERT INTO gpkg_extensions (table_name, extension_name, definition, scope) "
        "VALUES (?, 'gpkg_metadata', 'http://www.geopackage.org/spec120/#extension_metadata', "
        "'read-write')",
        [("gpkg_metadata",), ("gpkg_metadata_reference",)],
    )


def store_metadata(store: Store) -> None:
    """Bring the record of the job up to date, inside an open transaction.

    It is the first record of this standard on the file as a whole; others stay as they are. A job
    without the tables is left without.
    """
    db = store.db
    if not _has_table(db, "gpkg_metadata_reference") or not _has_table(db, "gpkg_metadata"):
        return
    text = metadata_text(store)
    number = db.execute(_OURS, (STANDARD_URI,)).fetchone()[0]
    if number is None:
        number = db.execute(
            "INSERT INTO gpkg_metadata (md_scope, md_standard_uri, metadata) "
            "VALUES ('dataset', ?, ?)",
            (STANDARD_URI, text),
        ).lastrowid
        db.execute(
            "INSERT INTO gpkg_metadata_reference (reference_scope, md_file_id) "
            "VALUES ('geopackage', ?)",
            (number,),
        )
        return
    db.execute("UPDATE gpkg_metadata SET metadata = ? WHERE id = ?", (text, number))
    db.execute(
        "UPDATE gpkg_metadata_reference SET timestamp = strftime('%Y-%m-%dT%H:%M:%fZ', 'now') "
        "WHERE md_file_id = ? AND reference_scope = 'geopackage'",
        (number,),
    )


def metadata_text(store: Store) -> str:
    """Record of the job as it stands."""
    db = store.db
    # One step for each command, so that the record stays short however often one is run.
    steps = db.execute(
        "SELECT command, count(*), max(start_utc), max(version), max(entry) FROM history "
        "GROUP BY command ORDER BY max(entry)"
    ).fetchall()
    begun, changed = db.execute("SELECT min(start_utc), max(start_utc) FROM history").fetchone()
    first, last = db.execute(
        "SELECT min(start_utc), max(finish_utc) FROM sessions WHERE NOT struck"
    ).fetchone()
    code = store.crs.to_authority()
    return write_metadata(
        JobMetadata(
            title=_setting(store, "name") or store.path.stem,
            abstract=_setting(store, "abstract") or _ABSTRACT,
            contact=_setting(store, "contact"),
            contact_email=_setting(store, "contact_email"),
            created_utc=begun or "",
            changed_utc=changed or "",
            walked_from_utc=first or "",
            walked_to_utc=last or "",
            bounds=_bounds(store),
            crs=":".join(code) if code else store.crs.name,
            lineage="Made with gridtools; the table history has every change, the table logs "
            "every log that was taken in, byte for byte.",
            steps=[
                Step(
                    time_utc=time or "",
                    words=f"gridtools {command}"
                    + (f", last of {counted(times, 'time')}" if times > 1 else "")
                    + f", version {version}",
                )
                for command, times, time, version, _ in steps
            ],
        )
    )


def _setting(store: Store, key: str) -> str:
    setting = store.setting(key)
    return setting.text if setting else ""


def _bounds(store: Store) -> tuple[float, ...]:
    stated = store.db.execute(
        "SELECT min_x, min_y, max_x, max_y FROM gpkg_contents WHERE table_name = 'site'"
    ).fetchone()
    if stated is None or None in stated:
        return ()
    try:
        return lonlat_bounds(store.crs, stated)
    except InputError:  # a site drawn elsewhere by mistake: the record goes without
        return ()


def _has_table(db: sqlite3.Connection, name: str) -> bool:
    return db.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (name,)).fetchone() is not None
