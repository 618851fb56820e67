"""An upload in words: how far it is, what came of it, and what could not be read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pawnlore.service.pages.shown_text import shown
from pawnlore.service.store.job_shelf import Job
from pawnlore.structures.pgn_problem import ReadProblem

SHOWN = 40
"""Problems on the page of an upload."""

_FILE_ROOM, _MOVE_ROOM, _TEXT_ROOM = 240, 120, 500
_MESSAGE_ROOM = 4_000


@dataclass(frozen=True, slots=True)
class ProblemRow:
    """One thing that was wrong: where it stands, and what it is.

    ``where`` names game, line and move, as far as they are known. With
    ``warning`` nothing was left out.
    """

    file: str
    where: str
    text: str
    warning: bool


@dataclass(frozen=True, slots=True)
class UploadReport:
    """An upload.

    ``state`` is ``waiting``, ``running``, ``done`` or ``failed``; ``percent`` is
    how much of it was read. For one that is done, ``repertoire`` leads to it.
    ``problems`` are the first of ``problem_count``.
    """

    job: str
    state: str
    percent: int
    done: int
    total: int
    message: str
    repertoire: str
    version: int
    games: int
    nodes: int
    added: int
    gone: int
    moved: int
    problems: tuple[ProblemRow, ...]
    problem_count: int

    @property
    def ended(self) -> bool:
        """Whether nothing more will come."""
        return self.state in ("done", "failed")


def upload_report(job: Job) -> UploadReport:
    """The report of a job that is an upload."""
    result: dict[str, Any] = job.result if isinstance(job.result, dict) else {}
    total = max(job.total, 1)
    # While it is judged and kept, all is read and it is not there yet.
    percent = 100 if job.state == "done" else min(99, 100 * job.done // total)
    problems = [
        ReadProblem(
            str(one.get("file", "")),
            int(one.get("game", 0)),
            int(one.get("line", 0)),
            str(one.get("move", "")),
            str(one.get("message", "")),
            bool(one.get("warning", False)),
        )
        for one in result.get("problems", [])[:SHOWN]
    ]
    return UploadReport(
        job=job.id,
        state=job.state,
        percent=percent,
        done=job.done,
        total=job.total,
        message=shown(job.message, _MESSAGE_ROOM),
        repertoire=str(result.get("repertoire", "")),
        version=int(result.get("version", 0)),
        games=int(result.get("games", 0)),
        nodes=int(result.get("nodes", 0)),
        added=int(result.get("added", 0)),
        gone=int(result.get("gone", 0)),
        moved=int(result.get("moved", 0)),
        problems=problem_rows(problems),
        problem_count=int(result.get("problem_count", 0)),
    )


def problem_rows(problems: Sequence[ReadProblem]) -> tuple[ProblemRow, ...]:
    """Problems in words.

    >>> row = problem_rows([ReadProblem("a.pgn", 2, 17, "14... Nf9", "no such square")])[0]
    >>> row.file, row.where, row.text
    ('a.pgn', 'game 2, line 17, move 14... Nf9', 'no such square')
    """
    return tuple(
        ProblemRow(
            shown(problem.file, _FILE_ROOM),
            _where(problem),
            shown(problem.message, _TEXT_ROOM),
            problem.warning,
        )
        for problem in problems
    )


def _where(problem: ReadProblem) -> str:
    told = []
    if problem.game:
        told.append(f"game {problem.game:,}")
    if problem.line:
        told.append(f"line {problem.line:,}")
    if problem.move:
        told.append(f"move {shown(problem.move, _MOVE_ROOM)}")
    return ", ".join(told)
