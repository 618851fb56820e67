"""Answers: JSON, or a table in the form that the caller accepts, streamed."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from flask import Response, request

from pawnlore.service.api.describe import JSON
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.tables import MEDIA, chosen_form, streamed

Row = Mapping[str, Any]


def as_json(value: Any) -> str:
    """A value as JSON."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def json_answer(
    value: Any, status: int = 200, headers: Mapping[str, str] | None = None
) -> Response:
    """A JSON answer; raises `Problem` 406 where the caller accepts none."""
    if "Accept" in request.headers and not request.accept_mimetypes.best_match([JSON]):
        raise Problem(406, f"This is given as {JSON} alone; accept that.")
    response = Response(as_json(value), status, content_type=JSON)
    if headers:
        response.headers.update(headers)
    return response


def table_answer(
    columns: Sequence[str], rows: Iterable[Row], *, more: Mapping[str, Any] | None = None
) -> Response:
    """A table in the form that the caller wants, written as the rows come.

    In JSON it is an object whose ``items`` are the rows, beside the members of
    ``more``; CSV has ``columns`` only.
    """
    form = chosen_form()
    if form == "csv":
        return streamed(csv_text(columns, rows), "text/csv; charset=utf-8; header=present")
    if form == "jsonl":
        return streamed((as_json(row) + "\n" for row in rows), MEDIA[form])
    return streamed(_json_text(rows, more or {}), MEDIA[form])


def csv_text(columns: Sequence[str], rows: Iterable[Row]) -> Iterator[str]:
    r"""CSV of some columns, a line at a time (RFC 4180, with a line feed at the end).

    >>> list(csv_text(("a", "b"), [{"a": True, "b": [1, "x"]}]))
    ['a,b\n', 'yes,1 x\n']
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    yield _taken(out)
    for row in rows:
        writer.writerow([_cell(row.get(column)) for column in columns])
        yield _taken(out)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.4f}"
    if isinstance(value, list):
        return " ".join(map(str, value))
    return str(value)


def _taken(out: io.StringIO) -> str:
    text = out.getvalue()
    out.seek(0)
    out.truncate()
    return text


def _json_text(rows: Iterable[Row], more: Mapping[str, Any]) -> Iterator[str]:
    yield "{" + "".join(f"{as_json(key)}:{as_json(value)}," for key, value in more.items())
    yield '"items":['
    between = ""
    for row in rows:
        yield between + as_json(row)
        between = ","
    yield "]}\n"
