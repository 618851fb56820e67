"""``/api/jobs``: long work, how far it is and what came of it."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, Response

from pawnlore.service.access.needs import READ, needs
from pawnlore.service.api.answers import json_answer, table_answer
from pawnlore.service.api.describe import FORMAT, JSON, Answer, Operation, described, path, query
from pawnlore.service.api.describe import table as table_content
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.api.request_values import PAGING, invalid, page_of_json, query_values
from pawnlore.service.api.values import moment
from pawnlore.service.store.job_shelf import STATES, Job

resources = Blueprint("api-jobs", __name__)
resources.record(provide_repertoires)

JOB = {
    "type": "object",
    "required": ["id", "kind", "state", "done", "total", "message", "created", "changed"],
    "properties": {
        "id": {"type": "string"},
        "kind": {"type": "string"},
        "state": {"enum": list(STATES)},
        "done": {"type": "integer", "minimum": 0},
        "total": {"type": "integer", "minimum": 0},
        "attempts": {"type": "integer", "minimum": 0},
        "message": {"type": "string"},
        "result": {"type": ["object", "null"]},
        "created": {"type": "string", "format": "date-time"},
        "changed": {"type": "string", "format": "date-time"},
    },
}
"""A job, as JSON Schema has it."""

COLUMNS = ("id", "kind", "state", "done", "total", "attempts", "message", "created", "changed")

_STATE = query("state", {"enum": list(STATES)}, "Only jobs in this state.")
_JOBS = {
    "type": "object",
    "required": ["items", "next"],
    "properties": {
        "items": {"type": "array", "items": JOB},
        "next": {"type": ["string", "null"]},
    },
}


def job_value(job: Job) -> dict[str, Any]:
    """A job as plain values.

    ``done`` and ``total`` are bytes read of an upload, and skeletons where a
    repertoire is judged anew.
    """
    return {
        "id": job.id,
        "kind": job.kind,
        "state": job.state,
        "done": job.done,
        "total": job.total,
        "attempts": job.attempts,
        "message": job.message,
        "result": job.result,
        "created": moment(job.created),
        "changed": moment(job.changed),
    }


@resources.get("/api/jobs")
@needs(READ)
@described(
    Operation(
        "listJobs",
        "jobs",
        "Jobs in the order in which they came",
        {200: Answer("A page of jobs.", table_content(_JOBS))},
        words="As CSV or JSON Lines all jobs are given, in one piece.",
        parameters=(_STATE, FORMAT, *PAGING),
        problems=(406,),
    )
)
def list_jobs() -> Response:
    """A page of jobs."""
    values = query_values(_STATE, FORMAT, *PAGING)
    state = values.get("state", "")
    if state and state not in STATES:
        invalid([f"state must be one of {', '.join(STATES)}"])
    wanted = page_of_json(values)
    shelf = repertoires().jobs
    found, after = shelf.list(state=state) if wanted is None else [], None
    if wanted is not None:
        found = shelf.list(state=state, after=wanted.after, limit=wanted.limit + 1)
        if len(found) > wanted.limit:
            found = found[: wanted.limit]
            after = str(found[-1].number)
    return table_answer(COLUMNS, map(job_value, found), more={"next": after})


@resources.get("/api/jobs/<id>")
@needs(READ)
@described(
    Operation(
        "getJob",
        "jobs",
        "One job: how far it is, and what came of it",
        {200: Answer("The job.", {JSON: JOB})},
        parameters=(path("id", "The job's id."),),
        problems=(404, 406),
    )
)
def get_job(id: str) -> Response:
    """One job."""
    query_values()
    return json_answer(job_value(repertoires().jobs.get(id)))
