"""``/api/repertoires``: upload, list, rename and delete, and what an upload changed."""

from __future__ import annotations

import shutil
from dataclasses import asdict, replace
from typing import IO, Any

from flask import Blueprint, Response, request, url_for

from pawnlore.service.access.needs import READ, WRITE, needs, students_may, takes_upload
from pawnlore.service.api.answers import as_json, csv_text, json_answer, table_answer
from pawnlore.service.api.describe import (
    FORMAT,
    JSON,
    Answer,
    Operation,
    Schema,
    described,
    path,
    query,
)
from pawnlore.service.api.describe import table as table_content
from pawnlore.service.api.formats import formatted
from pawnlore.service.api.jobs import JOB, job_value
from pawnlore.service.api.json_body import json_object, plain_body
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.api.request_values import (
    PAGING,
    Fields,
    invalid,
    no_body,
    page_of_json,
    query_values,
)
from pawnlore.service.api.tables import LONG_PAGING, LongTable, long_schema, long_table_answer
from pawnlore.service.api.values import stored_repertoire_value
from pawnlore.service.repertoire_name import name_of_files
from pawnlore.service.repertoire_upload import MOST_FILES, Upload, spooled
from pawnlore.service.running import running
from pawnlore.service.store.errors import StoreUnavailable, TooManyJobs, in_words
from pawnlore.service.store.job_shelf import Job
from pawnlore.service.store.repertoire_shelf import StoredRepertoire, file_name
from pawnlore.service.store.values import one_line
from pawnlore.structures.repertoire_side import SIDES

resources = Blueprint("api-repertoires", __name__)
resources.record(provide_repertoires)

PGN = "application/vnd.chess-pgn"
"""PGN's registered media type (IANA); others are in use, so they are taken too."""

TEXT = {"type": "string"}
NUMBER = {"type": "integer", "minimum": 0}

REPERTOIRE = {
    "type": "object",
    "required": ["id", "name", "side", "version", "games", "nodes"],
    "properties": {
        "id": TEXT,
        "name": TEXT,
        "side": {"enum": ["", *SIDES]},
        "version": {"type": "integer", "minimum": 1},
        "games": NUMBER,
        "nodes": NUMBER,
        "size": NUMBER,
        "digest": TEXT,
        "model": TEXT,
        "model_in_use": {"type": "boolean"},
        "created": {"type": "string", "format": "date-time"},
        "changed": {"type": "string", "format": "date-time"},
        "judged": {"type": ["string", "null"], "format": "date-time"},
    },
}
"""A repertoire, as JSON Schema has it."""

COLUMNS = tuple(REPERTOIRE["properties"])

CHANGE_COLUMNS = (
    "what",
    "chapter",
    "moves",
    "structure_before",
    "holder_before",
    "structure",
    "holder",
)

ID = path("id", "The repertoire's id.")

_BODIES = (PGN, "application/x-chess-pgn", "text/plain", "application/octet-stream")
_FILES = "multipart/form-data"
_PART = "pgn"
_BODY: dict[str, Schema] = {
    **{kind: {"type": "string"} for kind in _BODIES},
    _FILES: {
        "type": "object",
        "required": [_PART],
        "properties": {
            _PART: {
                "type": "array",
                "minItems": 1,
                "maxItems": MOST_FILES,
                "items": {"type": "string", "format": "binary"},
            },
        },
    },
}
_NAME = query("name", formatted("one-line", most=200), "What the repertoire is called.")
_SIDE = query("side", {"enum": list(SIDES)}, "Whose repertoire it is; else its lines tell.")
_FILE = query(
    "file", {"type": "string", "maxLength": 200}, "The file's name, where the body is one file."
)
CHANGES = ("upload", "judging")
"""What can have changed a repertoire's nodes or their verdicts."""

_OF = query(
    "of", {"enum": list(CHANGES)}, "What the last upload or judging changed; else the later one."
)
_BEGUN = Answer(
    "The upload was taken; the job tells how far it is and what came of it.",
    # Not the job itself: its id is none of a repertoire, which may never come to be.
    {JSON: {"type": "object", "required": ["job"], "properties": {"job": JOB}}},
    {"Location": "Where the job is."},
)
_JUDGING = replace(_BEGUN, words="It is judged in the background; the job tells how far that is.")
_REPERTOIRES = {
    "type": "object",
    "required": ["items", "next"],
    "properties": {
        "items": {"type": "array", "items": REPERTOIRE},
        "next": {"type": ["string", "null"]},
    },
}


def repertoire_value(stored: StoredRepertoire) -> dict[str, Any]:
    """A repertoire as plain values, with the keys of `COLUMNS`."""
    return stored_repertoire_value(stored, running().classifier.digest)


@resources.get("/api/repertoires")
@needs(READ)
@described(
    Operation(
        "listRepertoires",
        "repertoires",
        "Repertoires in the order in which they came",
        {200: Answer("A page of repertoires.", table_content(_REPERTOIRES))},
        words="As CSV or JSON Lines all repertoires are given, in one piece.",
        parameters=(FORMAT, *PAGING),
        problems=(406,),
    )
)
def list_repertoires() -> Response:
    """A page of repertoires."""
    wanted = page_of_json(query_values(FORMAT, *PAGING))
    shelf = repertoires().shelf
    found, after = shelf.list() if wanted is None else [], None
    if wanted is not None:
        found = shelf.list(after=wanted.after, limit=wanted.limit + 1)
        if len(found) > wanted.limit:
            found = found[: wanted.limit]
            after = str(found[-1].number)
    return table_answer(COLUMNS, map(repertoire_value, found), more={"next": after})


@resources.post("/api/repertoires")
@needs(WRITE)
@takes_upload
@described(
    Operation(
        "uploadRepertoire",
        "repertoires",
        "Upload a new repertoire",
        {202: _BEGUN},
        words=(
            "The body is a PGN file, or with multipart/form-data several of them in parts named "
            "'pgn'. It is read in the background; a game that cannot be read costs no other."
        ),
        parameters=(_NAME, _SIDE, _FILE),
        body=_BODY,
        problems=(406, 413, 415, 422, 429),
    )
)
def upload_repertoire() -> Response:
    """Begin with a new repertoire."""
    return _begin(None)


@resources.put("/api/repertoires/<id>/pgn")
@needs(WRITE)
@takes_upload
@described(
    Operation(
        "replaceRepertoire",
        "repertoires",
        "Upload a repertoire again",
        {202: _BEGUN},
        words=(
            "It keeps its id, its links and, unless others are given, its name and side. What "
            "changed stands in the job's result and under 'changes'."
        ),
        parameters=(ID, _NAME, _SIDE, _FILE),
        body=_BODY,
        problems=(404, 406, 413, 415, 422, 429),
    )
)
def replace_repertoire(id: str) -> Response:
    """Begin with a new content for a repertoire."""
    return _begin(repertoires().shelf.get(id))


@resources.get("/api/repertoires/<id>")
@students_may("id")
@needs(READ)
@described(
    Operation(
        "getRepertoire",
        "repertoires",
        "One repertoire",
        {200: Answer("The repertoire.", {JSON: REPERTOIRE})},
        parameters=(ID,),
        problems=(404, 406),
    )
)
def get_repertoire(id: str) -> Response:
    """One repertoire."""
    query_values()
    return json_answer(repertoire_value(repertoires().shelf.get(id)))


@resources.patch("/api/repertoires/<id>")
@needs(WRITE)
@described(
    Operation(
        "renameRepertoire",
        "repertoires",
        "Give a repertoire another name or side",
        {200: Answer("The repertoire.", {JSON: REPERTOIRE})},
        parameters=(ID,),
        body={
            JSON: {
                "type": "object",
                "properties": {
                    "name": formatted("one-line", most=200),
                    "side": {"enum": ["", *SIDES]},
                },
                "additionalProperties": False,
            }
        },
        problems=(404, 406, 413, 415, 422),
    )
)
def rename_repertoire(id: str) -> Response:
    """Another name or side for a repertoire."""
    query_values()
    body = json_object()
    fields = Fields(body)
    name, side = fields.text("name", most=200), fields.text("side", most=20)
    fields.done()
    changed = repertoires().shelf.rename(id, name=name, side=side if "side" in body else None)
    return json_answer(repertoire_value(changed))


@resources.delete("/api/repertoires/<id>")
@needs(WRITE)
@described(
    Operation(
        "deleteRepertoire",
        "repertoires",
        "Delete a repertoire with its nodes and the links to it",
        {204: Answer("It is gone.")},
        parameters=(ID,),
        problems=(404,),
    )
)
def delete_repertoire(id: str) -> Response:
    """Delete a repertoire."""
    query_values()
    no_body()
    repertoires().shelf.delete(id)
    return Response(status=204)


@resources.post("/api/repertoires/<id>/judge")
@needs(WRITE)
@described(
    Operation(
        "judgeRepertoire",
        "repertoires",
        "Judge a repertoire's nodes anew with the model in use",
        {202: _JUDGING},
        words=(
            "Its files, nodes and labels stay as they are. What moved to another structure stands "
            "under 'changes', and counted in the job's result with the digests of both models."
        ),
        parameters=(ID,),
        problems=(404, 406),
    )
)
def judge_repertoire(id: str) -> Response:
    """Begin to judge a repertoire anew."""
    query_values()
    no_body()
    return _begun(repertoires().judging.add(id))


@resources.get("/api/repertoires/<id>/changes")
@needs(READ)
@described(
    Operation(
        "getRepertoireChanges",
        "repertoires",
        "What an upload or a judging changed: nodes added, gone, and moved to another structure",
        {
            200: Answer(
                "A row for every node that changed, as far as they are kept one by one.",
                long_schema(dict.fromkeys(CHANGE_COLUMNS, TEXT)),
            )
        },
        parameters=(ID, _OF, *LONG_PAGING),
        problems=(404, 406),
    )
)
def changes(id: str) -> Response:
    """What the last upload or judging changed."""
    values = query_values(_OF, *LONG_PAGING)
    of = values.get("of", "")
    if of and of not in CHANGES:
        invalid([f"of must be one of {', '.join(CHANGES)}"])
    shelf = repertoires().shelf
    tag = shelf.get(id).upload
    rows = [asdict(row) for row in shelf.changes(id, of=of).rows]
    lines = [as_json(row) + "\n" for row in rows]
    table = LongTable(
        tag, lambda first: iter(lines[first:]), lambda: csv_text(CHANGE_COLUMNS, rows), len(rows)
    )
    return long_table_answer(table, values)


def begin_upload(
    before: StoredRepertoire | None, name: str, side: str, files: list[tuple[str, IO[bytes]]]
) -> Job:
    """Begin with an upload, of a new repertoire or in the place of one; its job.

    A new one without a name is called after its files. Raises `Problem`.
    """
    if side and side not in SIDES:
        invalid([f"side must be one of {', '.join(SIDES)}"])
    if not name and before is None:
        name = name_of_files([file_name(called) for called, _ in files])
    size = 0
    for _, stream in files:
        size += stream.seek(0, 2)
        stream.seek(0)
    upload = Upload(name, side, files, size, None if before is None else before.id)
    try:
        job = repertoires().uploads.add(upload)
    except TooManyJobs as error:
        raise Problem(429, f"{error}.", kind="too-large", headers={"Retry-After": "10"}) from None
    repertoires().runner.wake()
    return job


def _begin(before: StoredRepertoire | None) -> Response:
    """Take what was uploaded into files, and begin with the job."""
    values = query_values(_NAME, _SIDE, _FILE)
    side = values.get("side", "")
    if side and side not in SIDES:
        invalid([f"side must be one of {', '.join(SIDES)}"])
    # Told at once, and not when all has been read.
    name = one_line(values.get("name", ""), "the repertoire's name", needed=False)
    return _begun(begin_upload(before, name, side, uploaded_files(values.get("file", ""))))


def _begun(job: Job) -> Response:
    """The answer to what begins a job, which may begin now."""
    repertoires().runner.wake()
    place = url_for("api-jobs.get_job", id=job.id)
    return json_answer({"job": job_value(job)}, 202, {"Location": place})


def uploaded_files(name: str = "") -> list[tuple[str, IO[bytes]]]:
    """What the body holds, each file in one of our own, so that it outlives the request."""
    plain_body()
    mimetype = request.mimetype
    if mimetype == _FILES:
        parts = request.files.getlist(_PART)
        if not parts:
            invalid([f"the body needs a file in a part named {_PART}"])
        if len(parts) > MOST_FILES:
            raise Problem(413, f"At most {MOST_FILES} files fit in one upload.", kind="too-large")
        return [_kept(part.filename or "", part.stream) for part in parts]
    if mimetype not in _BODIES:
        taken = ", ".join((*_BODIES, _FILES))
        raise Problem(415, f"Send PGN as one of {taken}.", headers={"Accept": taken})
    return [_kept(name, request.stream)]


def _kept(name: str, stream: IO[bytes]) -> tuple[str, IO[bytes]]:
    try:
        kept = spooled(running().settings.home)
        try:
            shutil.copyfileobj(stream, kept)
        except BaseException:
            kept.close()
            raise
    except OSError as error:
        raise in_words(error) or StoreUnavailable("the upload cannot be kept") from None
    return file_name(name), kept
