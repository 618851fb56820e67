"""Retraining as jobs."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection

from pawnlore.service.job_runner import Attempt
from pawnlore.service.store.job_shelf import Job, JobShelf
from pawnlore.service.store.model_shelf import ModelVersion
from pawnlore.service.teaching_desk import TeachingDesk

KIND = "teaching"
"""The kind of these jobs."""


class TeachingJobs:
    """Adds them, and does them for a `JobRunner`."""

    def __init__(self, desk: TeachingDesk, jobs: JobShelf) -> None:
        self.desk = desk
        self.jobs = jobs

    def add(self, *, author: str = "", seed: int = 0) -> Job:
        """A job that retrains, or the same one that waits already."""
        task = {"author": author, "seed": seed}
        for job in self.jobs.list(state="waiting"):
            if job.kind == KIND and job.task == task:
                return job
        return self.jobs.add(KIND, task=task)

    def do(self, attempt: Attempt) -> None:
        """Do one; the result tells the version and what was measured in short."""
        task: dict[str, Any] = attempt.job.task

        def keep(connection: Connection, made: ModelVersion) -> None:
            # With the version or not at all: else a program that ends between the
            # two would teach it again.
            attempt.go_on()
            self.jobs.finish_claimed(connection, attempt.job, teaching_result(made))

        self.desk.retrain(
            author=str(task["author"]),
            seed=int(task["seed"]),
            progress=attempt.reached,
            then=keep,
        )


def teaching_result(made: ModelVersion) -> dict[str, Any]:
    """What a job's result tells of a version."""
    return {
        "model_version": made.number,
        "digest": made.digest,
        "labels": made.taught_from["labels"],
        "families": len(made.taught_from["families"]),
        "contradictions": len(made.figures["contradictions"]),
        "misfits": len(made.figures["misfits"]),
        "nodes_changed": made.figures["nodes_changed"],
    }
