"""A file that a job works on, read from the store a piece at a time."""

from __future__ import annotations

import io
from typing import IO, Any, cast

from sqlalchemy import select

from pawnlore.service.store.errors import StoreUnavailable
from pawnlore.service.store.schema import JobPieceRow
from pawnlore.service.store.store import Store

PIECE = 1 << 20
"""Bytes in each piece of a file but its last."""


class JobFile(io.RawIOBase):
    """A stream on one file of a job; nothing of it is held but the piece at hand."""

    def __init__(self, store: Store, job: str, place: int, name: str, size: int) -> None:
        super().__init__()
        self.name = name
        self.size = size
        self._store = store
        self._job, self._place = job, place
        self._at = 0
        self._held: tuple[int, bytes] = (-1, b"")

    def buffered(self) -> IO[bytes]:
        """The stream that others read from."""
        return cast(IO[bytes], io.BufferedReader(self, 1 << 16))

    def readable(self) -> bool:
        """It is."""
        return True

    def seekable(self) -> bool:
        """It is."""
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Go on from another place."""
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self.size}[whence]
        self._at = max(0, base + offset)
        return self._at

    def tell(self) -> int:
        """Where it goes on."""
        return self._at

    def readinto(self, buffer: Any) -> int:
        """Read up to the end of the piece at hand; raises `StoreUnavailable`."""
        if self._at >= self.size:
            return 0
        number, within = divmod(self._at, PIECE)
        if self._held[0] != number:
            self._held = (number, self._piece(number))
        part = self._held[1][within : within + len(buffer)]
        if not part:
            raise StoreUnavailable("a part of what was uploaded is gone; upload it again")
        buffer[: len(part)] = part
        self._at += len(part)
        return len(part)

    def _piece(self, number: int) -> bytes:
        with self._store.reading() as connection:
            content = connection.execute(
                select(JobPieceRow.content).where(
                    JobPieceRow.job == self._job,
                    JobPieceRow.place == self._place,
                    JobPieceRow.piece == number,
                )
            ).scalar()
        return bytes(content or b"")
