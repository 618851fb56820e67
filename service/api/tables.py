"""Long tables over HTTP: JSON in pages, or all of it as CSV or JSON Lines.

The caller chooses with ``format=json|csv|jsonl`` in the address, or else with
the header Accept. A page is ``{"items": [...], "next": ..., "total":
...}``; ``next`` is what to give as ``cursor`` for the page after it, null at the
end.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import chain, islice
from typing import Any, NoReturn
from urllib.parse import urlencode
from zlib import crc32

from flask import Response, request

from pawnlore.service.api.describe import CSV, FORMAT, JSON, JSON_LINES, Schema, query, table
from pawnlore.service.api.problems import Problem

MEDIA = {"json": JSON, "csv": CSV, "jsonl": JSON_LINES}
"""The forms, and their media types: RFC 8259, RFC 4180 and the custom of JSON Lines."""

PAGE, LARGEST_PAGE = 100, 1000
"""Rows on one page: where nobody says, and at most."""


LONG_PAGING = (
    FORMAT,
    query(
        "limit",
        {"type": "integer", "minimum": 1, "maximum": LARGEST_PAGE, "default": PAGE},
        "How many rows a page of JSON has at most; CSV and JSON Lines hold all of them.",
    ),
    query(
        "cursor",
        {"type": "string", "pattern": r"^[0-9A-Za-z]{1,80}\.[0-9]{1,9}$"},
        "Where to go on: the value of 'next' of the page before.",
    ),
)
"""The parameters of every long table."""

_CHUNK = 64 * 1024
_PAGE_VALUES = ("limit", "cursor", "format")


@dataclass(frozen=True)
class LongTable:
    """A table: its rows as JSON, one a line, from some row on; and all of it as CSV.

    ``tag`` is another text when the rows may be others, so that pages of what has
    changed in between are never mixed up; it need not tell what was asked for.
    ``total`` is the number of rows.
    """

    tag: str
    lines: Callable[[int], Iterator[str]]
    csv: Callable[[], Iterator[str]]
    total: int


def long_schema(columns: Mapping[str, Schema]) -> Mapping[str, Schema]:
    """The content of an answer that is such a table, for its description."""
    row: dict[str, Any] = {"type": "object", "properties": dict(columns)}
    page = {
        "type": "object",
        "required": ["items", "next", "total"],
        "properties": {
            "items": {"type": "array", "items": row},
            "next": {"type": ["string", "null"]},
            "total": {"type": "integer", "minimum": 0},
        },
    }
    return table(page)


def from_the_first(lines: Callable[[], Iterator[str]]) -> Callable[[int], Iterator[str]]:
    """Rows from some row on, where they can only be had from the first."""
    return lambda first: islice(lines(), first, None)


def long_table_answer(found: LongTable, values: Mapping[str, str]) -> Response:
    """The answer in the form that the caller accepts; raises `Problem`."""
    form = chosen_form()
    # What is wrong is told in every form, also where no page is made.
    limit = whole_number(values, "limit", PAGE, most=LARGEST_PAGE)
    tag = f"{found.tag}{_asked(values)}"
    first = _place(tag, values.get("cursor"))
    if form == "csv":
        return streamed(found.csv(), "text/csv; charset=utf-8; header=present")
    if form == "jsonl":
        return streamed(found.lines(0), JSON_LINES)
    return _page(found, values, tag, first, limit)


def chosen_form() -> str:
    """``json``, ``csv`` or ``jsonl``; raises `Problem` 400 or 406 for anything else."""
    named = request.args.get("format")
    if named is not None:
        if named not in MEDIA:
            _invalid("format must be json, csv or jsonl")
        return named
    # Without the header, anything is accepted (RFC 9110, section 12.5.1).
    if "Accept" not in request.headers:
        return "json"
    # Both names of JSON Lines are in use.
    names = {media: form for form, media in MEDIA.items()} | {"application/x-ndjson": "jsonl"}
    best = request.accept_mimetypes.best_match(list(names))
    if best is None:
        raise Problem(406, f"There are {', '.join(MEDIA.values())}, and none that you accept.")
    return names[best]


def streamed(pages: Iterable[str], content_type: str, name: str = "") -> Response:
    """A long text, sent while it is made; with ``name``, to be kept as a file.

    The beginning is made at once, so that what goes wrong there is told as a
    problem.
    """
    parts = _chunks(pages)
    first = next(parts, b"")
    response = Response(chain((first,), parts), content_type=content_type)
    response.headers["Vary"] = "Accept"
    if name:
        response.headers.set("Content-Disposition", "attachment", filename=name)
    return response


def whole_number(
    values: Mapping[str, str], name: str, default: int, *, least: int = 1, most: int
) -> int:
    """A whole number among the query's values; raises `Problem` 400."""
    text = values.get(name)
    if text is None:
        return default
    if text.isascii() and text.isdecimal() and len(text) < 16 and least <= int(text) <= most:
        return int(text)
    _invalid(f"{name} must be a whole number from {least:,} to {most:,}, not {text[:60]!r}")


def _page(
    found: LongTable, values: Mapping[str, str], tag: str, first: int, limit: int
) -> Response:
    rows = list(islice(found.lines(first), limit + 1))
    after = f"{tag}.{first + limit}" if len(rows) > limit else None
    body = ",\n".join(row.rstrip("\n") for row in rows[:limit])
    # A cursor is made of letters, digits and a dot, so it needs no escaping.
    told = "null" if after is None else f'"{after}"'
    text = f'{{"items": [{body}], "next": {told}, "total": {found.total}}}\n'
    response = Response(text.encode("utf-8", "replace"), content_type=JSON)
    response.headers["Vary"] = "Accept"
    if after is not None:
        # RFC 8288: a link to the page after this one.
        link = urlencode({**values, "cursor": after})
        response.headers["Link"] = f'<{request.path}?{link}>; rel="next"'
    return response


def _asked(values: Mapping[str, str]) -> str:
    """Another text for another table or another choice of its rows."""
    chosen = sorted((name, text) for name, text in values.items() if name not in _PAGE_VALUES)
    return f"{crc32(repr((request.path, chosen)).encode('utf-8', 'replace')):08x}"


def _place(tag: str, cursor: str | None) -> int:
    if cursor is None:
        return 0
    of, dot, place = cursor.rpartition(".")
    if not dot or not (place.isascii() and place.isdecimal()) or len(place) > 9:
        _invalid("cursor must be the 'next' of an earlier page")
    if of != tag:
        _invalid("cursor belongs to what has changed since; begin again without it")
    return int(place)


def _invalid(fault: str) -> NoReturn:
    raise Problem(400, f"{fault[:1].upper()}{fault[1:]}.", kind="invalid", errors=[fault])


def _chunks(pages: Iterable[str]) -> Iterator[bytes]:
    """Pieces of a good size: a row at a time would cost a call of the server's each."""
    waiting, size = [], 0
    for page in pages:
        waiting.append(page)
        size += len(page)
        if size >= _CHUNK:
            yield "".join(waiting).encode("utf-8", "replace")
            waiting, size = [], 0
    if waiting:
        yield "".join(waiting).encode("utf-8", "replace")
