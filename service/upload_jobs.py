"""Uploads as jobs: PGN is read, judged and kept while the service answers others.

What was uploaded is kept in the store before the upload is acknowledged, and
until its job ends. So an upload outlives the service that took it: the next one
takes it up again.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Any

from sqlalchemy import Connection

from pawnlore.models.classifier import Classifier
from pawnlore.service.job_runner import Attempt, CannotBeDone
from pawnlore.service.settings import ServiceLimits
from pawnlore.service.store.errors import NotFound
from pawnlore.service.store.job_shelf import Job, JobShelf
from pawnlore.service.store.repertoire_shelf import Changes, RepertoireShelf, StoredRepertoire
from pawnlore.structures.distinct_verdicts import distinct_verdicts
from pawnlore.structures.pgn_limits import Limits
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.repertoire import Repertoire

KIND = "upload"
"""The kind of these jobs."""

PROBLEMS = 100
"""Problems that a job's result holds in words."""


@dataclass(frozen=True)
class Upload:
    """One upload: what the repertoire is called, its files, and which one it replaces, if any.

    ``files`` are names with streams at their start. ``side`` and ``name`` may
    be empty for one that is replaced.
    """

    name: str
    side: str
    files: Sequence[tuple[str, IO[bytes]]]
    size: int
    replaces: str | None = None


class UploadJobs:
    """Adds them, and does them for a `JobRunner`. ``classifier`` gives the one in use."""

    def __init__(
        self,
        shelf: RepertoireShelf,
        jobs: JobShelf,
        classifier: Callable[[], Classifier],
        limits: ServiceLimits,
    ) -> None:
        self.shelf = shelf
        self.jobs = jobs
        self._classifier = classifier
        self._limits = limits

    def add(self, upload: Upload) -> Job:
        """The job of an upload, whose files are kept now and closed. Raises `TooManyJobs`."""
        try:
            task = {"name": upload.name, "side": upload.side, "replaces": upload.replaces}
            return self.jobs.add(KIND, total=upload.size, task=task, files=upload.files)
        finally:
            for _, stream in upload.files:
                stream.close()

    def do(self, attempt: Attempt) -> None:
        """Read, judge and keep an upload; the result tells what came of it."""
        files = self.jobs.files(attempt.job.id)
        task = attempt.job.task
        book = self._read(attempt, files)
        if not len(book):
            raise CannotBeDone(_nothing(book))
        classifier = self._classifier()
        distinct = distinct_verdicts(book, classifier.classify)
        attempt.go_on()

        def finish(connection: Connection, kept: StoredRepertoire, changes: Changes) -> None:
            # With the repertoire or not at all: else a program that ends between
            # the two would upload it again.
            self.jobs.finish_claimed(connection, attempt.job, _result(book, kept, changes))

        try:
            self.shelf.put(
                task["name"],
                files,
                book,
                distinct,
                model=classifier.digest,
                side=task["side"],
                id=task["replaces"],
                then=finish,
            )
        except NotFound:
            raise CannotBeDone(
                "the repertoire was deleted before its new content was read; upload it as a new one"
            ) from None

    def _read(self, attempt: Attempt, files: Sequence[tuple[str, IO[bytes]]]) -> Repertoire:
        done = 0

        def advance(read: int) -> None:
            nonlocal done
            done += read
            attempt.reached(done)

        attempt.go_on()
        sources: list[Any] = [_Named(name, stream) for name, stream in files]
        book = read_repertoire(
            sources, with_keys=True, progress=advance, limits=reading_limits(self._limits)
        )
        self.jobs.progress(attempt.job.id, attempt.job.total)
        return book


class _Named:
    """A stream that is read like a file of some name."""

    def __init__(self, name: str, stream: IO[bytes]) -> None:
        self.name = name
        self.read = stream.read


def reading_limits(limits: ServiceLimits) -> Limits:
    """The limits of the PGN reader for what the service takes."""
    return Limits(depth=limits.depth, game_nodes=limits.nodes, nodes=limits.nodes)


def spooled(home: Path) -> IO[bytes]:
    """A file without a name, for what arrives."""
    # In the data folder: what has room for the store has room for what goes into
    # it, and a system's folder for temporary files is often memory.
    home.mkdir(parents=True, exist_ok=True)
    return tempfile.TemporaryFile(dir=home, prefix="upload-")


def _result(book: Repertoire, kept: StoredRepertoire, changes: Changes) -> dict[str, Any]:
    problems = book.problems[:PROBLEMS]
    return {
        "repertoire": kept.id,
        "version": kept.version,
        "games": kept.games,
        "nodes": kept.nodes,
        "added": changes.added,
        "gone": changes.gone,
        "moved": changes.moved,
        "problems": [{**asdict(problem), "text": str(problem)} for problem in problems],
        "problem_count": len(book.problems) + book.unnamed_problems,
    }


def _nothing(book: Repertoire) -> str:
    told = "; ".join(str(problem) for problem in book.problems[:5])
    return f"There is no game in it that can be read: {told}" if told else "There is no game in it"
