"""``/api/notes``: the author's plan notes, with every revision."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from flask import Blueprint, Response

from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs, students_may
from pawnlore.service.api.answers import json_answer, table_answer
from pawnlore.service.api.describe import (
    FORMAT,
    JSON,
    Answer,
    Operation,
    described,
    path,
    query,
    ref,
    table,
)
from pawnlore.service.api.etags import IF_MATCH, IF_NONE_MATCH, conditional, etag, expected_revision
from pawnlore.service.api.json_body import json_object
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.readers import readable
from pawnlore.service.api.repertoires_at_hand import provide_repertoires
from pawnlore.service.api.request_values import (
    PAGING,
    Fields,
    flag,
    invalid,
    no_body,
    page_of_json,
    query_values,
)
from pawnlore.service.api.values import (
    NOTE_COLUMNS,
    REVISION_COLUMNS,
    moment,
    note_value,
    revision_value,
)
from pawnlore.service.running import running
from pawnlore.service.store.errors import NotFound, Stale
from pawnlore.service.store.note_shelf import SEARCH_LENGTH, NoteShelf, StoredNote
from pawnlore.structures.plan_note import NOTE_LENGTH, NoteError

resources = Blueprint("api-notes", __name__)
resources.record(provide_repertoires)

Given = TypeVar("Given")

_ID = path("id", "The note's id.")
_SEARCH = query(
    "q",
    {"type": "string", "maxLength": SEARCH_LENGTH},
    "Words that the note's text or name holds, all of them, in any case.",
)
_STRUCTURE = query("structure", {"type": "string", "maxLength": 200}, "Only notes on this one.")
_DELETED = query(
    "deleted", {"type": "boolean", "default": False}, "The deleted notes instead of the others."
)
_TAGGED = {"ETag": "The revision, for the header If-Match of a change."}
_CHANGED = {200: Answer("The note as it is now.", {JSON: ref("Note")}, _TAGGED)}
_CHANGE_PROBLEMS = (404, 406, 412, 428)


@resources.get("/api/notes")
@students_may()
@needs(READ)
@described(
    Operation(
        "listNotes",
        "notes",
        "Notes in the order in which they came; with 'q', those that hold some words",
        {200: Answer("A page of notes, without their texts.", table(ref("Notes")))},
        words=(
            "As CSV or JSON Lines all notes are given, in one piece. A student is given the "
            "published notes on what the repertoire of the link teaches, with 'author' empty."
        ),
        parameters=(_SEARCH, _STRUCTURE, _DELETED, FORMAT, *PAGING),
        problems=(406, 422),
    )
)
def list_notes() -> Response:
    """A page of the list of notes."""
    values = query_values(_SEARCH, _STRUCTURE, _DELETED, FORMAT, *PAGING)
    wanted = page_of_json(values)
    student = caller().student
    deleted = flag(values, "deleted")
    if student and deleted:
        raise Problem(403, "A student link does not reach deleted notes.", kind="not-allowed")
    found = _shelf().list(
        search=values.get("q", ""),
        structure=values.get("structure", ""),
        published=True if student else None,
        deleted=deleted,
        after=wanted.after if wanted else 0,
        # Which notes a student may read no column says; there are few enough to look at all.
        limit=wanted.limit + 1 if wanted and not student else None,
    )
    found = readable(found)
    cursor = None
    if wanted and len(found) > wanted.limit:
        found = found[: wanted.limit]
        cursor = str(found[-1].number)
    rows = (_value(stored, text=False) for stored in found)
    return table_answer(NOTE_COLUMNS, rows, more={"next": cursor})


@resources.post("/api/notes")
@needs(WRITE)
@described(
    Operation(
        "createNote",
        "notes",
        "Keep a new note",
        {
            201: Answer(
                "The note.", {JSON: ref("Note")}, {**_TAGGED, "Location": "The note's address."}
            )
        },
        body={JSON: ref("NewNote")},
        problems=(406, 422),
    )
)
def create_note() -> Response:
    """A new note from its text."""
    query_values()
    fields = Fields(json_object())
    text = fields.text("text", needed=True, most=NOTE_LENGTH)
    name = fields.text("name", most=200)
    published = fields.flag("published")
    fields.done()
    stored = _checked(
        lambda: _shelf().create(
            text, name=name, author=caller().name, published=published is not False
        )
    )
    response = _note_answer(stored, 201)
    response.headers["Location"] = f"/api/notes/{stored.id}"
    return response


@resources.get("/api/notes/<id>")
@students_may()
@needs(READ)
@described(
    Operation(
        "readNote",
        "notes",
        "One note with its text",
        {
            200: Answer("The note.", {JSON: ref("Note")}, _TAGGED),
            304: Answer("It is still the one that you have."),
        },
        parameters=(_ID, IF_NONE_MATCH),
        problems=(404, 406, 412),
    )
)
def read_note(id: str) -> Response:
    """One note."""
    query_values()
    try:
        stored = _shelf().get(id)
    except NotFound:
        if caller().student:
            # What a student may not read is answered like what there never was.
            raise NotFound("there is no such note") from None
        raise
    if not readable([stored]):
        raise NotFound("there is no such note")
    response = _note_answer(stored)
    return conditional(response)


@resources.put("/api/notes/<id>")
@needs(WRITE)
@described(
    Operation(
        "changeNote",
        "notes",
        "Give a note a new text, as its next revision",
        _CHANGED,
        words=(
            "Where the note was changed since it was read, nothing is overwritten: 412 brings both "
            "texts, and the one that was not taken is kept among those set aside."
        ),
        parameters=(_ID, IF_MATCH),
        body={JSON: ref("ChangedNote")},
        problems=(*_CHANGE_PROBLEMS, 422),
    )
)
def change_note(id: str) -> Response:
    """The next revision of a note."""
    query_values()
    fields = Fields(json_object())
    text = fields.text("text", needed=True, most=NOTE_LENGTH)
    published = fields.flag("published")
    fields.done()
    shelf = _shelf()
    expected = expected_revision(shelf.get(id).revision)
    return _note_answer(
        _checked(
            lambda: shelf.change(
                id,
                text,
                expected_revision=expected,
                author=caller().name,
                published=published,
            )
        )
    )


@resources.delete("/api/notes/<id>")
@needs(WRITE)
@described(
    Operation(
        "deleteNote",
        "notes",
        "Delete a note; it can be restored",
        _CHANGED,
        parameters=(_ID, IF_MATCH),
        problems=_CHANGE_PROBLEMS,
    )
)
def delete_note(id: str) -> Response:
    """Delete a note; its revisions stay."""
    query_values()
    no_body()
    shelf = _shelf()
    expected = expected_revision(shelf.get(id).revision)
    return _note_answer(
        _checked(lambda: shelf.delete(id, expected_revision=expected, author=caller().name))
    )


@resources.post("/api/notes/<id>/restore")
@needs(WRITE)
@described(
    Operation(
        "restoreNote",
        "notes",
        "Bring back a deleted note, or an older revision, as the next revision",
        _CHANGED,
        parameters=(_ID, IF_MATCH),
        body={JSON: ref("Restore")},
        problems=(*_CHANGE_PROBLEMS, 422),
    )
)
def restore_note(id: str) -> Response:
    """Bring a revision back."""
    query_values()
    fields = Fields(json_object())
    revision = fields.number("revision", 1, 2**31 - 1)
    fields.done()
    shelf = _shelf()
    expected = expected_revision(shelf.revisions(id)[-1].revision)
    return _note_answer(
        _checked(
            lambda: shelf.restore(
                id, revision=revision, expected_revision=expected, author=caller().name
            )
        )
    )


@resources.get("/api/notes/<id>/revisions")
@needs(READ)
@described(
    Operation(
        "noteRevisions",
        "notes",
        "Every revision of a note, the first one first; also of a deleted note",
        {200: Answer("A page of revisions.", table(ref("Revisions")))},
        parameters=(_ID, FORMAT, *PAGING),
        problems=(404, 406),
    )
)
def note_revisions(id: str) -> Response:
    """A page of a note's revisions."""
    values = query_values(FORMAT, *PAGING)
    wanted = page_of_json(values)
    found = _shelf().revisions(id)
    cursor = None
    if wanted:
        found = [one for one in found if one.revision > wanted.after]
        if len(found) > wanted.limit:
            found = found[: wanted.limit]
            cursor = str(found[-1].revision)
    return table_answer(REVISION_COLUMNS, map(revision_value, found), more={"next": cursor})


@resources.get("/api/notes/<id>/set-aside")
@needs(READ)
@described(
    Operation(
        "setAsideTexts",
        "notes",
        "Texts that came too late, because somebody else had changed the note",
        {200: Answer("The texts, the oldest first.", {JSON: ref("SetAside")})},
        parameters=(_ID,),
        problems=(404, 406),
    )
)
def set_aside_texts(id: str) -> Response:
    """Texts that were not taken, and not lost."""
    query_values()
    items = [
        {
            "note": one.note,
            "expected": one.expected,
            "author": one.author,
            "made": moment(one.made),
            "text": one.text,
        }
        for one in _shelf().set_aside(id)
    ]
    return json_answer({"items": items})


def _shelf() -> NoteShelf:
    return NoteShelf(running().store)


def _checked(act: Callable[[], Given]) -> Given:
    """Do something with a note; what is wrong with it is told as a problem."""
    try:
        return act()
    except NoteError as error:
        invalid([*error.messages], 422)
    except Stale as error:
        raise Problem(
            412,
            f"The note was changed in between: it is at revision {error.current.revision} now. "
            "'yours' is your text and 'theirs' is what stands; join them and send that with the "
            "new ETag.",
            kind="stale",
            headers={"ETag": etag(error.current.revision)},
            yours=error.offered,
            theirs=note_value(error.current),
        ) from None


def _note_answer(stored: StoredNote, status: int = 200) -> Response:
    return json_answer(_value(stored), status, {"ETag": etag(stored.revision)})


def _value(stored: StoredNote, *, text: bool = True) -> dict[str, Any]:
    """A note; a student is not told whose token wrote it."""
    value = note_value(stored, text=text)
    if caller().student:
        value["author"] = ""
    return value
