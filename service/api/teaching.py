"""``/api/teaching``: own families, what to label next, retraining, versions."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from flask import Blueprint, Response, request, url_for

from pawnlore.models.exam_figures import FiguresError
from pawnlore.models.taught_figures import report_value
from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs
from pawnlore.service.api.answers import json_answer
from pawnlore.service.api.describe import (
    JSON,
    Answer,
    Operation,
    Schema,
    described,
    path,
    query,
    ref,
)
from pawnlore.service.api.etags import IF_MATCH, etag, expected_revision
from pawnlore.service.api.formats import formatted, kept_text
from pawnlore.service.api.jobs import JOB, job_value
from pawnlore.service.api.json_body import json_object, plain_body
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.api.request_values import Fields, invalid, no_body, query_values
from pawnlore.service.api.values import moment
from pawnlore.service.label_file import LabelFileError, label_lines, read_label_file
from pawnlore.service.running import running
from pawnlore.service.store.family_shelf import Example, GivenExample, StaleFamily, StoredFamily
from pawnlore.service.store.model_shelf import ModelChoice, ModelVersion, StaleChoice
from pawnlore.service.teaching_desk import TeachingDesk, placement_of
from pawnlore.structures.position_check import skeleton_of_line
from pawnlore.structures.skeleton import SkeletonError

resources = Blueprint("api-teaching", __name__)
resources.record(provide_repertoires)

EPD = "text/plain"
MOST_AT_ONCE = 500
"""Examples in one request."""

_TEXT = {"type": "string"}
_COUNT = {"type": "integer", "minimum": 0}
_OBJECT: Schema = {"type": "object"}
_POSITION = formatted("position", least=1, most=200, examples=["8/8/4p3/3p4/3P4/8/8/8"])
_HOLDER = {"enum": ["white", "black", "both"]}
_FAMILY: Schema = {
    "type": "object",
    "required": ["id", "name", "parent", "must", "free", "revision", "examples"],
    "properties": {
        "id": _TEXT,
        "name": _TEXT,
        "parent": {**_TEXT, "description": "The shipped family that it refines, or empty."},
        "must": {"type": "array", "items": _TEXT},
        "free": {"type": "array", "items": _TEXT},
        "revision": {"type": "integer", "minimum": 1},
        "author": _TEXT,
        "created": {"type": "string", "format": "date-time"},
        "changed": {"type": "string", "format": "date-time"},
        "examples": {"type": "array", "items": _OBJECT},
    },
}
_LABEL_LINE = '8/8/4p3/3p4/3P4/8/8/8 w - - c0 "carlsbad"; c1 "white"; c2 "why";\n'
_CHOICE: Schema = {
    "type": "object",
    "required": ["number", "version", "author", "made"],
    "properties": {
        "number": _COUNT,
        "version": {**_COUNT, "description": "0 is the model that ships."},
        "author": _TEXT,
        "made": {"type": ["string", "null"]},
    },
}
_VERSION: Schema = {
    "type": "object",
    "required": ["number", "state", "digest", "taught_from", "author", "made"],
    "properties": {
        "number": {"type": "integer", "minimum": 1},
        "state": {"enum": ["proposed", "accepted", "rejected"]},
        "digest": _TEXT,
        "base": _TEXT,
        "taught_from": _OBJECT,
        "author": _TEXT,
        "made": {"type": "string", "format": "date-time"},
    },
}
_ROWS: Schema = {"type": "array", "items": _OBJECT}
_VERSION_FIGURES: Schema = {
    "type": "object",
    "required": ["report", "own_named", "own", "statements", "learnt_from"],
    "properties": {
        "report": ref("ModelFigures"),
        "own_named": {
            **_COUNT,
            "description": "Positions of the raters that got the name of an own family.",
        },
        "own": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["id", "learnt", "examples", "found", "counter", "kept_out", "taken"],
                "properties": {
                    "id": _TEXT,
                    "learnt": {**_COUNT, "description": "Examples that it was learnt from."},
                    "examples": {**_COUNT, "description": "Those judged unlearnt, or 0 of few."},
                    "found": _COUNT,
                    "counter": {**_COUNT, "description": "What does not belong, judged unlearnt."},
                    "kept_out": _COUNT,
                    "taken": {**_COUNT, "description": "Statements on others that it took."},
                    "games": {**_COUNT, "description": "Positions of games that meet no core."},
                    "of_games": {**_COUNT, "description": "Those of them that it is named on."},
                    "beside": _ROWS,
                },
            },
        },
        "statements": {
            "type": "object",
            "required": ["count", "right", "classes", "confusions", "calibration"],
            "properties": {
                "count": _COUNT,
                "right": _COUNT,
                "labels": {**_COUNT, "description": "Labels on shipped structures and on none."},
                "drawn": {**_COUNT, "description": "Those of them that were asked."},
                "classes": _ROWS,
                "confusions": _ROWS,
                "calibration_error": {"type": "number", "minimum": 0, "maximum": 1},
                "calibration_count": _COUNT,
                "calibration": _ROWS,
            },
        },
        "learnt_from": {
            "type": "object",
            "required": ["base", "seed", "labels", "families"],
            "properties": {
                "base": {**_TEXT, "description": "The digest of the model that was taught."},
                "seed": _COUNT,
                "labels": {**_ROWS, "description": "By author and structure."},
                "families": _ROWS,
            },
        },
    },
}
_NAME = path(
    "name",
    "What follows own/ in the family's id.",
    {"type": "string", "minLength": 1, "pattern": "^[a-z0-9]+(-[a-z0-9]+)*$", "maxLength": 76},
)
_NUMBER = path("number", "The version's number.", {"type": "integer", "minimum": 1})
_TAGGED = {"ETag": "The revision, for the header If-Match of a change."}
_FEN = query("fen", _POSITION, "The position whose pawns are meant.", needed=True)
_HOW_MANY = query(
    "count", {"type": "integer", "minimum": 1, "maximum": 200, "default": 10}, "How many at most."
)


def _desk() -> TeachingDesk:
    return running().model.desk


def _skeleton(fen: str) -> tuple[int, int]:
    try:
        return skeleton_of_line(fen)
    except SkeletonError as error:
        invalid([f"the position cannot be read: {error}"], 422)


def example_value(example: Example) -> dict[str, Any]:
    """An example, on the canonical one of its pawns and their mirror, whose holder is told."""
    return {
        "fen": placement_of(example.skeleton),
        "holder": example.holder,
        "counter": example.counter,
        "given": example.fen,
        "author": example.author,
        "made": moment(example.made),
    }


def family_value(stored: StoredFamily) -> dict[str, Any]:
    """An own family as plain values."""
    return {
        "id": stored.id,
        "name": stored.name,
        "parent": stored.parent,
        "must": list(stored.must),
        "free": list(stored.free),
        "revision": stored.revision,
        "author": stored.author,
        "created": moment(stored.created),
        "changed": moment(stored.changed),
        "examples": [example_value(example) for example in stored.examples],
    }


def version_value(version: ModelVersion) -> dict[str, Any]:
    """A version without its figures."""
    return {
        "number": version.number,
        "state": version.state,
        "digest": version.digest,
        "base": version.base,
        "taught_from": version.taught_from,
        "author": version.author,
        "made": moment(version.made),
    }


def choice_value(choice: ModelChoice) -> dict[str, Any]:
    """Which version is in use."""
    made = None if choice.made is None else moment(choice.made)
    return {**asdict(choice), "made": made}


def _family_answer(stored: StoredFamily, status: int = 200) -> Response:
    return json_answer(family_value(stored), status, {"ETag": etag(stored.revision)})


def _stale(error: StaleFamily) -> Problem:
    return Problem(
        412,
        f"The family was changed in between: it is at revision {error.current.revision} now, as "
        "'family' tells. Look at it, and send the change again with the new ETag.",
        kind="stale",
        headers={"ETag": etag(error.current.revision)},
        family=family_value(error.current),
    )


def _current(name: str) -> tuple[str, int]:
    """The id of a family, and the revision that the request means to change."""
    stored = _desk().families.get(f"own/{name}")
    expected = expected_revision(stored.revision)
    if expected != stored.revision:
        raise _stale(StaleFamily(stored))
    return stored.id, expected


@resources.get("/api/teaching/families")
@needs(READ)
@described(
    Operation(
        "listOwnFamilies",
        "teaching",
        "The author's own families with their examples",
        {
            200: Answer(
                "All of them.",
                {JSON: {"type": "object", "properties": {"items": {"items": _FAMILY}}}},
            )
        },
        problems=(406,),
    )
)
def list_families() -> Response:
    """All own families."""
    query_values()
    return json_answer({"items": [family_value(one) for one in _desk().families.list()]})


@resources.post("/api/teaching/families")
@needs(WRITE)
@described(
    Operation(
        "createOwnFamily",
        "teaching",
        "A new family of the author's own, without examples",
        {201: Answer("The family.", {JSON: _FAMILY}, {**_TAGGED, "Location": "Its address."})},
        body={
            JSON: {
                "type": "object",
                "required": ["id"],
                "properties": {
                    "id": {
                        "type": "string",
                        "pattern": "^own/[a-z0-9]+(-[a-z0-9]+)*$",
                        "maxLength": 80,
                        "examples": ["own/wing-clamp"],
                    },
                    "name": formatted("one-line", most=200),
                    "parent": formatted("one-line", most=200, examples=["maroczy-bind", ""]),
                },
                "additionalProperties": False,
            }
        },
        problems=(406, 422),
    )
)
def create_family() -> Response:
    """A new own family."""
    query_values()
    fields = Fields(json_object())
    id = fields.text("id", needed=True, most=80)
    name, parent = fields.text("name", most=200), fields.text("parent", most=200)
    fields.done()
    stored = _desk().families.add(id, name, parent=parent, author=caller().name)
    answer = _family_answer(stored, 201)
    name_part = stored.id.removeprefix("own/")
    answer.headers["Location"] = url_for("api-teaching.read_family", name=name_part)
    return answer


@resources.get("/api/teaching/families/<name>")
@needs(READ)
@described(
    Operation(
        "readOwnFamily",
        "teaching",
        "One own family",
        {200: Answer("The family.", {JSON: _FAMILY}, _TAGGED)},
        parameters=(_NAME,),
        problems=(404, 406),
    )
)
def read_family(name: str) -> Response:
    """One own family."""
    query_values()
    return _family_answer(_desk().families.get(f"own/{name}"))


@resources.patch("/api/teaching/families/<name>")
@needs(WRITE)
@described(
    Operation(
        "changeOwnFamily",
        "teaching",
        "Another name or parent, or corrections of what the examples have in common",
        {200: Answer("The family as it is now.", {JSON: _FAMILY}, _TAGGED)},
        words=(
            "'must' holds conditions such as 'own d4' or 'foe no e', told from the holder's side; "
            "'free' holds traits that do not matter, such as 'own h', as /common names them. Each "
            "replaces what was said before."
        ),
        parameters=(_NAME, IF_MATCH),
        body={
            JSON: {
                "type": "object",
                "properties": {
                    "name": formatted("one-line", least=1, most=200),
                    "parent": formatted("one-line", most=200),
                    "must": {"type": "array", "items": kept_text(), "maxItems": 32},
                    "free": {"type": "array", "items": kept_text(), "maxItems": 32},
                },
                "additionalProperties": False,
            }
        },
        problems=(404, 406, 412, 422, 428),
    )
)
def change_family(name: str) -> Response:
    """Change an own family."""
    query_values()
    body = json_object()
    fields = Fields(body)
    given = {key: fields.text(key, most=200) for key in ("name", "parent")}
    lists = {key: fields.texts(key, 32) if key in body else None for key in ("must", "free")}
    fields.done()
    id, expected = _current(name)
    try:
        stored = _desk().families.change(
            id,
            name=given["name"] if "name" in body else None,
            parent=given["parent"] if "parent" in body else None,
            must=lists["must"],
            free=lists["free"],
            expected_revision=expected,
        )
    except StaleFamily as error:
        raise _stale(error) from None
    return _family_answer(stored)


@resources.delete("/api/teaching/families/<name>")
@needs(WRITE)
@described(
    Operation(
        "deleteOwnFamily",
        "teaching",
        "Take an own family away with its examples; versions that know it stay",
        {204: Answer("It is gone.")},
        parameters=(_NAME, IF_MATCH),
        problems=(404, 412, 428),
    )
)
def delete_family(name: str) -> Response:
    """Take an own family away."""
    query_values()
    no_body()
    id, expected = _current(name)
    try:
        _desk().families.delete(id, expected_revision=expected)
    except StaleFamily as error:
        raise _stale(error) from None
    return Response(status=204)


@resources.post("/api/teaching/families/<name>/examples")
@needs(WRITE)
@described(
    Operation(
        "addExamples",
        "teaching",
        "Positions that belong to an own family, or that do not; all are kept, or none",
        {200: Answer("The family as it is now.", {JSON: _FAMILY}, _TAGGED)},
        words="'holder' is whose the family is in all of them; for 'counter' it does not matter.",
        parameters=(_NAME,),
        body={
            JSON: {
                "type": "object",
                "required": ["fens", "holder"],
                "properties": {
                    "fens": {"type": "array", "items": _POSITION, "maxItems": MOST_AT_ONCE},
                    "holder": _HOLDER,
                    "counter": {"type": "boolean"},
                },
                "additionalProperties": False,
            }
        },
        problems=(404, 406, 412, 422),
    )
)
def add_examples(name: str) -> Response:
    """Add examples or counter-examples."""
    query_values()
    fields = Fields(json_object())
    fens = fields.texts("fens", MOST_AT_ONCE)
    holder = fields.text("holder", needed=True, most=10)
    counter = bool(fields.flag("counter"))
    if holder and holder not in ("white", "black", "both"):
        fields.faults.append("holder must be one of white, black, both")
    fields.done()
    examples = []
    faults = []
    for place, fen in enumerate(fens):
        if len(fen) > 200:
            faults.append(f"position {place + 1} is longer than 200 characters")
            continue
        try:
            skeleton = skeleton_of_line(fen)
        except SkeletonError as error:
            faults.append(f"position {place + 1} cannot be read: {error}")
            continue
        examples.append(GivenExample(skeleton, holder, fen.strip(), counter))
    if faults:
        invalid(faults, 422)
    try:
        stored = _desk().families.put_examples(f"own/{name}", examples, author=caller().name)
    except StaleFamily as error:
        raise _stale(error) from None
    return _family_answer(stored)


@resources.delete("/api/teaching/families/<name>/examples")
@needs(WRITE)
@described(
    Operation(
        "removeExample",
        "teaching",
        "Take an example or counter-example away",
        {200: Answer("The family as it is now.", {JSON: _FAMILY}, _TAGGED)},
        parameters=(_NAME, _FEN),
        problems=(404, 406, 412, 422),
    )
)
def remove_example(name: str) -> Response:
    """Take an example away."""
    values = query_values(_FEN)
    no_body()
    try:
        stored = _desk().families.remove_example(f"own/{name}", _skeleton(values["fen"]))
    except StaleFamily as error:
        raise _stale(error) from None
    return _family_answer(stored)


@resources.get("/api/teaching/families/<name>/common")
@needs(READ)
@described(
    Operation(
        "commonGround",
        "teaching",
        "What the examples of an own family seem to have in common",
        {
            200: Answer(
                "In words, and as squares and files with the holder as White.", {JSON: _OBJECT}
            )
        },
        words="Learnt on the spot, from the examples as they are now. 422 where there is none.",
        parameters=(_NAME,),
        problems=(404, 406, 422),
    )
)
def common(name: str) -> Response:
    """What the examples have in common."""
    query_values()
    return json_answer(_desk().common_ground(f"own/{name}"))


@resources.get("/api/teaching/questions")
@needs(READ)
@described(
    Operation(
        "questions",
        "teaching",
        "The positions of the repertoires whose label would help most",
        {200: Answer("The most helpful first.", {JSON: _OBJECT})},
        words="What was labelled, given as an example or passed over is not asked again.",
        parameters=(_HOW_MANY,),
        problems=(406, 422),
    )
)
def questions() -> Response:
    """What to label next."""
    values = query_values(_HOW_MANY)
    text = values.get("count", "10")
    if not (text.isascii() and text.isdigit() and len(text) < 4 and 1 <= int(text) <= 200):
        invalid(["count must be a whole number from 1 to 200"])
    return json_answer({"items": _desk().questions(int(text))})


@resources.post("/api/teaching/passed")
@needs(WRITE)
@described(
    Operation(
        "passOver",
        "teaching",
        "Do not ask about these pawns again",
        {204: Answer("They are not asked about any more.")},
        body={
            JSON: {
                "type": "object",
                "required": ["fen"],
                "properties": {"fen": _POSITION},
                "additionalProperties": False,
            }
        },
        problems=(422,),
    )
)
def pass_over() -> Response:
    """Pass a question over."""
    query_values()
    fields = Fields(json_object())
    fen = fields.text("fen", needed=True, most=200)
    fields.done()
    _desk().asked.pass_over(_skeleton(fen), author=caller().name)
    return Response(status=204)


@resources.get("/api/teaching/labels")
@needs(READ)
@described(
    Operation(
        "exportLabels",
        "teaching",
        "All labels as an EPD file",
        {200: Answer("c0 is the structure, c1 the holder, c2 the reason.", {EPD: _TEXT})},
    )
)
def export_labels() -> Response:
    """All labels as EPD."""
    query_values()
    lines = "".join(f"{line}\n" for line in label_lines(_desk().labels.list()))
    return Response(lines, content_type=f"{EPD}; charset=utf-8")


@resources.post("/api/teaching/labels")
@needs(WRITE)
@described(
    Operation(
        "importLabels",
        "teaching",
        "Take in an EPD file of labels, all of it or nothing",
        {
            200: Answer(
                "How many were new, and how many changed.",
                {
                    JSON: {
                        "type": "object",
                        "required": ["new", "changed", "unchanged"],
                        "properties": {"new": _COUNT, "changed": _COUNT, "unchanged": _COUNT},
                    }
                },
            )
        },
        words="Where a line is bad, 422 names every bad line, and nothing is taken.",
        body={EPD: {**_TEXT, "examples": [_LABEL_LINE]}},
        problems=(406, 422),
    )
)
def import_labels() -> Response:
    """Take in labels."""
    query_values()
    plain_body()
    if request.mimetype != EPD:
        raise Problem(415, f"Send the labels as {EPD}.", headers={"Accept": EPD})
    try:
        labels = read_label_file(request.get_data(cache=False), _desk().base.catalogue.ids)
    except LabelFileError as error:
        invalid(list(error.problems), 422)
    new, changed = _desk().labels.put_all(labels, author=caller().name)
    return json_answer({"new": new, "changed": changed, "unchanged": len(labels) - new - changed})


@resources.post("/api/teaching/retrain")
@needs(WRITE)
@described(
    Operation(
        "retrain",
        "teaching",
        "Learn from all labels and own families, as a job that keeps a proposed version",
        {
            202: Answer(
                "The job; its result tells the version.",
                {JSON: {"type": "object", "required": ["job"], "properties": {"job": JOB}}},
                {"Location": "The job's address."},
            )
        },
        problems=(406,),
    )
)
def retrain() -> Response:
    """Begin to retrain."""
    query_values()
    no_body()
    job = repertoires().teaching.add(author=caller().name)
    repertoires().runner.wake()
    place = url_for("api-jobs.get_job", id=job.id)
    return json_answer({"job": job_value(job)}, 202, {"Location": place})


@resources.get("/api/teaching/versions")
@needs(READ)
@described(
    Operation(
        "listVersions",
        "teaching",
        "Every version of the taught model, and which one is in use",
        {
            200: Answer(
                "The oldest first.",
                {
                    JSON: {
                        "type": "object",
                        "required": ["items", "in_use", "choices"],
                        "properties": {
                            "items": {"type": "array", "items": _VERSION},
                            "in_use": _CHOICE,
                            "choices": {"type": "array", "items": _CHOICE},
                        },
                    }
                },
            )
        },
        problems=(406,),
    )
)
def list_versions() -> Response:
    """Every version."""
    query_values()
    shelf = _desk().models
    return json_answer(
        {
            "items": [version_value(one) for one in shelf.list()],
            "in_use": choice_value(shelf.in_use()),
            "choices": [choice_value(one) for one in shelf.choices()],
        }
    )


@resources.get("/api/teaching/versions/<int:number>")
@needs(READ)
@described(
    Operation(
        "compareVersion",
        "teaching",
        "A version against what is in use: figures, and nodes whose verdict would change",
        {200: Answer("The version with its figures.", {JSON: _OBJECT})},
        words="422 where its numbers are not those that were kept; such a version is never used.",
        parameters=(_NUMBER,),
        problems=(404, 406, 422),
    )
)
def compare_version(number: int) -> Response:
    """Compare a version."""
    query_values()
    desk = _desk()
    return json_answer({**version_value(desk.models.get(number)), "figures": desk.compare(number)})


@resources.get("/api/teaching/versions/<int:number>/figures")
@needs(READ)
@described(
    Operation(
        "figuresOfVersion",
        "teaching",
        "What was measured of a version when it was taught, and what it was taught from",
        {200: Answer("The figures.", {JSON: _VERSION_FIGURES})},
        words=(
            "'report' has the papers that the shipped model sits too; 'own' the author's families; "
            "'statements' the author's labels and examples, each judged by what the others taught. "
            "404 where the version was taught before this was kept."
        ),
        parameters=(_NUMBER,),
        problems=(404, 406, 422),
    )
)
def version_figures(number: int) -> Response:
    """What was measured of a version."""
    query_values()
    try:
        report = _desk().report(number)
    except FiguresError as error:
        raise Problem(422, f"What was measured of version {number} cannot be used: {error}.") from (
            None
        )
    if report is None:
        raise Problem(
            404, f"Version {number} was taught before figures were kept; retrain to have them."
        )
    return json_answer(report_value(report))


@resources.post("/api/teaching/choice")
@needs(WRITE)
@described(
    Operation(
        "chooseVersion",
        "teaching",
        "Accept a version or return to one, 0 being the shipped model; repertoires are judged anew",
        {
            202: Answer(
                "The choice, and the jobs that judge the repertoires.",
                {
                    JSON: {
                        "type": "object",
                        "required": ["choice", "jobs"],
                        "properties": {
                            "choice": _CHOICE,
                            "jobs": {"type": "array", "items": JOB},
                        },
                    }
                },
            )
        },
        words=(
            "'expected' is the number of the choice that you have seen; where there is a newer "
            "one, 409 tells it and nothing is changed."
        ),
        body={
            JSON: {
                "type": "object",
                "required": ["version"],
                "properties": {
                    "version": {"type": "integer", "minimum": 0, "maximum": 999_999_999},
                    "expected": {"type": "integer", "minimum": 0, "maximum": 999_999_999},
                },
                "additionalProperties": False,
            }
        },
        problems=(404, 406, 409, 422),
    )
)
def choose_version() -> Response:
    """Use another version."""
    query_values()
    fields = Fields(json_object())
    version = fields.number("version", 0, 999_999_999)
    expected = fields.number("expected", 0, 999_999_999)
    if version is None and not fields.faults:
        fields.faults.append("version is missing")
    fields.done()
    assert version is not None
    desk = _desk()
    # Refused here where it cannot be used, if only after the next start.
    desk.version(version, stored=True)
    try:
        choice = desk.models.choose(version, author=caller().name, expected_choice=expected)
    except StaleChoice as error:
        raise Problem(409, f"{error}.", choice=choice_value(error.current)) from None
    shared = repertoires()
    jobs = [shared.judging.add(stored.id) for stored in desk.repertoires.list()]
    shared.runner.wake()
    return json_answer(
        {"choice": choice_value(choice), "jobs": [job_value(job) for job in jobs]}, 202
    )


@resources.post("/api/teaching/versions/<int:number>/reject")
@needs(WRITE)
@described(
    Operation(
        "rejectVersion",
        "teaching",
        "Put a proposed version aside; it stays, and can still be chosen",
        {200: Answer("The version.", {JSON: _VERSION})},
        parameters=(_NUMBER,),
        problems=(404, 406, 422),
    )
)
def reject_version(number: int) -> Response:
    """Reject a version."""
    query_values()
    no_body()
    return json_answer(version_value(_desk().models.reject(number)))
