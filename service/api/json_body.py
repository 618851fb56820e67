"""JSON bodies: bounded, and free of what neither a database nor a file could keep."""

from __future__ import annotations

import json
import re
from typing import Any, NoReturn

from flask import request

from pawnlore.service.api.problems import Problem
from pawnlore.service.running import running
from pawnlore.service.settings import ServiceLimits

_STRING_OR_BRACKET = re.compile(r'"(?:[^"\\]|\\.)*"?|[\[{]|[\]}]|,', re.S)
_UNKEPT = re.compile("[\ud800-\udfff\0]")


def json_object() -> dict[str, Any]:
    """The body of the request at hand, which must be a JSON object."""
    body = json_body()
    if not isinstance(body, dict):
        raise Problem(400, "The body must be a JSON object, in braces.", kind="invalid")
    return body


def json_body() -> Any:
    """The body of the request at hand, which must be JSON.

    Raises `Problem`: 415 for another media type, 400 for what is no JSON, 413
    beyond a limit.
    """
    plain_body()
    if not request.is_json:
        raise Problem(
            415, "Send the body as application/json.", headers={"Accept": "application/json"}
        )
    return parse_json(request.get_data(cache=False), running().settings.limits)


def plain_body() -> None:
    """Refuse a compressed body: it would be taken for what it unpacks to, or unpack to too much.

    Raises `Problem` 415, with what is taken instead (RFC 9110, section 12.5.3).
    """
    coding = request.headers.get("Content-Encoding", "").strip().lower()
    if coding not in ("", "identity"):
        raise Problem(
            415,
            "Send the body as it is, without a Content-Encoding.",
            headers={"Accept-Encoding": "identity"},
        )


def parse_json(data: bytes, limits: ServiceLimits) -> Any:
    """Read JSON (RFC 8259) from a caller; raises `Problem`.

    >>> parse_json(b'{"fen": "8/8"}', ServiceLimits())
    {'fen': '8/8'}
    """
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        _invalid(f"it is not UTF-8 at byte {error.start}")
    _check_bounds(text, limits)
    try:
        value = json.loads(text, parse_constant=_no_constant, object_pairs_hook=_distinct)
    except json.JSONDecodeError as error:
        _invalid(f"{error.msg} at line {error.lineno}, column {error.colno}")
    except ValueError as error:
        # A number with thousands of digits.
        _invalid(str(error))
    _check_texts(value)
    return value


def _check_bounds(text: str, limits: ServiceLimits) -> None:
    """Look at depth and count before anything is built."""
    depth, values = 0, 1
    for found in _STRING_OR_BRACKET.finditer(text):
        sign = found[0][0]
        if sign == ",":
            values += 1
        elif sign in "[{":
            depth += 1
            values += 1
        elif sign in "]}":
            depth -= 1
        if depth > limits.json_depth:
            raise Problem(
                413,
                f"The JSON is nested more than {limits.json_depth} deep.",
                kind="too-large",
            )
        if values > limits.json_values:
            raise Problem(
                413,
                f"The JSON holds more than {limits.json_values:,} values; send it in parts.",
                kind="too-large",
            )


def _check_texts(value: Any) -> None:
    if isinstance(value, str):
        if _UNKEPT.search(value):
            _invalid("a text holds a null character or half of a character pair")
    elif isinstance(value, list):
        for entry in value:
            _check_texts(entry)
    elif isinstance(value, dict):
        for key, entry in value.items():
            _check_texts(key)
            _check_texts(entry)


def _distinct(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        # Which of the two is meant, programs read differently (RFC 8259, section 4).
        raise ValueError("a name stands twice in one object")
    return found


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no JSON value")


def _invalid(what: str) -> NoReturn:
    raise Problem(400, f"The body cannot be read as JSON: {what}.", kind="invalid")
