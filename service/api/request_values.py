"""What a request brings, checked: query parameters, fields of a JSON object, a page."""

from __future__ import annotations

from typing import Any, NamedTuple, NoReturn

from flask import request

from pawnlore.service.api.describe import Parameter, query
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.tables import LARGEST_PAGE, PAGE, chosen_form

PAGING = (
    query(
        "limit",
        {"type": "integer", "minimum": 1, "maximum": LARGEST_PAGE, "default": PAGE},
        "How many entries at most.",
    ),
    query(
        "cursor",
        {"type": "string", "pattern": "^[0-9]{1,9}$"},
        "Where to go on: the value of 'next' of the page before.",
    ),
)
"""The parameters of every list."""

_DETAIL = 2000
_TRUTH = {"true": True, "false": False}


class Page(NamedTuple):
    """Which part of a list is asked for: at most ``limit`` entries after ``after``."""

    limit: int
    after: int


def query_values(*parameters: Parameter) -> dict[str, str]:
    """The query parameters of the request at hand by name, with defaults.

    Raises `Problem` 400 for one that is unknown, given twice, missing or longer
    than its schema has it.
    """
    known = {one.name: one for one in parameters if one.place == "query"}
    faults = [
        f"there is no parameter {name[:60]!r}; there are {', '.join(known) or 'none'}"
        for name in request.args
        if name not in known
    ]
    values: dict[str, str] = {}
    for name, one in known.items():
        given = request.args.getlist(name)
        if len(given) > 1:
            faults.append(f"{name} is given {len(given)} times")
        elif given and len(given[0]) > int(one.schema.get("maxLength", 10_000)):
            faults.append(f"{name} is longer than {one.schema.get('maxLength', 10_000)} characters")
        elif given:
            values[name] = given[0]
        elif one.needed:
            faults.append(f"{name} is missing")
    if faults:
        invalid(faults)
    return values


def flag(values: dict[str, str], name: str, default: bool = False) -> bool:
    """A query parameter that is ``true`` or ``false``."""
    text = values.get(name)
    if text is None:
        return default
    if text not in _TRUTH:
        invalid([f"{name} must be true or false, not {text[:60]!r}"])
    return _TRUTH[text]


def page(values: dict[str, str]) -> Page:
    """Which page is asked for."""
    limit = _number(values, "limit", PAGE, 1, LARGEST_PAGE)
    return Page(limit, _number(values, "cursor", 0, 0, 999_999_999))


def page_of_json(values: dict[str, str]) -> Page | None:
    """Which page is asked for; none where all of a table is, because its form has no pages."""
    wanted = page(values)
    return wanted if chosen_form() == "json" else None


def no_body() -> None:
    """Refuse a body where none is expected; it would be ignored, and something lost."""
    if request.content_length:
        raise Problem(415, "This address takes no body; leave it out.")


class Fields:
    """The fields of a JSON object, taken one by one; `done` names what is wrong."""

    def __init__(self, body: dict[str, Any]) -> None:
        self._body = body
        self._taken: list[str] = []
        self.faults: list[str] = []

    def text(self, name: str, *, needed: bool = False, most: int = 100_000) -> str:
        """A text; empty where it is missing."""
        value = self._take(name, needed)
        if value is None:
            return ""
        if not isinstance(value, str):
            self.faults.append(f"{name} must be a text")
            return ""
        if len(value) > most:
            self.faults.append(f"{name} has {len(value):,} characters; at most {most:,} fit")
            return ""
        return value

    def flag(self, name: str) -> bool | None:
        """True, false, or none where it is missing."""
        value = self._take(name, False)
        if value is not None and not isinstance(value, bool):
            self.faults.append(f"{name} must be true or false")
            return None
        return value

    def number(self, name: str, least: int, most: int) -> int | None:
        """A whole number, or none where it is missing."""
        value = self._take(name, False)
        # RFC 8259 knows no difference between 1 and 1.0.
        if isinstance(value, float) and value.is_integer():
            value = int(value)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            self.faults.append(f"{name} must be a whole number from {least} to {most:,}")
            return None
        return value

    def texts(self, name: str, most: int) -> list[str]:
        """A list of texts, which must be there; raises `Problem` 413 beyond ``most``."""
        value = self._take(name, True)
        if not isinstance(value, list) or not all(isinstance(entry, str) for entry in value):
            if name in self._body:
                self.faults.append(f"{name} must be a list of texts")
            return []
        if len(value) > most:
            raise Problem(
                413,
                f"{name} has {len(value):,} entries; at most {most:,} fit. Send it in parts.",
                kind="too-large",
            )
        return value

    def done(self) -> None:
        """Raise `Problem` 400 where a field is wrong, missing or unknown."""
        self.faults += [
            f"there is no field {name[:60]!r}; there are {', '.join(self._taken)}"
            for name in self._body
            if name not in self._taken
        ]
        if self.faults:
            invalid(self.faults)

    def _take(self, name: str, needed: bool) -> Any:
        self._taken.append(name)
        if name not in self._body:
            if needed:
                self.faults.append(f"{name} is missing")
            return None
        value = self._body[name]
        if value is None:
            self.faults.append(f"{name} is null; leave it out instead")
        return value


def invalid(faults: list[str], status: int = 400) -> NoReturn:
    """Raise the `Problem` that names what is wrong with a request."""
    detail = "; ".join(faults)
    if len(detail) > _DETAIL:
        detail = detail[:_DETAIL] + "…"
    raise Problem(status, f"This cannot be used: {detail}.", kind="invalid", errors=faults[:100])


def _number(values: dict[str, str], name: str, default: int, least: int, most: int) -> int:
    text = values.get(name)
    if text is None:
        return default
    if text.isascii() and text.isdigit() and len(text) < 10 and least <= int(text) <= most:
        return int(text)
    invalid([f"{name} must be a whole number from {least} to {most:,}, not {text[:60]!r}"])
