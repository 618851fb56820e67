"""Uploads as jobs: PGN is read, judged and kept while the service answers others.

What was uploaded is kept in the store before the upload is acknowledged, and
until its job ends. So an upload outlives the service that took it: the next one
takes it up again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from sqlalchemy import Connection

from pawnlore.models.classifier import Classifier
from pawnlore.service.job_runner import Attempt, CannotBeDone
from pawnlore.service.repertoire_upload import Kept, NothingToKeep, Upload, keep_upload
from pawnlore.service.settings import ServiceLimits
from pawnlore.service.store.errors import NotFound
from pawnlore.service.store.job_shelf import Job, JobShelf
from pawnlore.service.store.repertoire_shelf import RepertoireShelf

KIND = "upload"
"""The kind of these jobs."""

PROBLEMS = 100
"""Problems that a job's result holds in words."""


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
        job = attempt.job
        task = job.task
        upload = Upload(
            task["name"], task["side"], self.jobs.files(job.id), job.total, task["replaces"]
        )

        def reached(done: int) -> None:
            attempt.reached(done)
            if done == job.total:
                self.jobs.progress(job.id, done)

        def finish(connection: Connection, kept: Kept) -> None:
            # With the repertoire or not at all: else a program that ends between
            # the two would upload it again.
            self.jobs.finish_claimed(connection, job, _result(kept))

        try:
            keep_upload(
                self.shelf, self._classifier, upload, self._limits, progress=reached, then=finish
            )
        except NothingToKeep as error:
            raise CannotBeDone(str(error)) from None
        except NotFound:
            raise CannotBeDone(
                "the repertoire was deleted before its new content was read; upload it as a new one"
            ) from None


def _result(done: Kept) -> dict[str, Any]:
    kept, changes, book = done.repertoire, done.changes, done.book
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
