"""Formats of texts that no pattern can describe, for the schemas of the API.

JSON Schema leaves room for formats of one's own (2020-12, Validation, section
7.2.3). A tester or a client that knows them can make such texts; one that does
not takes them as annotations.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

FORMATS: Mapping[str, str] = {
    "position": (
        "a FEN, an EPD or a bare piece placement; with kings it must be a position that a game "
        "can reach, as far as kings, counts of pieces and checks tell"
    ),
    "plan-note": (
        "a plan note: a TOML header between two lines '+++' with at least structure, holder, "
        "side and title, then CommonMark"
    ),
    "own-structure": "a structure of the author's own: 'own/' and at least one sign",
    "one-line": "signs that can be shown, without a line break",
    "moves": "moves from the beginning of the repertoire's games, as '1. d4 d5 2. c4'",
}
"""What a text of each format holds."""


KEPT = "^[^\\u0000]*$"
"""The pattern of a text that every database can hold: it has no null character."""


def kept_text(most: int = 0) -> dict[str, Any]:
    """The schema of any text that can be kept.

    >>> kept_text(200)["maxLength"]
    200
    """
    schema: dict[str, Any] = {"type": "string", "pattern": KEPT}
    return {**schema, "maxLength": most} if most else schema


def formatted(name: str, *, least: int = 0, most: int = 0, **more: Any) -> dict[str, Any]:
    """The schema of a text of one of these formats.

    >>> formatted("one-line", most=200)
    {'type': 'string', 'format': 'one-line', 'maxLength': 200}
    """
    if name not in FORMATS:
        raise ValueError(f"there is no format {name!r}")
    schema: dict[str, Any] = {"type": "string", "format": name}
    if least:
        schema["minLength"] = least
    if most:
        schema["maxLength"] = most
    return {**schema, **more}
