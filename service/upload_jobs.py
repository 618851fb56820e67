"""Uploads as jobs: PGN is read, judged and kept while the service answers others.

One upload is read at a time, in the order in which they came. What was
uploaded lies in a file of the data folder that has no name and goes with the
service; the store then holds it.
"""

from __future__ import annotations

import logging
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Any

from pawnlore.models.classifier import Classifier
from pawnlore.service.deadline import Deadline, OutOfTime
from pawnlore.service.settings import ServiceLimits
from pawnlore.service.store.errors import StoreError
from pawnlore.service.store.job_shelf import Job, JobShelf
from pawnlore.service.store.repertoire_shelf import RepertoireShelf
from pawnlore.structures.distinct_verdicts import distinct_verdicts
from pawnlore.structures.pgn_limits import Limits
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.repertoire import Repertoire

KIND = "upload"
"""The kind of these jobs."""

MOST_WAITING = 8
"""Uploads that wait at one time; each of them takes room on the disk."""

PROBLEMS = 100
"""Problems that a job's result holds in words."""

_PACE = 0.25
"""Seconds between two notes of a job's progress."""

_log = logging.getLogger("pawnlore.service")


class TooManyUploads(Exception):
    """More uploads wait already than may."""


class Stopped(Exception):
    """The service was told to stop."""


@dataclass(frozen=True)
class Upload:
    """One upload: what the repertoire is called, its files, and which one it replaces, if any.

    ``files`` are names with streams at their start; they are closed when the
    job ends. ``side`` and ``name`` may be empty for one that is replaced.
    """

    name: str
    side: str
    files: Sequence[tuple[str, IO[bytes]]]
    size: int
    replaces: str | None = None


class _Named:
    """A stream that is read like a file of some name."""

    def __init__(self, name: str, stream: IO[bytes]) -> None:
        self.name = name
        self.read = stream.read


class UploadJobs:
    """Runs uploads one after the other, in a thread of its own."""

    def __init__(
        self,
        shelf: RepertoireShelf,
        jobs: JobShelf,
        classifier: Classifier,
        limits: ServiceLimits,
        stopping: threading.Event,
    ) -> None:
        self.shelf = shelf
        self.jobs = jobs
        self._classifier = classifier
        self._limits = limits
        self._stopping = stopping
        self._waiting = 0
        self._lock = threading.Lock()
        self._runner = ThreadPoolExecutor(1, thread_name_prefix="upload")

    def begin(self, upload: Upload) -> Job:
        """Begin with an upload; its job. Raises `TooManyUploads`."""
        with self._lock:
            if self._waiting >= MOST_WAITING:
                raise TooManyUploads(f"{MOST_WAITING} uploads are waiting already; try again later")
            self._waiting += 1
        try:
            job = self.jobs.add(KIND, total=upload.size)
            self._runner.submit(self._run, job.id, upload)
        except BaseException:
            self._done(upload)
            raise
        return job

    def wait(self) -> None:
        """Wait until all uploads that were begun have ended; none can be begun after that."""
        self._runner.shutdown(wait=True)

    def _run(self, job: str, upload: Upload) -> None:
        try:
            self._tell(job, self._kept(job, upload))
        finally:
            self._done(upload)

    def _tell(self, job: str, outcome: dict[str, Any] | str) -> None:
        try:
            if isinstance(outcome, str):
                self.jobs.fail(job, outcome)
            else:
                self.jobs.finish(job, outcome)
        except StoreError as error:
            _log.error("a job's end could not be kept: %s", error)

    def _kept(self, job: str, upload: Upload) -> dict[str, Any] | str:
        """Read and keep an upload: what came of it, or why it came to nothing, for people."""
        deadline = Deadline.after(self._limits.seconds)
        try:
            book = self._read(job, upload, deadline)
            if not len(book):
                return _nothing(book)
            distinct = distinct_verdicts(book, self._classifier.classify)
            self._go_on(deadline)
            kept, changes = self.shelf.put(
                upload.name,
                upload.files,
                book,
                distinct,
                model=self._classifier.digest,
                side=upload.side,
                id=upload.replaces,
            )
        except Stopped:
            return "The service was stopped before this was done. Nothing of it was kept; try again"
        except OutOfTime:
            return (
                f"This took longer than the {self._limits.seconds:g} seconds that an upload may "
                "take. Nothing of it was kept; upload it in parts"
            )
        except StoreError as error:
            return f"{str(error)[:1].upper()}{str(error)[1:]}"
        except Exception:
            _log.exception("fault in an upload")
            return "Something went wrong inside the service. Nothing of it was kept; its log tells"
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

    def _read(self, job: str, upload: Upload, deadline: Deadline) -> Repertoire:
        progress = _Progress(lambda done: self.jobs.progress(job, done))

        def advance(read: int) -> None:
            self._go_on(deadline)
            progress.add(read)

        self._go_on(deadline)
        self.jobs.progress(job, 0)
        for _, stream in upload.files:
            stream.seek(0)
        sources: list[Any] = [_Named(name, stream) for name, stream in upload.files]
        book = read_repertoire(
            sources, with_keys=True, progress=advance, limits=reading_limits(self._limits)
        )
        self.jobs.progress(job, upload.size)
        return book

    def _go_on(self, deadline: Deadline) -> None:
        if self._stopping.is_set():
            raise Stopped
        deadline.check()

    def _done(self, upload: Upload) -> None:
        for _, stream in upload.files:
            stream.close()
        with self._lock:
            self._waiting -= 1


def reading_limits(limits: ServiceLimits) -> Limits:
    """The limits of the PGN reader for what the service takes."""
    return Limits(depth=limits.depth, game_nodes=limits.nodes, nodes=limits.nodes)


def spooled(home: Path) -> IO[bytes]:
    """A file without a name, for what arrives."""
    # In the data folder: what has room for the store has room for what goes into
    # it, and a system's folder for temporary files is often memory.
    home.mkdir(parents=True, exist_ok=True)
    return tempfile.TemporaryFile(dir=home, prefix="upload-")


class _Progress:
    """Adds up, and tells it now and again."""

    def __init__(self, tell: Callable[[int], None]) -> None:
        self._tell = tell
        self._sum = 0
        self._told = time.monotonic()

    def add(self, more: int) -> None:
        self._sum += more
        now = time.monotonic()
        if now - self._told >= _PACE:
            self._told = now
            self._tell(self._sum)


def _nothing(book: Repertoire) -> str:
    told = "; ".join(str(problem) for problem in book.problems[:5])
    return f"There is no game in it that can be read: {told}" if told else "There is no game in it"
