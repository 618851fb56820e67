"""An upload of PGN: read within the limits, judged, and kept as a repertoire.

The service does it as a job, a command at once.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from sqlalchemy import Connection

from pawnlore.service.rejudging import Judge
from pawnlore.service.settings import ServiceLimits
from pawnlore.service.store.errors import Refused
from pawnlore.service.store.repertoire_shelf import Changes, RepertoireShelf, StoredRepertoire
from pawnlore.structures.distinct_verdicts import distinct_verdicts
from pawnlore.structures.pgn_limits import Limits
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.repertoire import Repertoire

MOST_FILES = 100
"""Files in one upload."""


@dataclass(frozen=True)
class Upload:
    """One upload: what the repertoire is called, its files, and which one it replaces, if any.

    ``files`` are names with streams at their start, ``size`` is that of all of
    them. ``side`` and ``name`` may be empty for one that is replaced.
    """

    name: str
    side: str
    files: Sequence[tuple[str, IO[bytes]]]
    size: int
    replaces: str | None = None


@dataclass(frozen=True)
class Kept:
    """What came of an upload: the repertoire, what changed, and what was read."""

    repertoire: StoredRepertoire
    changes: Changes
    book: Repertoire


class NothingToKeep(Refused):
    """There is no game in an upload, or no move, that can be read; ``book`` has the problems."""

    def __init__(self, book: Repertoire) -> None:
        self.book = book
        told = "; ".join(str(problem) for problem in book.problems[:5])
        nothing = "There is no move in it" if len(book) else "There is no game in it"
        super().__init__(f"{nothing} that can be read: {told}" if told else nothing)


Then = Callable[[Connection, Kept], None]
"""What else is written in the same transaction."""


def keep_upload(
    shelf: RepertoireShelf,
    classifier: Callable[[], Judge],
    upload: Upload,
    limits: ServiceLimits,
    *,
    progress: Callable[[int], None] = lambda done: None,
    then: Then = lambda connection, kept: None,
) -> Kept:
    """Read, judge and keep an upload.

    ``classifier`` gives the one in use, and is asked when all has been read.
    ``progress`` is told of bytes read, and may raise to end it; then nothing is
    kept. Raises `NothingToKeep`, and `NotFound` where the repertoire that is
    replaced is gone.
    """
    book = _read(upload, limits, progress)
    # A text that is no PGN reads as a game whose moves are all spoilt: it must
    # not take the place of a repertoire. Bare positions have no such problems.
    if not len(book) or (book.problems and len(book) == len(book.games)):
        raise NothingToKeep(book)
    used = classifier()
    distinct = distinct_verdicts(book, used.classify)
    progress(upload.size)

    def finish(connection: Connection, kept: StoredRepertoire, changes: Changes) -> None:
        then(connection, Kept(kept, changes, book))

    kept, changes = shelf.put(
        upload.name,
        upload.files,
        book,
        distinct,
        model=used.digest,
        side=upload.side,
        id=upload.replaces,
        then=finish,
    )
    return Kept(kept, changes, book)


def reading_limits(limits: ServiceLimits) -> Limits:
    """The limits of the PGN reader for what the service takes."""
    return Limits(depth=limits.depth, game_nodes=limits.nodes, nodes=limits.nodes)


def spooled(home: Path) -> IO[bytes]:
    """A file without a name, for what arrives."""
    # In the data folder: what has room for the store has room for what goes into
    # it, and a system's folder for temporary files is often memory.
    home.mkdir(parents=True, exist_ok=True)
    return tempfile.TemporaryFile(dir=home, prefix="upload-")


def _read(upload: Upload, limits: ServiceLimits, progress: Callable[[int], None]) -> Repertoire:
    done = 0

    def advance(read: int) -> None:
        nonlocal done
        done += read
        progress(done)

    progress(0)
    sources: list[Any] = [_Named(name, stream) for name, stream in upload.files]
    book = read_repertoire(sources, with_keys=True, progress=advance, limits=reading_limits(limits))
    progress(upload.size)
    return book


class _Named:
    """A stream that is read like a file of some name."""

    def __init__(self, name: str, stream: IO[bytes]) -> None:
        self.name = name
        self.read = stream.read
