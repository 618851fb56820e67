"""The shelf of jobs: long work, how far it is and what came of it."""

from __future__ import annotations

import builtins
import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, insert, select, update

from pawnlore.service.store.errors import NotFound
from pawnlore.service.store.schema import JobRow
from pawnlore.service.store.store import Store
from pawnlore.service.store.values import any_text, one_line

STATES = ("waiting", "running", "done", "failed")
"""The states of a job, in the order in which they come."""

MESSAGE_LENGTH = 10_000
MOST_FINISHED = 1_000
"""Finished jobs that are kept; the oldest go when more are added."""

INTERRUPTED = "the service was stopped before this was done; nothing of it was kept. Try again"


@dataclass(frozen=True, slots=True)
class Job:
    """A job; ``done`` of ``total`` units of work are done, ``result`` is any JSON value."""

    id: str
    number: int
    kind: str
    state: str
    done: int
    total: int
    message: str
    result: Any
    created: datetime
    changed: datetime


class JobShelf:
    """The jobs of a store."""

    def __init__(self, store: Store) -> None:
        self.store = store

    def add(self, kind: str, *, total: int = 0) -> Job:
        """A new job that waits."""
        kind = one_line(kind, "the kind of the job", 40)
        now, id = self.store.clock(), self.store.new_id()
        with self.store.writing() as connection:
            finished = connection.execute(
                select(JobRow.number)
                .where(JobRow.state.in_(("done", "failed")))
                .order_by(JobRow.number.desc())
                .offset(MOST_FINISHED)
                .limit(1)
            ).scalar()
            if finished is not None:
                connection.execute(
                    delete(JobRow).where(
                        JobRow.number <= finished, JobRow.state.in_(("done", "failed"))
                    )
                )
            connection.execute(
                insert(JobRow).values(
                    id=id,
                    kind=kind,
                    state="waiting",
                    done=0,
                    total=_fitting(total),
                    message="",
                    result="null",
                    created=now,
                    changed=now,
                )
            )
            return _get(connection, id)

    def get(self, id: str) -> Job:
        """One job; raises `NotFound`."""
        with self.store.reading() as connection:
            return _get(connection, id)

    def list(
        self, *, state: str = "", after: int = 0, limit: int | None = None
    ) -> builtins.list[Job]:
        """Jobs in the order in which they came; ``after`` is the last number before."""
        query = _jobs().where(JobRow.number > after).order_by(JobRow.number)
        if state:
            query = query.where(JobRow.state == state)
        if limit is not None:
            query = query.limit(limit)
        with self.store.reading() as connection:
            return [_job(row) for row in connection.execute(query)]

    def progress(self, id: str, done: int, *, total: int | None = None) -> None:
        """Tell how far a job is; it runs from now on."""
        values: dict[str, Any] = {"done": _fitting(done), "state": "running"}
        if total is not None:
            values["total"] = _fitting(total)
        self._change(id, values, only=("waiting", "running"))

    def finish(self, id: str, result: Any = None) -> None:
        """A job is done; ``result`` is any JSON value."""
        self._change(id, {"state": "done", "result": json.dumps(result)})

    def fail(self, id: str, message: str) -> None:
        """A job came to nothing; ``message`` tells people why and what to do."""
        shown = message.encode("utf-8", "replace").decode().replace("\0", "")[:MESSAGE_LENGTH]
        self._change(
            id, {"state": "failed", "message": any_text(shown, "the message", MESSAGE_LENGTH)}
        )

    def recover(self) -> int:
        """Mark the jobs of a service that is gone as failed; how many there were.

        Call it once, when the service starts: no job can be running then.
        """
        with self.store.writing() as connection:
            done = connection.execute(
                update(JobRow)
                .where(JobRow.state.in_(("waiting", "running")))
                .values(state="failed", message=INTERRUPTED, changed=self.store.clock())
            )
            return int(done.rowcount)

    def _change(self, id: str, values: dict[str, Any], only: tuple[str, ...] = STATES) -> None:
        with self.store.writing() as connection:
            _get(connection, id)
            connection.execute(
                update(JobRow)
                .where(JobRow.id == id, JobRow.state.in_(only))
                .values(**values, changed=self.store.clock())
            )


def _fitting(number: int) -> int:
    return max(0, min(number, (1 << 31) - 1))


def _jobs() -> Any:
    return select(
        JobRow.id,
        JobRow.number,
        JobRow.kind,
        JobRow.state,
        JobRow.done,
        JobRow.total,
        JobRow.message,
        JobRow.result,
        JobRow.created,
        JobRow.changed,
    )


def _job(row: Any) -> Job:
    id, number, kind, state, done, total, message, result, created, changed = row
    return Job(id, number, kind, state, done, total, message, json.loads(result), created, changed)


def _get(connection: Connection, id: str) -> Job:
    key = id.encode("utf-8", "replace").decode().replace("\0", "")[:40]
    row = connection.execute(_jobs().where(JobRow.id == key)).one_or_none()
    if row is None:
        raise NotFound("there is no such job")
    return _job(row)
