"""A copy of a whole store in one file, made and put back while the service runs.

The file is a zip archive: ``store.json`` tells the format and the version of
the tables, and each table is a file of JSON lines, ordered by its key, with
bytes in Base64. The same content gives the same file, byte for byte, whichever
database it is in; so a store can also move from SQLite to PostgreSQL and back.
"""

from __future__ import annotations

import base64
import json
import os
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from sqlalchemy import Connection, LargeBinary, MetaData, Table, func, select, text
from sqlalchemy.exc import DataError, IntegrityError, StatementError

from pawnlore.service.store.errors import OtherVersion, Refused
from pawnlore.service.store.store import Store, count_up, open_store, told
from pawnlore.service.store.upgrade import NEWEST, VERSIONS, bring_up_to_date, version_of

FORMAT = "pawnlore-store-1"

_FACTS = "store.json"
# Counters only tell what is kept in memory of changes; they always go up.
_LEFT_OUT = frozenset({"alembic_version", "counters"})
_ROWS_AT_ONCE = 200
_SAME_DATE = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True)
class BackupFacts:
    """What a backup holds: the version of its tables, and how many rows of each."""

    version: str
    rows: dict[str, int]


def back_up(store: Store, target: str | os.PathLike[str]) -> BackupFacts:
    """Write everything that the store holds, as it is at one moment.

    The file is complete or not there. Raises `StoreError`.
    """
    path = Path(target)
    part = path.with_name(f".{path.name}.part")
    try:
        with told():
            # Notes may be private.
            handle = os.open(part, os.O_CREAT | os.O_TRUNC | os.O_WRONLY, 0o600)
            with os.fdopen(handle, "wb") as file:
                facts = _write(store, file)
                file.flush()
                os.fsync(file.fileno())
            os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)
    return facts


def restore(store: Store, source: str | os.PathLike[str]) -> BackupFacts:
    """Put a backup in the place of everything that the store holds, or change nothing.

    A backup of an older version is brought up to date on the way. Raises
    `Refused` for a file that is no backup or is damaged, `OtherVersion` for
    one of a newer program.
    """
    try:
        with zipfile.ZipFile(source) as archive:
            version = _version(archive)
            if version == NEWEST:
                return _fill(store, archive, version)
            return _restore_older(store, archive, version)
    except OSError as error:
        reason = error.strerror or str(error)
        raise Refused(f"the backup {source} cannot be read: {reason}") from None
    except (
        zipfile.BadZipFile,
        zlib.error,
        KeyError,
        TypeError,
        AttributeError,
        ValueError,
        EOFError,
        NotImplementedError,
        IntegrityError,
        DataError,
    ):
        raise Refused(
            f"{source} is no backup of a store, or is damaged; nothing was changed"
        ) from None
    except StatementError as error:
        # A value of a kind that the column cannot hold.
        if type(error) is not StatementError:
            raise
        raise Refused(f"{source} is damaged; nothing was changed") from None


def is_empty(store: Store) -> bool:
    """Whether a store holds nothing at all."""
    with store.reading() as connection:
        return not any(
            connection.execute(select(func.count()).select_from(table)).scalar()
            for table in _tables(connection)
        )


def _write(store: Store, file: IO[bytes]) -> BackupFacts:
    with store.reading() as connection, zipfile.ZipFile(file, "w") as archive:
        version = version_of(connection) or ""
        rows: dict[str, int] = {}
        with archive.open(_entry(_FACTS), "w") as entry:
            entry.write(json.dumps({"format": FORMAT, "version": version}).encode())
        for table in _tables(connection):
            rows[table.name] = 0
            with archive.open(_entry(f"{table.name}.jsonl"), "w", force_zip64=True) as entry:
                for row in _rows(connection, table):
                    entry.write(json.dumps(row, sort_keys=True).encode("ascii") + b"\n")
                    rows[table.name] += 1
    return BackupFacts(version, rows)


def _rows(connection: Connection, table: Table) -> Iterator[dict[str, Any]]:
    query = select(table).order_by(*table.primary_key.columns)
    for row in connection.execute(query, execution_options={"yield_per": _ROWS_AT_ONCE}):
        yield {
            name: base64.b64encode(value).decode("ascii") if isinstance(value, bytes) else value
            for name, value in row._mapping.items()
        }


def _version(archive: zipfile.ZipFile) -> str:
    facts = json.loads(archive.read(_FACTS))
    if facts["format"] != FORMAT:
        raise Refused("the backup has a format that this program does not know")
    version = str(facts["version"])
    if version not in VERSIONS:
        raise OtherVersion(
            f"the backup is of version {version}, and this program knows versions up to "
            f"{NEWEST}; use the newer program that made it"
        )
    return version


def _fill(store: Store, archive: zipfile.ZipFile, version: str) -> BackupFacts:
    done: dict[str, int] = {}
    with store.writing() as connection:
        tables = _tables(connection)
        for table in reversed(tables):
            connection.execute(table.delete())
        for table in tables:
            done[table.name] = 0
            with archive.open(f"{table.name}.jsonl") as lines:
                batch: list[dict[str, Any]] = []
                for line in lines:
                    batch.append(_row(table, line))
                    if len(batch) == _ROWS_AT_ONCE:
                        connection.execute(table.insert(), batch)
                        done[table.name] += len(batch)
                        batch = []
                if batch:
                    connection.execute(table.insert(), batch)
                    done[table.name] += len(batch)
            _go_on_counting(connection, table)
        for name in ("notes", "labels", "repertoires", "families", "models", "surveys"):
            count_up(connection, name)
    return BackupFacts(version, done)


def _row(table: Table, line: bytes) -> dict[str, Any]:
    row = json.loads(line)
    if set(row) != set(table.columns.keys()):
        raise ValueError("columns of another table")
    return {
        name: base64.b64decode(value, validate=True)
        if isinstance(table.columns[name].type, LargeBinary)
        else value
        for name, value in row.items()
    }


def _go_on_counting(connection: Connection, table: Table) -> None:
    """Let PostgreSQL number the next row after those that came with their numbers."""
    if connection.dialect.name != "postgresql" or "number" not in table.columns:
        return
    connection.execute(
        text(
            f"SELECT setval(pg_get_serial_sequence('{table.name}', 'number'), "
            f"(SELECT COALESCE(MAX(number), 0) + 1 FROM {table.name}), false)"
        )
    )


def _restore_older(store: Store, archive: zipfile.ZipFile, version: str) -> BackupFacts:
    """By way of a store of that version, which is then brought up to date."""
    with tempfile.TemporaryDirectory(prefix="pawnlore-") as folder:
        between = open_store(f"sqlite:///{folder}/older.sqlite", version=version)
        try:
            _fill(between, archive, version)
            bring_up_to_date(between.engine, between.writing_engine)
            newer = Path(folder) / "newer.zip"
            back_up(between, newer)
        finally:
            between.close()
        with zipfile.ZipFile(newer) as now:
            return _fill(store, now, NEWEST)


def _tables(connection: Connection) -> list[Table]:
    """The tables as they are in the database, those that others point to first."""
    found = MetaData()
    found.reflect(connection)
    return [table for table in found.sorted_tables if table.name not in _LEFT_OUT]


def _entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, _SAME_DATE)
    entry.compress_type = zipfile.ZIP_DEFLATED
    # Else the file would tell on which system it was made.
    entry.create_system = 3
    entry.external_attr = 0o600 << 16
    return entry
