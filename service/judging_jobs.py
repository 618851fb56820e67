"""Judging stored repertoires anew, as jobs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sqlalchemy import Connection

from pawnlore.service.job_runner import Attempt, CannotBeDone
from pawnlore.service.rejudging import Judge, rejudge
from pawnlore.service.store.errors import NotFound
from pawnlore.service.store.job_shelf import Job, JobShelf
from pawnlore.service.store.repertoire_shelf import Changes, RepertoireShelf, StoredRepertoire

KIND = "judging"
"""The kind of these jobs."""


class JudgingJobs:
    """Adds them, and does them for a `JobRunner`. ``classifier`` gives the one in use."""

    def __init__(
        self, shelf: RepertoireShelf, jobs: JobShelf, classifier: Callable[[], Judge]
    ) -> None:
        self.shelf = shelf
        self.jobs = jobs
        self._classifier = classifier

    def add(self, repertoire: str) -> Job:
        """A job that judges a repertoire anew, or the one that waits to do so already.

        Raises `NotFound`.
        """
        id = self.shelf.get(repertoire).id
        for job in self.jobs.list(state="waiting"):
            if job.kind == KIND and job.task == {"repertoire": id}:
                return job
        return self.jobs.add(KIND, task={"repertoire": id})

    def do(self, attempt: Attempt) -> None:
        """Do one; the result tells which models and how many nodes moved."""
        id = str(attempt.job.task["repertoire"])

        def keep(connection: Connection, now: StoredRepertoire, changes: Changes) -> None:
            attempt.go_on()
            self.jobs.finish_claimed(connection, attempt.job, result(now, changes))

        try:
            before = self.shelf.get(id).model

            def result(now: StoredRepertoire, changes: Changes) -> dict[str, Any]:
                return {
                    "repertoire": now.id,
                    "version": now.version,
                    "nodes": now.nodes,
                    "moved": changes.moved,
                    "model": now.model,
                    "model_before": before,
                }

            rejudge(self.shelf.store, self._classifier(), id, attempt.reached, then=keep)
        except NotFound:
            raise CannotBeDone("the repertoire was deleted before this was done") from None
