"""Of several programs on one store, the one that does its jobs.

The database itself, or for SQLite the system's locks on a file beside it,
tells who that is. A program that dies lets go at once, whatever killed it; so
another one can take its jobs up without waiting for a time to run out.
"""

from __future__ import annotations

import sqlite3
from contextlib import suppress

from sqlalchemy import Connection, text
from sqlalchemy.exc import SQLAlchemyError

from pawnlore.service.store.errors import in_words
from pawnlore.service.store.store import Store, told

_LOCK = 0x70617770  # any number that other programs on the database do not use


class SoleRunner:
    """Asks to be the one, and stays it until `release`. One thread uses it."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._file: sqlite3.Connection | None = None
        self._session: Connection | None = None

    def take(self) -> bool:
        """Whether this is the one now, asking to be if it is not yet. Raises `StoreUnavailable`."""
        if self._store.dialect == "postgresql":
            return self._still() or self._take_session()
        return self._file is not None or self._take_file()

    def release(self) -> None:
        """Let another program be the one."""
        if self._file is not None:
            self._file.close()
        if self._session is not None:
            with suppress(SQLAlchemyError):
                self._session.close()
        self._file = self._session = None

    def _take_file(self) -> bool:
        with self._store.reading() as connection:
            rows = connection.exec_driver_sql("PRAGMA database_list").all()
        path = next(str(row[2]) for row in rows if row[1] == "main")
        other = None
        try:
            # Not fcntl: what SQLite does about locks holds on every system.
            other = sqlite3.connect(
                f"{path}-runner", timeout=0, isolation_level=None, check_same_thread=False
            )
            other.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            if other is not None:
                other.close()
            if getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_BUSY:
                return False
            raise in_words(error) or error from None
        self._file = other
        return True

    def _take_session(self) -> bool:
        with told():
            session = self._store.engine.connect().execution_options(isolation_level="AUTOCOMMIT")
            try:
                # The lock is the session's, so the pool must not hand it on.
                session.detach()
                # A machine that vanished is found out in a minute and not in hours.
                session.execute(text("SET tcp_keepalives_idle = 20"))
                session.execute(text("SET tcp_keepalives_interval = 10"))
                session.execute(text("SET tcp_keepalives_count = 4"))
                if session.execute(
                    text("SELECT pg_try_advisory_lock(:lock)"), {"lock": _LOCK}
                ).scalar():
                    self._session = session
                    return True
            except BaseException:
                session.close()
                raise
            session.close()
        return False

    def _still(self) -> bool:
        if self._session is None:
            return False
        try:
            self._session.execute(text("SELECT 1"))
        except SQLAlchemyError:
            self.release()
            return False
        return True
