"""The shelf of jobs: long work, what it works on, how far it is and what came of it."""

from __future__ import annotations

import builtins
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import IO, Any

from sqlalchemy import Connection, delete, func, insert, select, text, update

from pawnlore.service.store.errors import ClaimLost, NotFound, TooManyJobs
from pawnlore.service.store.job_file import PIECE, JobFile
from pawnlore.service.store.schema import JobPieceRow, JobRow
from pawnlore.service.store.store import Store
from pawnlore.service.store.values import any_text, one_line

STATES = ("waiting", "running", "done", "failed")
"""The states of a job, in the order in which they come."""

MESSAGE_LENGTH = 10_000
MOST_FINISHED = 1_000
"""Finished jobs that are kept; the oldest go when more are added."""

MOST_WAITING = 8
"""Jobs with files that wait at one time; each of them takes room in the store."""

INTERRUPTED = "the service was stopped before this was done; nothing of it was kept. Try again"

_OPEN = ("waiting", "running")
_LOCK = 0x7061776F  # another number than that of the migrations


@dataclass(frozen=True, slots=True)
class Job:
    """A job; ``done`` of ``total`` units of work are done, ``result`` is any JSON value.

    ``attempts`` counts how often somebody began with it. ``task`` is what is
    to be done, as any JSON value.
    """

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
    attempts: int = 0
    task: Any = None


class JobShelf:
    """The jobs of a store."""

    def __init__(self, store: Store) -> None:
        self.store = store

    def add(
        self,
        kind: str,
        *,
        total: int = 0,
        task: Any = None,
        files: Sequence[tuple[str, IO[bytes]]] = (),
    ) -> Job:
        """A new job that waits.

        One with a ``task`` is done by whoever claims it, and claimed again if
        that comes to nothing. ``files`` are names with streams at their start;
        what they hold is kept until the job ends. When this has given the job
        back, both survive the end of the program. Raises `TooManyJobs`.
        """
        kind = one_line(kind, "the kind of the job", 40)
        now, id = self.store.clock(), self.store.new_id()
        with self.store.writing() as connection:
            if files:
                self._make_sure_of_room(connection)
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
                    attempts=0,
                    task="" if task is None else json.dumps(task),
                )
            )
            for place, (name, stream) in enumerate(files):
                _keep(connection, id, place, name, stream)
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

    def files(self, id: str) -> builtins.list[tuple[str, IO[bytes]]]:
        """The files that a job works on, as names with streams; raises `NotFound`.

        The streams read from the store, a piece at a time.
        """
        with self.store.reading() as connection:
            found = _get(connection, id)
            rows = connection.execute(
                select(
                    JobPieceRow.place,
                    JobPieceRow.name,
                    func.sum(func.length(JobPieceRow.content)),
                )
                .where(JobPieceRow.job == found.id)
                .group_by(JobPieceRow.place, JobPieceRow.name)
                .order_by(JobPieceRow.place)
            ).all()
        return [
            (name, JobFile(self.store, found.id, place, name, int(size)).buffered())
            for place, name, size in rows
        ]

    def open_jobs(self, kinds: Sequence[str]) -> int:
        """How many jobs of these kinds wait or run, and have a task."""
        query = select(func.count()).select_from(JobRow).where(*_claimable(kinds))
        with self.store.reading() as connection:
            return int(connection.execute(query).scalar_one())

    def claim(self, kinds: Sequence[str]) -> Job | None:
        """Begin with the oldest job of these kinds that is not done; none where all are.

        Its attempts are counted before anything is worked on. A job that runs
        is taken from whoever began with it: call this only as the one who does
        the jobs of this store (`SoleRunner`).
        """
        with self.store.writing() as connection:
            query = select(JobRow.id).where(*_claimable(kinds)).order_by(JobRow.number).limit(1)
            id = connection.execute(query.with_for_update(skip_locked=True)).scalar()
            if id is None:
                return None
            connection.execute(
                update(JobRow)
                .where(JobRow.id == id)
                .values(
                    state="running",
                    done=0,
                    attempts=JobRow.attempts + 1,
                    changed=self.store.clock(),
                )
            )
            return _get(connection, id)

    def give_back(self, job: Job) -> None:
        """Let a claimed job wait again, as if this attempt had not been."""
        with self.store.writing() as connection:
            self._end(connection, job, {"state": "waiting", "attempts": job.attempts - 1})

    def finish_claimed(self, connection: Connection, job: Job, result: Any) -> None:
        """A claimed job is done, in the same transaction as what it wrote.

        So both are kept or neither is. Raises `ClaimLost`.
        """
        self._end(
            connection,
            job,
            {"state": "done", "done": JobRow.total, "result": json.dumps(result)},
        )
        _forget_files(connection, job.id)

    def progress(self, id: str, done: int, *, total: int | None = None) -> None:
        """Tell how far a job is; it runs from now on."""
        values: dict[str, Any] = {"done": _fitting(done), "state": "running"}
        if total is not None:
            values["total"] = _fitting(total)
        self._change(id, values, only=_OPEN)

    def finish(self, id: str, result: Any = None) -> None:
        """A job is done; ``result`` is any JSON value."""
        self._change(id, {"state": "done", "result": json.dumps(result)}, ended=True)

    def fail(self, id: str, message: str) -> None:
        """A job came to nothing; ``message`` tells people why and what to do."""
        shown = message.encode("utf-8", "replace").decode().replace("\0", "")[:MESSAGE_LENGTH]
        kept = any_text(shown, "the message", MESSAGE_LENGTH)
        self._change(id, {"state": "failed", "message": kept}, ended=True)

    def recover(self) -> int:
        """Mark the jobs without a task, which nobody can take up, as failed; how many there were.

        Call it when no service is running: nobody is doing them then.
        """
        with self.store.writing() as connection:
            done = connection.execute(
                update(JobRow)
                .where(JobRow.state.in_(_OPEN), JobRow.task == "")
                .values(state="failed", message=INTERRUPTED, changed=self.store.clock())
            )
            return int(done.rowcount)

    def _make_sure_of_room(self, connection: Connection) -> None:
        if connection.dialect.name == "postgresql":
            # Else two could count at the same time and both find room.
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _LOCK})
        waiting = connection.execute(
            select(func.count(JobPieceRow.job.distinct())).select_from(JobPieceRow)
        ).scalar_one()
        if waiting >= MOST_WAITING:
            raise TooManyJobs(f"{MOST_WAITING} uploads are waiting already; try again later")

    def _end(self, connection: Connection, job: Job, values: dict[str, Any]) -> None:
        done = connection.execute(
            update(JobRow)
            .where(JobRow.id == job.id, JobRow.state == "running", JobRow.attempts == job.attempts)
            .values(**values, changed=self.store.clock())
        )
        if done.rowcount != 1:
            raise ClaimLost("somebody else took this job up in between")

    def _change(
        self, id: str, values: dict[str, Any], only: Sequence[str] = STATES, *, ended: bool = False
    ) -> None:
        with self.store.writing() as connection:
            _get(connection, id)
            connection.execute(
                update(JobRow)
                .where(JobRow.id == id, JobRow.state.in_(only))
                .values(**values, changed=self.store.clock())
            )
            if ended:
                _forget_files(connection, id)


def _claimable(kinds: Sequence[str]) -> tuple[Any, ...]:
    return JobRow.kind.in_(kinds), JobRow.state.in_(_OPEN), JobRow.task != ""


def _forget_files(connection: Connection, id: str) -> None:
    connection.execute(delete(JobPieceRow).where(JobPieceRow.job == id))


def _keep(connection: Connection, job: str, place: int, name: str, stream: IO[bytes]) -> None:
    piece = 0
    # An empty file has a piece too, so that it is not lost.
    while (part := stream.read(PIECE)) or not piece:
        connection.execute(
            insert(JobPieceRow).values(job=job, place=place, piece=piece, name=name, content=part)
        )
        piece += 1


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
        JobRow.attempts,
        JobRow.task,
    )


def _job(row: Any) -> Job:
    values = dict(row._mapping)
    values["result"] = json.loads(values["result"])
    values["task"] = json.loads(values["task"]) if values["task"] else None
    return Job(**values)


def _get(connection: Connection, id: str) -> Job:
    key = id.encode("utf-8", "replace").decode().replace("\0", "")[:40]
    row = connection.execute(_jobs().where(JobRow.id == key)).one_or_none()
    if row is None:
        raise NotFound("there is no such job")
    return _job(row)
