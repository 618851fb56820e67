"""How a view is described where it stands, so that the description cannot be forgotten.

`pawnlore.service.api.openapi` puts the descriptions of all views together.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

Schema = Mapping[str, Any]
"""A JSON Schema, or a reference to one: ``ref("Verdict")``."""

JSON = "application/json"
CSV = "text/csv"
JSON_LINES = "application/jsonl"
TABLES = (JSON, CSV, JSON_LINES)
"""The forms in which a table can be asked for."""

View = TypeVar("View", bound=Callable[..., Any])

_ATTRIBUTE = "pawnlore_operation"


@dataclass(frozen=True)
class Parameter:
    """A parameter; ``place`` is ``query``, ``path`` or ``header``."""

    name: str
    place: str
    schema: Schema
    words: str
    needed: bool = False


@dataclass(frozen=True)
class Answer:
    """What a status brings: media types with schemas (none for no body), and headers."""

    words: str
    content: Mapping[str, Schema] = field(default_factory=dict)
    headers: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Operation:
    """One operation of the API.

    ``body`` holds a schema for each media type that is taken. ``problems`` are
    the error statuses that this operation can answer with besides those that
    every one can.
    """

    id: str
    tag: str
    summary: str
    answers: Mapping[int, Answer]
    words: str = ""
    parameters: tuple[Parameter, ...] = ()
    body: Mapping[str, Schema] = field(default_factory=dict)
    body_needed: bool = True
    problems: tuple[int, ...] = ()


def described(operation: Operation) -> Callable[[View], View]:
    """Describe a view; stands below its route, like `pawnlore.service.access.needs.needs`."""

    def mark(view: View) -> View:
        setattr(view, _ATTRIBUTE, operation)
        return view

    return mark


def operation_of(view: Callable[..., Any]) -> Operation | None:
    """The description of a view, if it has one."""
    found = getattr(view, _ATTRIBUTE, None)
    return found if isinstance(found, Operation) else None


def ref(name: str) -> Schema:
    """A reference to a schema of the document.

    >>> ref("Verdict")
    {'$ref': '#/components/schemas/Verdict'}
    """
    return {"$ref": f"#/components/schemas/{name}"}


def query(name: str, schema: Schema, words: str, *, needed: bool = False) -> Parameter:
    """A parameter of the query string."""
    return Parameter(name, "query", schema, words, needed)


FORMAT = query(
    "format",
    {"enum": ["json", "csv", "jsonl"]},
    "The form of the table; it goes before what the header Accept says.",
)
"""The parameter of every table."""


def path(name: str, words: str, schema: Schema | None = None) -> Parameter:
    """A part of the address."""
    return Parameter(name, "path", schema or {"type": "string", "minLength": 1}, words, True)


def header(name: str, words: str, *, needed: bool = False) -> Parameter:
    """A header of the request."""
    return Parameter(name, "header", {"type": "string"}, words, needed)


def table(schema: Schema) -> Mapping[str, Schema]:
    """The content of an answer that is a table: JSON of this schema, CSV or JSON Lines."""
    return {JSON: schema, CSV: {"type": "string"}, JSON_LINES: {"type": "string"}}
