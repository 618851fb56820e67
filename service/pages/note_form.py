"""The form of the note editor: from a note to its fields, and from what was typed to a note."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pawnlore.service.note_writing import NoteFields

FILES = "abcdefgh"
FILE_STATES = (
    ("", "any"),
    ("open", "open"),
    ("half-open white", "half-open for White"),
    ("half-open black", "half-open for Black"),
)
"""What the form can ask of a file."""

BISHOPS = ("white light", "white dark", "black light", "black dark")
"""The bishops that the form can ask for."""

_SEPARATORS = re.compile(r"[\s,;]+")
_NUMBER = re.compile(r"^\d{1,4}\.+")
_FIELDS = ("title", "structure", "holder", "side", "squares", "moves", "model_line", "chapter")


@dataclass(frozen=True)
class NoteForm:
    """What stands in the form, as typed.

    ``text`` is the whole note where it is edited as text (``as_text``).
    ``revision`` is the one that was read, 0 for a new note; ``draft`` names
    what the browser keeps of it.
    """

    values: Mapping[str, str] = field(default_factory=dict)
    bishops: tuple[str, ...] = ()
    published: bool = True
    as_text: bool = False
    text: str = ""
    revision: int = 0
    fen: str = ""
    draft: str = ""

    def __getitem__(self, name: str) -> str:
        return self.values.get(name, "")


def form_of(fields: NoteFields, **more: Any) -> NoteForm:
    """The form that shows a note's fields."""
    when = fields.when
    pawns = [str(one).partition(" ") for one in when.get("pawn", ())]
    values = {
        "title": fields.title,
        "structure": fields.structure,
        "holder": fields.holder,
        "side": fields.side,
        "squares": " ".join(fields.squares),
        "moves": " ".join(fields.moves),
        "model_line": fields.model_line,
        "chapter": fields.chapter,
        "body": fields.body.replace("\r\n", "\n").strip("\n"),
        "when_queens": str(when.get("queens", "")),
        "when_castling": str(when.get("castling", "")),
        "when_chapter": str(when.get("chapter", "")),
    }
    for side in ("white", "black"):
        squares = [square for whose, _, square in pawns if whose == side]
        values[f"when_pawns_{side}"] = " ".join(squares)
    for text in when.get("file", ()):
        letter, _, state = str(text).partition(" ")
        values[f"when_file_{letter}"] = state
    moves = list(when.get("moves", ()))
    if len(moves) == 2:
        values["when_from"], values["when_to"] = str(moves[0]), str(moves[1])
    return NoteForm(values, tuple(map(str, when.get("bishops", ()))), **more)


def fields_of_form(form: NoteForm) -> NoteFields:
    """What was typed as the fields of a note; what cannot be is left for `parse_note` to tell."""
    when: dict[str, Any] = {
        "queens": form["when_queens"],
        "castling": form["when_castling"],
        "pawn": [
            f"{side} {square}"
            for side in ("white", "black")
            for square in words(form[f"when_pawns_{side}"])
        ],
        "file": [f"{one} {form[f'when_file_{one}']}" for one in FILES if form[f"when_file_{one}"]],
        "bishops": [one for one in BISHOPS if one in form.bishops],
        "moves": _move_numbers(form["when_from"], form["when_to"]),
        "chapter": form["when_chapter"].strip(),
    }
    return NoteFields(
        structure=form["structure"],
        holder=form["holder"],
        side=form["side"],
        title=form["title"].strip(),
        body=form["body"],
        when={key: value for key, value in when.items() if value},
        squares=tuple(words(form["squares"])),
        moves=tuple(move for one in words(form["moves"]) if (move := _NUMBER.sub("", one))),
        model_line=form["model_line"].strip(),
        chapter=form["chapter"].strip(),
    )


def fits_the_form(fields: NoteFields) -> bool:
    """Whether the form shows all that a note says; else it is edited as text."""
    there_and_back = fields_of_form(form_of(fields))
    return _all(there_and_back) == _all(fields)


def words(text: str) -> list[str]:
    """The entries of a list that was typed, with any of the usual marks between them.

    >>> words(" d5, e5; c4 ")
    ['d5', 'e5', 'c4']
    """
    return [word for word in _SEPARATORS.split(text) if word]


def faults_by_field(messages: Iterable[str]) -> dict[str, str]:
    """What is wrong, by the field where it is put right; the rest under an empty name.

    >>> faults_by_field(["title is missing", "when: moves must be two move numbers"])
    {'title': 'title is missing', 'when': 'moves must be two move numbers'}
    """
    found: dict[str, list[str]] = {}
    for message in messages:
        first = re.split(r"[\s:]", message, maxsplit=1)[0]
        name = first if first in (*_FIELDS, "when") else ""
        if message.startswith("there is no text after"):
            name, message = "body", "the plan has no words yet"
        shown = message.removeprefix(f"{name}: ") if name else message
        found.setdefault(name, []).append(shown)
    return {name: "; ".join(listed) for name, listed in found.items()}


def _move_numbers(first: str, last: str) -> list[Any]:
    first, last = first.strip(), last.strip()
    if not first and not last:
        return []
    # A number that is missing or none stays as typed, and is told as a fault.
    return [_number(first or "1"), _number(last)]


def _number(text: str) -> int | str:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else text


def _all(fields: NoteFields) -> tuple[Any, ...]:
    when = {
        key: sorted(value) if isinstance(value, list) and key != "moves" else value
        for key, value in fields.when.items()
    }
    lines: Sequence[str] = (fields.title, fields.model_line, fields.chapter)
    return (
        fields.structure,
        fields.holder,
        fields.side,
        tuple(" ".join(line.split()) for line in lines),
        when,
        fields.squares,
        fields.moves,
        fields.body.replace("\r\n", "\n").strip("\n"),
    )
