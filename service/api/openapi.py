"""``/api/openapi.json``: the description of the whole API (OpenAPI 3.1).

It is put together from what stands at each view (`describe`), so a view that
is not described is not in it; a test finds such a view.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from http import HTTPStatus
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from flask import Blueprint, Flask, Response, current_app

from pawnlore.service.access.needs import NOTHING, READ, Needs, needs, needs_of, students_may
from pawnlore.service.api.answers import json_answer
from pawnlore.service.api.describe import (
    JSON,
    Answer,
    Operation,
    Parameter,
    described,
    operation_of,
    ref,
)
from pawnlore.service.api.formats import FORMATS
from pawnlore.service.api.problems import CONTENT_TYPE
from pawnlore.service.api.request_values import query_values
from pawnlore.service.api.schemas import SCHEMAS
from pawnlore.service.running import parts_of

resources = Blueprint("api-openapi", __name__)

METHODS = ("GET", "POST", "PUT", "PATCH", "DELETE")
"""Methods that are described; HEAD and OPTIONS follow from the others."""

EVERYWHERE = (400, 401, 403, 413, 421, 503)
"""Errors that any operation can answer with: of the request's form, access, size and store."""

WITH_BODY = (408, 415)
"""Errors of operations that take a body."""

_WORDS = "\n".join(
    (
        "From a position to what it is, whose it is, and what to do.",
        "",
        "Formats of texts that no pattern can describe:",
        "",
        *(f"* {name}: {words}" for name, words in FORMATS.items()),
    )
)
_PART = re.compile(r"<(?:[a-z_]+(?:\([^)]*\))?:)?([A-Za-z_]+)>")
_TAGS = {
    "classify": "What the structure of a position is, and whose.",
    "plans": "What to do in a position: the author's notes, or the next best.",
    "diagrams": "Positions as pictures.",
    "structures": "The structures with their definitions.",
    "notes": "The author's plan notes, with every revision.",
    "repertoires": "The author's repertoires, and all that is computed on them.",
    "surveys": "Answers of surveys of games that were kept, and what they are beside repertoires.",
    "jobs": "Long work, such as uploads: how far it is and what came of it.",
    "labels": "The author's own verdicts, which decide before core and classifier.",
    "teaching": "The author's own families, retraining, and versions of the model.",
    "model": "The model that gives the verdicts.",
    "service": "The service itself.",
}


@resources.get("/api/openapi.json")
@students_may()
@needs(READ)
@described(
    Operation(
        "openapi",
        "service",
        "This description",
        {200: Answer("An OpenAPI 3.1 document.", {JSON: {"type": "object"}})},
        problems=(406,),
    )
)
def openapi() -> Response:
    """The description of the API."""
    query_values()
    return json_answer(document(current_app))


def document(app: Flask) -> dict[str, Any]:
    """The OpenAPI document of an application, as plain values."""
    paths: dict[str, dict[str, Any]] = {}
    alone = not parts_of(app).settings.needs_sign_in
    used: set[str] = set()
    for address, method, endpoint in operations(app):
        view = app.view_functions[endpoint]
        found = operation_of(view)
        if found is None:
            continue
        paths.setdefault(address, {})[method] = _operation(
            found, needs_of(view, method.upper()), alone=alone
        )
        used.add(found.tag)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Pawnlore",
            "version": _version(),
            "description": _WORDS,
            "license": {"name": "GPL-3.0-or-later", "identifier": "GPL-3.0-or-later"},
        },
        # Addresses are relative to where this document was read.
        "servers": [{"url": "/"}],
        "tags": [{"name": tag, "description": _TAGS.get(tag, tag)} for tag in sorted(used)],
        "paths": dict(sorted(paths.items())),
        "components": {
            "schemas": dict(SCHEMAS),
            "responses": {"Problem": _problem()},
            "securitySchemes": {
                "token": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "A token of 'pawnlore access'. An operation names the right "
                    "that the token must have; 'write' holds 'read' too. A single author at the "
                    "machine itself needs none.",
                },
                "link": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "The last part of a student link. It reaches the operations "
                    "that name it; those with the right 'its-repertoire' only for the repertoire "
                    "that the link is for. Students see no draft, and nothing that is owed or "
                    "labelled.",
                },
                "cookie": {
                    "type": "apiKey",
                    "in": "cookie",
                    "name": str(app.config["SESSION_COOKIE_NAME"]),
                    "description": "What a browser gets at /sign-in.",
                },
            },
        },
    }


def operations(app: Flask) -> Iterator[tuple[str, str, str]]:
    """Every operation of the API: address, method in small letters, endpoint."""
    for rule in app.url_map.iter_rules():
        if rule.rule.startswith("/api/"):
            address = _PART.sub(r"{\1}", rule.rule)
            for method in METHODS:
                if method in (rule.methods or ()):
                    yield address, method.lower(), rule.endpoint


def _security(needs: Needs, *, alone: bool) -> list[dict[str, list[str]]]:
    """Who may use an operation: one of these is enough.

    The lists name rights, as OpenAPI 3.1 allows for schemes without scopes.
    ``alone`` is whether an author at the machine itself needs no sign-in.
    """
    if needs.right == NOTHING:
        return []
    ways: list[dict[str, list[str]]] = [{}] if alone else []
    ways += [{"token": [needs.right]}, {"cookie": [needs.right]}]
    if needs.students:
        ways.append({"link": ["its-repertoire"] if needs.argument else []})
    return ways


def _operation(operation: Operation, needs: Needs, *, alone: bool) -> dict[str, Any]:
    value: dict[str, Any] = {
        "operationId": operation.id,
        "tags": [operation.tag],
        "summary": operation.summary,
    }
    if operation.words:
        value["description"] = operation.words
    if operation.parameters:
        value["parameters"] = [_parameter(one) for one in operation.parameters]
    if operation.body:
        value["requestBody"] = {
            "required": operation.body_needed,
            "content": {media: {"schema": schema} for media, schema in operation.body.items()},
        }
    value["security"] = _security(needs, alone=alone)
    answers = {str(status): _answer(answer) for status, answer in operation.answers.items()}
    statuses = {*EVERYWHERE, *operation.problems}
    if operation.body:
        statuses.update(WITH_BODY)
    for status in sorted(statuses):
        answers[str(status)] = {"$ref": "#/components/responses/Problem"}
    value["responses"] = answers
    return value


def _parameter(parameter: Parameter) -> dict[str, Any]:
    return {
        "name": parameter.name,
        "in": parameter.place,
        "required": parameter.needed,
        "description": parameter.words,
        "schema": dict(parameter.schema),
    }


def _answer(answer: Answer) -> dict[str, Any]:
    value: dict[str, Any] = {"description": answer.words}
    if answer.content:
        value["content"] = {
            media: {"schema": dict(schema)} for media, schema in answer.content.items()
        }
    if answer.headers:
        value["headers"] = {
            name: {"description": words, "schema": {"type": "string"}}
            for name, words in answer.headers.items()
        }
    return value


def _problem() -> dict[str, Any]:
    return {
        "description": f"What went wrong, in words ({HTTPStatus(400).phrase} and others).",
        "content": {CONTENT_TYPE: {"schema": dict(ref("Problem"))}},
    }


def _version() -> str:
    try:
        return version("pawnlore")
    except PackageNotFoundError:
        return "0"
