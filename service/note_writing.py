"""Writing a plan note from the fields of a form, in exactly the format of a note's file.

A note that was written by hand keeps its layout: while only the text changes,
the header stays as it is, sign by sign; and where a field of the header
changes, its comments, its spacing and the order of its keys stay.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from pawnlore.service.html_text import clean
from pawnlore.structures.note_conditions import Conditions
from pawnlore.structures.plan_note import NoteError, PlanNote, parse_note

_MARK = "+++"
_LINES = re.compile(r"(?<=\n)")
_ORDERED = ("structure", "holder", "side", "title", "when", "squares", "moves")
_LATER = ("model_line", "chapter")


@dataclass(frozen=True)
class NoteFields:
    """What a note says, field by field.

    ``when`` is the header's table of conditions, with the keys of
    `pawnlore.structures.note_conditions`. ``model_line`` is text, as in a note.
    """

    structure: str = ""
    holder: str = ""
    side: str = ""
    title: str = ""
    body: str = ""
    when: Mapping[str, Any] = field(default_factory=dict)
    squares: tuple[str, ...] = ()
    moves: tuple[str, ...] = ()
    model_line: str = ""
    chapter: str = ""

    def header(self) -> dict[str, Any]:
        """The keys of the header that are given, in the usual order."""
        values: dict[str, Any] = {
            "structure": self.structure,
            "holder": self.holder,
            "side": self.side,
            "title": self.title,
            "when": dict(self.when),
            "squares": list(self.squares),
            "moves": list(self.moves),
            "model_line": self.model_line,
            "chapter": self.chapter,
        }
        return {key: value for key, value in values.items() if value}


def conditions_table(when: Conditions) -> dict[str, Any]:
    """Conditions as the table that a header holds.

    >>> conditions_table(Conditions(queens="on", pawns=("white h4",)))
    {'queens': 'on', 'pawn': ['white h4']}
    """
    values: dict[str, Any] = {
        "queens": when.queens,
        "castling": when.castling,
        "pawn": list(when.pawns),
        "file": list(when.files),
        "bishops": list(when.bishops),
        "moves": list(when.moves or ()),
        "chapter": when.chapter,
    }
    return {key: value for key, value in values.items() if value}


def fields_of(note: PlanNote) -> NoteFields:
    """The fields of a note, to be changed in a form."""
    table = _read(_halves(note.text)[0])
    line = table.get("model_line", "") if table is not None else ""
    return NoteFields(
        structure=note.structure,
        holder=note.holder,
        side=note.side,
        title=note.title,
        body=note.body,
        when=conditions_table(note.when),
        squares=note.squares,
        moves=note.moves,
        model_line=str(line),
        chapter=note.chapter,
    )


def written_note(fields: NoteFields) -> str:
    r"""A new note.

    What cannot be in a note is written too, so that `parse_note` can tell
    what is wrong with it.

    >>> print(written_note(NoteFields("carlsbad", "any", "holder", 'The "b5" lever', "Play b5.")))
    +++
    structure = "carlsbad"
    holder = "any"
    side = "holder"
    title = "The \"b5\" lever"
    +++
    <BLANKLINE>
    Play b5.
    <BLANKLINE>
    """
    lines = [f"{key} = {_toml(value)}\n" for key, value in fields.header().items()]
    return f"{_MARK}\n{''.join(lines)}{_MARK}\n\n{_ended(fields.body.lstrip(chr(10)))}"


def rewritten_note(text: str, fields: NoteFields) -> str:
    """A note's text with other fields; what does not change stays as it was.

    A text that is no note is written anew.
    """
    top, header, mark, body = _pieces(text)
    # A family that is known no more is no reason to lose what was written.
    named = str(_told(_read(header) or {}).get("structure", ""))
    try:
        before = fields_of(parse_note(text, structures=(named,)))
    except NoteError:
        return written_note(fields)
    changed = _changed(before, fields)
    if changed:
        header = _with(header, changed) or ""
        if not header:
            return written_note(fields)
    if _plain(fields.body) != _plain(before.body):
        blank = "\n" if body.startswith(("\n", "\r\n")) and not fields.body.startswith("\n") else ""
        body = blank + _ended(fields.body)
    return f"{top}{header}{mark}{body}"


def _plain(body: str) -> str:
    """A body without what a form changes: line ends, space at the ends, unshowable signs."""
    body = clean(body)
    return body.replace("\r\n", "\n").replace("\r", "\n").strip()


def _changed(before: NoteFields, after: NoteFields) -> dict[str, Any]:
    """The keys whose values differ, with the new ones; none for a key to be left out."""
    old, new = before.header(), after.header()
    return {
        key: new.get(key)
        for key in (*_ORDERED, *_LATER)
        if _comparable(old.get(key)) != _comparable(new.get(key))
    }


def _comparable(value: Any) -> Any:
    """In a table of conditions neither the order of its keys nor of a list is a difference."""
    if isinstance(value, Mapping):
        return {
            key: sorted(map(str, one)) if isinstance(one, list) and key != "moves" else one
            for key, one in value.items()
        }
    return " ".join(value.split()) if isinstance(value, str) else value


def _with(header: str, changed: Mapping[str, Any]) -> str | None:
    """A header with some keys changed; none where that cannot be done in its own layout."""
    try:
        document = tomlkit.parse(header)
        for key, value in changed.items():
            if value is None:
                document.remove(key)
            elif key in document and isinstance(value, dict):
                _change_table(document, key, value)
            elif key in document:
                document[key] = value
            elif isinstance(value, dict):
                # Behind a table of its own, a key of the header would be in that table.
                table = tomlkit.inline_table()
                table.update(value)
                document[key] = table
            else:
                document[key] = value
        written = tomlkit.dumps(document)
        wanted = {**_told(_read(header)), **{k: v for k, v in changed.items() if v is not None}}
        for key, value in changed.items():
            if value is None:
                wanted.pop(key, None)
    except (TOMLKitError, RecursionError, ValueError, TypeError, KeyError):
        return None
    written += "" if written.endswith("\n") else "\n"
    marked = any(line.rstrip() == _MARK for line in written.split("\n"))
    return None if marked or _told(_read(written)) != wanted else written


def _change_table(document: tomlkit.TOMLDocument, key: str, value: Mapping[str, Any]) -> None:
    table: Any = document[key]
    for name in [name for name in table if name not in value]:
        table.remove(name)
    for name, one in value.items():
        if name not in table or _told(table[name]) != one:
            table[name] = one


def _told(value: Any) -> Any:
    """A value of tomlkit as plain values."""
    return value.unwrap() if hasattr(value, "unwrap") else value


def _read(header: str) -> dict[str, Any] | None:
    import tomllib

    try:
        return tomllib.loads(header)
    except (ValueError, RecursionError):
        return None


def _halves(text: str) -> tuple[str, str]:
    _, header, _, body = _pieces(text)
    return header, body


def _pieces(text: str) -> tuple[str, str, str, str]:
    """The first mark, the header, the second mark with its line end, and the body."""
    lines = _LINES.split(text)
    for number, line in enumerate(lines[1:], 1):
        if line.rstrip() == _MARK:
            return lines[0], "".join(lines[1:number]), line, "".join(lines[number + 1 :])
    return text, "", "", ""


def _ended(body: str) -> str:
    """With exactly the line feeds that the author gave, and one at the end at least."""
    plain = body.replace("\r\n", "\n").replace("\r", "\n")
    return plain if plain.endswith("\n") else plain + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        told = ", ".join(f"{key} = {_toml(one)}" for key, one in value.items())
        return f"{{ {told} }}"
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, int):
        return str(value)
    return _quoted(str(value))


def _quoted(text: str) -> str:
    """A basic string of TOML 1.0."""
    out = []
    for sign in text:
        if sign in '"\\':
            out.append("\\" + sign)
        elif sign < " " or sign == "\x7f":
            out.append(f"\\u{ord(sign):04x}")
        else:
            out.append(sign)
    return f'"{"".join(out)}"'
