"""What can go wrong with a store, in words for people."""

from __future__ import annotations

import errno
import sqlite3
from typing import TYPE_CHECKING

from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout

if TYPE_CHECKING:
    from pawnlore.service.store.note_shelf import StoredNote


class StoreError(Exception):
    """Something about the store; the message says what, and what to do."""


class NotFound(StoreError):
    """There is nothing of that id, or it was deleted."""


class Refused(StoreError):
    """What was given cannot be kept as it is."""


class StoreUnavailable(StoreError):
    """The database cannot be reached or used now; a later try may work."""


class StoreBusy(StoreUnavailable):
    """Another program held the database for too long."""


class StoreFull(StoreUnavailable):
    """There is no room to write; nothing of the change was kept."""


class TooManyJobs(StoreError):
    """So many jobs are waiting that no other one is taken now."""


class ClaimLost(StoreError):
    """A job is somebody else's by now, or is gone; nothing of this attempt was kept."""


class OtherVersion(StoreError):
    """The store was made by a newer version of the program."""


class Stale(StoreError):
    """Somebody else changed it in between; both texts are here.

    ``current`` is what stands in the store, ``offered`` the text that was not
    taken. The store keeps that too, see `NoteShelf.set_aside`.
    """

    def __init__(self, current: StoredNote, offered: str) -> None:
        self.current = current
        self.offered = offered
        super().__init__(
            f"note {current.id} was changed in between: it is at revision {current.revision} now; "
            "look at both texts and save again"
        )


_FULL = "there is no room left for the store; free some space and try again. Nothing was changed"
_SQLITE_UNAVAILABLE = {
    sqlite3.SQLITE_BUSY: (
        StoreBusy,
        "another program has been writing to the store for too long; try again",
    ),
    sqlite3.SQLITE_LOCKED: (StoreBusy, "the store is locked by another program; try again"),
    sqlite3.SQLITE_FULL: (StoreFull, _FULL),
    sqlite3.SQLITE_READONLY: (StoreUnavailable, "the store's file or its folder is read-only"),
    sqlite3.SQLITE_CANTOPEN: (
        StoreUnavailable,
        "the store's file cannot be opened: it is gone, or its folder may not be written",
    ),
    sqlite3.SQLITE_IOERR: (
        StoreUnavailable,
        "the disk of the store does not answer as it should; look at it and try again",
    ),
    sqlite3.SQLITE_CORRUPT: (
        StoreUnavailable,
        "the store's file is damaged; put back a backup with 'pawnlore restore'",
    ),
    sqlite3.SQLITE_NOTADB: (StoreUnavailable, "the store's file is no store, or is damaged"),
}


def in_words(error: Exception) -> StoreError | None:
    """The error of a database for people; none for a fault of the program itself."""
    if isinstance(error, PoolTimeout):
        return StoreBusy("the store is busy; try again")
    if isinstance(error, OSError):
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            return StoreFull(_FULL)
        return StoreUnavailable(f"the store cannot be used: {error.strerror or error}")
    original = error.orig if isinstance(error, DBAPIError) else error
    if isinstance(original, sqlite3.Error):
        # The lower byte is the kind, the others tell more.
        code = getattr(original, "sqlite_errorcode", 0) & 0xFF
        if code in _SQLITE_UNAVAILABLE:
            kind, words = _SQLITE_UNAVAILABLE[code]
            return kind(words)
        return None
    state = str(getattr(original, "sqlstate", "") or "")
    # https://www.postgresql.org/docs/15/errcodes-appendix.html: 53100 is a full
    # disk, 53 a lack of other resources, 55P03 and 57014 a wait that was ended,
    # 40 a transaction that has to be tried again.
    if state == "53100":
        return StoreFull(_FULL)
    if state in ("55P03", "57014") or state.startswith("40"):
        return StoreBusy("another program was writing to the store at the same time; try again")
    if state.startswith(("53", "57", "58", "08", "28", "3D")) or (
        not state and type(original).__name__ in ("OperationalError", "InterfaceError")
    ):
        # The driver's own words may hold an address, a user or a password.
        return StoreUnavailable("the database does not answer, or does not let us in")
    return None
