"""Plan notes: the author's own words on a structure.

One note is one text: a TOML header between two ``+++`` lines, then CommonMark.

============== ==================================================================
key            value
============== ==================================================================
``structure``  a family's id; an author's own begins with ``own/``
``holder``     ``"white"``, ``"black"`` or ``"any"``
``side``       ``"holder"`` or ``"foe"``: whose plan it is
``title``      one line
``when``       a table of conditions, see `pawnlore.structures.note_conditions`
``squares``    a list of squares that matter
``moves``      a list of moves that belong to the plan
``model_line`` moves from the usual starting position
``chapter``    where the author would teach it
============== ==================================================================

The first four must be there; the others may. Nothing else may, so that a
mistyped key is named and not lost.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import chess

from pawnlore.structures.catalogue import shipped_catalogue
from pawnlore.structures.note_conditions import (
    CHAPTER_LENGTH,
    NO_CONDITIONS,
    ConditionError,
    Conditions,
    holds_control_character,
    parse_conditions,
)

NEEDED = ("structure", "holder", "side", "title")
"""Keys that every note has."""

KEYS = (*NEEDED, "when", "squares", "moves", "model_line", "chapter")
"""All keys that a header may hold."""

NOTE_LENGTH = 100_000
"""Characters in one note, header and text together."""

HEADER_LENGTH = 20_000
"""Characters in the header."""

TITLE_LENGTH = 200
"""Characters in the title."""

MODEL_LINE_MOVES = 600
"""Half-moves in a model line."""

_MARK = "+++"
_AFTER_LINE = re.compile(r"(?<=\n)")
_LISTED = 64
_SIDES = ("holder", "foe")
_HOLDERS = ("white", "black", "any")
_OWN = re.compile(r"own/[^\s\x00-\x1f\x7f]{1,100}")
_MOVE = re.compile(
    r"(?:\.\.\.|…)?"
    r"(?:[KQRBN][a-h]?[1-8]?x?[a-h][1-8]|(?:[a-h]x)?[a-h][1-8](?:=?[QRBN])?|[O0]-[O0](?:-[O0])?)"
    r"[+#]?[!?]{0,2}"
)
_NUMBER = re.compile(r"\d{1,5}\.(?:\.\.)?")
_RESULTS = frozenset(("1-0", "0-1", "1/2-1/2", "*"))
_OTHER = {"white": "black", "black": "white"}


class NoteError(ValueError):
    """A note that cannot be used; ``messages`` tells people every reason."""

    def __init__(self, messages: Iterable[str]) -> None:
        self.messages = tuple(messages)
        super().__init__("; ".join(self.messages))


@dataclass(frozen=True, slots=True)
class PlanNote:
    """One plan note.

    ``text`` is the whole note as it was given; writing it is writing the note
    back unchanged. ``body`` is what follows the header. ``model_line`` holds
    SAN, one entry a half-move. ``name`` is the note's file name, where it has
    one.
    """

    text: str
    structure: str
    holder: str
    side: str
    title: str
    body: str
    when: Conditions = NO_CONDITIONS
    squares: tuple[str, ...] = ()
    moves: tuple[str, ...] = ()
    model_line: tuple[str, ...] = ()
    chapter: str = ""
    name: str = ""

    @property
    def specificity(self) -> int:
        """The higher, the narrower: conditions count two each, a named holder one."""
        return 2 * len(self.when) + (self.holder != "any")

    def plan_of(self, holder: str) -> str:
        """Whose plan the note is where a structure has this holder.

        ``white``, ``black``, or ``both`` where the holder is both sides and the
        note says nothing narrower.
        """
        held_by = self.holder if self.holder != "any" else holder
        return held_by if self.side == "holder" else _OTHER.get(held_by, "both")

    def named(self) -> str:
        """The note in a few words, for a list."""
        return f"“{self.title}” ({self.name})" if self.name else f"“{self.title}”"


def parse_note(text: str, *, name: str = "", structures: Iterable[str] | None = None) -> PlanNote:
    r'''Read one note.

    ``structures`` are the family ids that may be named, by default those of
    the shipped catalogue; an author's own families, ``own/...``, always may.
    Raises `NoteError` with every fault that can be told.

    >>> note = parse_note("""+++
    ... structure = "carlsbad"
    ... holder = "white"
    ... side = "holder"
    ... title = "Minority attack"
    ... when = { queens = "on" }
    ... +++
    ... The b-pawn walks to b5.
    ... """)
    >>> note.title, note.when.words(), note.body
    ('Minority attack', ('queens are on',), 'The b-pawn walks to b5.\n')
    '''
    if len(text) > NOTE_LENGTH:
        raise NoteError([f"the note has {len(text):,} characters; at most {NOTE_LENGTH:,} fit"])
    header, body = _parts(text)
    table = _table(header)
    faults = [
        f"{_short(key)} is no key of a note; there are {', '.join(KEYS)}{_meant(key, KEYS)}"
        for key in table
        if key not in KEYS
    ]
    faults += [f"{key} is missing" for key in NEEDED if key not in table]
    if not body.strip():
        faults.append("there is no text after the header")
    if "\0" in text:
        faults.append("the text holds a null character, which no note needs")
    try:
        text.encode()
    except UnicodeEncodeError:
        faults.append("the text holds half of a character pair, which no file can hold")
    note = PlanNote(
        text=text,
        structure=_structure(table, structures, faults),
        holder=_choice(table, "holder", _HOLDERS, faults),
        side=_choice(table, "side", _SIDES, faults),
        title=_line(table, "title", TITLE_LENGTH, faults),
        body=body,
        when=_when(table, faults),
        squares=_squares(table, faults),
        moves=_moves(table, faults),
        model_line=_model_line(table, faults),
        chapter=_line(table, "chapter", CHAPTER_LENGTH, faults),
        name=name,
    )
    if faults:
        raise NoteError(faults)
    return note


def applies(
    note: PlanNote,
    structure: str,
    holder: str,
    board: chess.Board | None,
    chapter: str = "",
    pawns: tuple[int, int] | None = None,
) -> str | None:
    """Why a note applies, in words; none where it does not.

    ``holder`` is the verdict's: ``white``, ``black`` or ``both``. What both
    sides hold, each of them holds. Without a ``board`` only notes apply that ask
    for nothing but ``pawns`` (White's mask and Black's), where these are given.

    >>> note = PlanNote("", "carlsbad", "white", "holder", "", "", Conditions(queens="on"))
    >>> applies(note, "carlsbad", "white", chess.Board())
    'carlsbad held by White; queens are on'
    >>> applies(note, "carlsbad", "black", chess.Board()) is None
    True
    """
    if note.structure != structure:
        return None
    if "any" != note.holder != holder != "both":
        return None
    if note.when.unmet(board, chapter, pawns) is not None:
        return None
    whose = "both sides" if holder == "both" else holder.capitalize()
    return "; ".join((f"{structure} held by {whose}", *note.when.words()))


def by_specificity(notes: Iterable[PlanNote]) -> list[PlanNote]:
    """Notes with the most specific first; equal ones by title, then by name."""
    return sorted(notes, key=lambda note: (-note.specificity, note.title, note.name, note.text))


def _parts(text: str) -> tuple[str, str]:
    """The header and the text after it."""
    lines = _AFTER_LINE.split(text.removeprefix("\ufeff"))
    if lines[0].rstrip() != _MARK:
        raise NoteError([f"the first line must be {_MARK}, above the header"])
    for number, line in enumerate(lines[1:], 1):
        if line.rstrip() == _MARK:
            # The line of the first mark is kept empty, so that a line number in
            # a complaint about the header is the line number in the note.
            header = "\n" + "".join(lines[1:number])
            if len(header) > HEADER_LENGTH:
                raise NoteError([f"the header is too long; {HEADER_LENGTH:,} characters fit"])
            return header, "".join(lines[number + 1 :])
    raise NoteError([f"the header does not end: a second {_MARK} line is missing"])


def _table(header: str) -> dict[str, Any]:
    try:
        return tomllib.loads(header)
    except RecursionError:
        raise NoteError(["the header is nested too deeply"]) from None
    except ValueError as error:
        raise NoteError([f"the header is no valid TOML: {error}"]) from None


def _structure(
    table: Mapping[str, Any], structures: Iterable[str] | None, faults: list[str]
) -> str:
    if "structure" not in table:
        return ""
    value = table["structure"]
    known = tuple(shipped_catalogue().ids if structures is None else structures)
    if not isinstance(value, str) or not (value in known or _OWN.fullmatch(value)):
        faults.append(
            f"structure {_short(value)} is no family that is known{_meant(value, known)}; "
            "a family of your own begins with own/"
        )
        return ""
    return value


def _choice(table: Mapping[str, Any], key: str, choices: tuple[str, ...], faults: list[str]) -> str:
    if key not in table:
        return ""
    value = table[key]
    if value not in choices:
        quoted = [f'"{choice}"' for choice in choices]
        faults.append(
            f"{key} must be {', '.join(quoted[:-1])} or {quoted[-1]}, not {_short(value)}"
        )
        return ""
    return str(value)


def _line(table: Mapping[str, Any], key: str, most: int, faults: list[str]) -> str:
    if key not in table:
        return ""
    value = table[key]
    if not isinstance(value, str) or not value.strip() or len(value.splitlines()) != 1:
        faults.append(f"{key} must be one line of text")
        return ""
    if holds_control_character(value):
        faults.append(f"{key} holds a control character, which cannot be shown")
        return ""
    if len(value) > most:
        faults.append(f"{key} has {len(value):,} characters; at most {most} fit")
        return ""
    return value


def _when(table: Mapping[str, Any], faults: list[str]) -> Conditions:
    value = table.get("when", {})
    if not isinstance(value, dict):
        faults.append('when must be a table of conditions, such as { queens = "on" }')
        return NO_CONDITIONS
    try:
        return parse_conditions(value)
    except ConditionError as error:
        faults += [f"when: {message}" for message in error.messages]
        return NO_CONDITIONS


def _texts(
    table: Mapping[str, Any], key: str, example: str, faults: list[str]
) -> tuple[str, ...] | None:
    value = table.get(key, [])
    if not isinstance(value, list) or not all(isinstance(entry, str) for entry in value):
        faults.append(f"{key} must be a list of texts, such as {example}")
        return None
    if len(value) > _LISTED:
        faults.append(f"{key} has {len(value)} entries; at most {_LISTED} are read")
        return None
    return tuple(value)


def _squares(table: Mapping[str, Any], faults: list[str]) -> tuple[str, ...]:
    squares = _texts(table, "squares", '["d5", "e5"]', faults) or ()
    bad = [square for square in squares if square not in chess.SQUARE_NAMES]
    faults += [f"squares: {_short(square)} is no square" for square in bad]
    return () if bad else squares


def _moves(table: Mapping[str, Any], faults: list[str]) -> tuple[str, ...]:
    moves = _texts(table, "moves", '["Rab1", "b4"]', faults) or ()
    bad = [move for move in moves if not _MOVE.fullmatch(move)]
    faults += [f"moves: {_short(move)} is no move such as Nf3, bxc6 or O-O" for move in bad]
    return () if bad else moves


def _model_line(table: Mapping[str, Any], faults: list[str]) -> tuple[str, ...]:
    if "model_line" not in table:
        return ()
    value = table["model_line"]
    if not isinstance(value, str) or not value.strip():
        faults.append('model_line must be moves, such as "1. d4 d5 2. c4"')
        return ()
    board = chess.Board()
    moves: list[str] = []
    # A number may stick to its move: "1.d4".
    for word in _NUMBER.sub(" ", value).split():
        if word in _RESULTS:
            continue
        number = f"{board.fullmove_number}{'.' if board.turn else '...'}"
        if len(moves) == MODEL_LINE_MOVES:
            faults.append(f"model_line has more than {MODEL_LINE_MOVES} half-moves")
            return ()
        try:
            move = board.parse_san(word)
        except ValueError:
            move = chess.Move.null()
        if not move:
            faults.append(
                f"model_line: {number} {_short(word)} cannot be played there; one line of moves "
                "from the starting position is expected, without variations and comments"
            )
            return ()
        moves.append(board.san(move))
        board.push(move)
    return tuple(moves)


def _meant(value: object, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(str(value)[:100], list(known), n=1)
    return f" (is {near[0]} meant?)" if near else ""


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
