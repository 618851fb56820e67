"""A store: one database, SQLite or PostgreSQL, and how transactions are made on it."""

from __future__ import annotations

import os
import secrets
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event, select, update
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, DisconnectionError, NoSuchModuleError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from sqlalchemy.pool import ConnectionPoolEntry, PoolProxiedConnection, QueuePool

from pawnlore.service.store.errors import Refused, StoreError, StoreUnavailable, in_words
from pawnlore.service.store.schema import CounterRow
from pawnlore.service.store.upgrade import NEWEST, bring_up_to_date

Clock = Callable[[], datetime]
"""Tells the present moment, with its time zone."""

BUSY_SECONDS = 10
"""How long a writer waits for another one."""

_SIGNS = "23456789abcdefghjkmnpqrstuvwxyz"  # none that looks like another one


def utc_now() -> datetime:
    """The present moment in UTC."""
    return datetime.now(UTC)


def random_id() -> str:
    """A short random id, about 60 bits of chance.

    >>> len(random_id())
    12
    """
    return "".join(secrets.choice(_SIGNS) for _ in range(12))


class Store:
    """An open store.

    The shelves (`NoteShelf` and so on) take one. It may be used by several
    threads, and several programs may have the same database open. ``clock``
    and ``new_id`` give the moments and ids of what is written.
    """

    def __init__(self, engine: Engine, clock: Clock, new_id: Callable[[], str]) -> None:
        self.engine = engine
        self.clock = clock
        self.new_id = new_id
        self.writing_engine = engine.execution_options(begin="IMMEDIATE")

    @property
    def dialect(self) -> str:
        """``sqlite`` or ``postgresql``."""
        return self.engine.dialect.name

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that only reads, and sees one state of everything."""
        with told(), self.engine.begin() as connection:
            if self.dialect == "postgresql":
                connection.exec_driver_sql(
                    "SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY"
                )
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that writes: all of it is kept at its end, or nothing.

        When this has ended without an error, what was written survives the end
        of the program.
        """
        with told(), self.writing_engine.begin() as connection:
            yield connection

    def counter(self, name: str) -> int:
        """How often the things of this name (``notes``, ``labels``) were changed."""
        return self.counters().get(name, 0)

    def counters(self) -> dict[str, int]:
        """How often the things of every name were changed.

        It is made for being asked at every request: one small read.
        """
        failures = self.engine.dialect.loaded_dbapi.Error
        with told():
            # Below SQLAlchemy's statements, which would take most of the time.
            try:
                raw = self.engine.raw_connection()
                try:
                    cursor = raw.cursor()
                    cursor.execute("SELECT name, value FROM counters")
                    rows = cursor.fetchall()
                    cursor.close()
                finally:
                    raw.close()
            except failures as error:
                raise in_words(error) or error from None
        return {name: int(value) for name, value in rows}

    def ready(self) -> None:
        """Raise `StoreUnavailable` unless the database answers."""
        with self.reading() as connection:
            connection.execute(select(CounterRow.value).limit(1))

    def close(self) -> None:
        """Give back every connection; the store can still be used after that."""
        self.engine.dispose()


def count_up(connection: Connection, name: str) -> None:
    """Tell all who keep things of this name in memory that they were changed."""
    connection.execute(
        update(CounterRow).where(CounterRow.name == name).values(value=CounterRow.value + 1)
    )


def open_store(
    url: str,
    *,
    clock: Clock = utc_now,
    new_id: Callable[[], str] = random_id,
    version: str = NEWEST,
) -> Store:
    """Open the store at a database URL, and bring it up to date.

    ``sqlite:///FILE`` is made where it is missing, with its folder;
    ``postgresql://…`` must be a database that exists. Raises `Refused` for a
    URL that is none, `StoreUnavailable` where the database cannot be used, and
    `OtherVersion` for a store of a newer program. An older ``version`` of the
    tables is only for making one to bring up to date.
    """
    try:
        parsed = make_url(url)
        kind = parsed.get_backend_name()
    except (ArgumentError, ValueError, NoSuchModuleError):
        kind = ""
    if kind == "sqlite":
        engine = _sqlite(parsed)
    elif kind == "postgresql":
        engine = _postgresql(parsed)
    else:
        # Not with the URL itself, which may hold a password.
        raise Refused(
            "the database must be named as sqlite:///FILE or postgresql://USER@HOST/DATABASE"
        )
    store = Store(engine, clock, new_id)
    try:
        with told():
            bring_up_to_date(store.engine, store.writing_engine, to=version)
    except BaseException:
        engine.dispose()
        raise
    return store


@contextmanager
def told() -> Iterator[None]:
    """Turn the errors of databases into those for people."""
    try:
        yield
    except StoreError:
        raise
    except (DBAPIError, PoolTimeout, OSError) as error:
        words = in_words(error)
        if words is None:
            raise
        raise words from error


def _sqlite(url: URL) -> Engine:
    if not url.database or url.database == ":memory:":
        raise Refused("a store in memory would be lost; name a file, as in sqlite:///pawnlore.db")
    path = Path(url.database).absolute()
    with told():
        path.parent.mkdir(parents=True, exist_ok=True)
        if not path.exists():
            # Notes may be private. An empty file is an empty database.
            os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
    # With 'rw' a file that has gone is an error and not an empty store.
    name = f"file:{quote(str(path))}?mode=rw"

    def connect() -> sqlite3.Connection:
        connection = sqlite3.connect(
            name,
            uri=True,
            timeout=BUSY_SECONDS,
            isolation_level=None,  # we begin transactions ourselves
            check_same_thread=False,
            cached_statements=256,
        )
        try:
            connection.execute("PRAGMA foreign_keys = ON")
            _use_wal(connection)
            # What was acknowledged survives a loss of power too.
            connection.execute("PRAGMA synchronous = FULL")
        except BaseException:
            connection.close()
            raise
        return connection

    engine = create_engine(
        "sqlite://",
        creator=connect,
        pool_size=8,
        max_overflow=24,
        pool_timeout=BUSY_SECONDS,
        poolclass=QueuePool,
    )

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        how = connection.get_execution_options().get("begin", "DEFERRED")
        connection.exec_driver_sql(f"BEGIN {how}")

    @event.listens_for(engine, "connect")
    def remember(_raw: object, record: ConnectionPoolEntry) -> None:
        record.info["file"] = _identity(path)

    @event.listens_for(engine, "checkout")
    def same_file(_raw: object, record: ConnectionPoolEntry, _proxy: PoolProxiedConnection) -> None:
        # A file that was removed or replaced lives on for those who have it
        # open. To write there would be to lose what is written.
        if record.info.get("file") != _identity(path):
            raise DisconnectionError("the store's file was replaced")

    return engine


def _use_wal(connection: sqlite3.Connection) -> None:
    """Set the kind of journal, which SQLite does not wait for where others do so too."""
    ends = time.monotonic() + BUSY_SECONDS
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            busy = getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_BUSY
            if not busy or time.monotonic() > ends:
                raise
            time.sleep(0.02)
        else:
            return


def _identity(path: Path) -> tuple[int, int]:
    try:
        facts = path.stat()
    except OSError:
        raise StoreUnavailable(
            f"the store's file {path.name} is gone; put it back, or restore a backup"
        ) from None
    return facts.st_dev, facts.st_ino


def _postgresql(url: URL) -> Engine:
    try:
        import psycopg  # noqa: F401
    except ImportError:
        raise Refused(
            "PostgreSQL needs the package psycopg: pip install 'pawnlore[postgres]'"
        ) from None
    return create_engine(
        url.set(drivername="postgresql+psycopg"),
        pool_size=8,
        max_overflow=24,
        pool_timeout=BUSY_SECONDS,
        # A server that was started anew is found out before a request fails.
        pool_pre_ping=True,
        connect_args={
            "connect_timeout": BUSY_SECONDS,
            "options": f"-c lock_timeout={BUSY_SECONDS * 1000} -c timezone=UTC",
        },
    )
