"""Plan notes: the demo's notes are read, faults are told in words, nothing is changed.

Outside sources: the standard library's TOML reader for headers; python-chess
for the moves of model lines.
"""

from __future__ import annotations

import io
import tomllib
from importlib.resources import files

import chess
import chess.pgn
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.structures.catalogue import shipped_catalogue
from pawnlore.structures.plan_note import (
    HEADER_LENGTH,
    NOTE_LENGTH,
    NoteError,
    PlanNote,
    applies,
    by_specificity,
    parse_note,
)

NOTES = {
    entry.name: entry.read_text(encoding="utf-8")
    for entry in sorted(files("pawnlore.labelled_demo").joinpath("notes").iterdir(), key=str)
}

HEADER = {
    "structure": '"carlsbad"',
    "holder": '"white"',
    "side": '"holder"',
    "title": '"Two against three"',
}


def text_of(body: str = "Words.\n", **changes: str | None) -> str:
    """A note's text; ``None`` leaves a key out."""
    rows = {key: value for key, value in {**HEADER, **changes}.items() if value is not None}
    return "+++\n" + "".join(f"{k} = {v}\n" for k, v in rows.items()) + "+++\n" + body


def faults(text: str) -> str:
    with pytest.raises(NoteError) as caught:
        parse_note(text)
    assert caught.value.messages
    return "\n".join(caught.value.messages)


@pytest.mark.parametrize("name", NOTES)
def test_the_demo_notes(name: str) -> None:
    note = parse_note(NOTES[name], name=name)
    _, header, body = NOTES[name].split("+++\n", 2)
    table = tomllib.loads(header)
    assert note.text == NOTES[name] and note.name == name and note.body == body
    for key in ("structure", "holder", "side", "title", "chapter"):
        assert getattr(note, key) == table[key]
    assert list(note.squares) == table["squares"] and list(note.moves) == table["moves"]
    game = chess.pgn.read_game(io.StringIO(table["model_line"]))
    assert game is not None
    assert list(note.model_line) == [node.san() for node in game.mainline()]
    given_conditions = table.get("when", {})
    single = sum(len(v) if k in ("pawn", "file", "bishops") else 1
                 for k, v in given_conditions.items())  # fmt: skip
    assert len(note.when) == single == len(note.when.words())


def test_line_ends_a_byte_order_mark_and_spaces_are_no_fault_and_stay() -> None:
    text = "\ufeff" + text_of("One.\n\nTwo. +++\n").replace("\n", "\r\n").replace(
        "+++\r", "+++ \r", 1
    )
    note = parse_note(text)
    assert note.text == text and note.body == "One.\r\n\r\nTwo. +++\r\n"


def test_a_rule_of_plus_signs_in_the_text_is_text() -> None:
    assert parse_note(text_of("One.\n+++\nTwo.\n")).body == "One.\n+++\nTwo.\n"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the first line must be +++"),
        ("Words only.", "the first line must be +++"),
        ("+++\ntitle = 1\n", "a second +++ line is missing"),
        ("+++\ntitle = \n+++\nx", "(at line 2, column 9)"),
        ("+++\na = " + "[" * 5000 + "\n+++\nx", "nested too deeply"),
        ("+++\na = " + "9" * 5000 + "\n+++\nx", "no valid TOML"),
        ("+++\n#" + "x" * HEADER_LENGTH + "\n+++\nx", "the header is too long"),
        ("x" * (NOTE_LENGTH + 1), "100,001 characters"),
        (text_of("  \n"), "no text after the header"),
        (text_of("a\0b"), "null character"),
        (text_of("a\ud800b"), "half of a character pair"),
        (text_of(structure=None), "structure is missing"),
        (text_of(holder=None, side=None), "holder is missing\nside is missing"),
        (text_of(structure='"carlsbd"'), "is carlsbad meant?"),
        (text_of(structure='"own/"'), "no family that is known"),
        (text_of(structure="[1]"), "no family that is known"),
        (text_of(holder='"both"'), 'holder must be "white", "black" or "any"'),
        (text_of(holder='["white"]'), "holder must be"),
        (text_of(side='"white"'), 'side must be "holder" or "foe"'),
        (text_of(titel='"x"'), "'titel' is no key of a note"),
        (text_of(titel='"x"'), "is title meant?"),
        (text_of(title='""'), "title must be one line"),
        (text_of(title='"a\\nb"'), "title must be one line"),
        (text_of(title='"' + "x" * 201 + '"'), "title has 201 characters"),
        (text_of(when='"always"'), "when must be a table"),
        (text_of(when='{ queen = "on" }'), "when: 'queen' is no condition"),
        (text_of(squares='"d5"'), "squares must be a list"),
        (text_of(squares='["d9"]'), "squares: 'd9' is no square"),
        (text_of(moves="[1]"), "moves must be a list of texts"),
        (text_of(moves='["the minority attack"]'), "is no move"),
        (text_of(moves=str(["b4"] * 65)), "moves has 65 entries"),
        (text_of(model_line='"1. d4 d5 2. Ke3"'), "model_line: 2. 'Ke3' cannot be played"),
        (text_of(model_line='"1. d4 (1. e4) d5"'), "model_line: 1... '(' cannot"),
        (text_of(model_line='"1. d4 --"'), "model_line: 1... '--' cannot be played"),
        (text_of(model_line="3"), "model_line must be moves"),
        (text_of(chapter="4"), "chapter must be one line"),
    ],
)
def test_faults_are_told(text: str, said: str) -> None:
    assert said in faults(text)


def test_several_faults_are_told_at_once() -> None:
    told = faults(text_of(holder='"grey"', squares='["z9"]', model_line='"1. e5"'))
    assert [line.split()[0] for line in told.splitlines()] == ["holder", "squares:", "model_line:"]


@pytest.mark.parametrize("move", ["e4", "exd5", "Nf3", "Nbd7", "R1e2", "Qh4xe1", "O-O-O+", "0-0",
                                  "e8=Q#", "dxe8=N", "...b5", "d5!", "a1Q"])  # fmt: skip
def test_moves_of_the_trade_are_accepted(move: str) -> None:
    assert parse_note(text_of(moves=f'["{move}"]')).moves == (move,)


def test_model_lines_in_the_ways_that_people_type_them() -> None:
    note = parse_note(text_of(model_line='"1.d4 d5 2.c4 e6 3. Nc3 *"'))
    assert note.model_line == ("d4", "d5", "c4", "e6", "Nc3")


def test_own_families_and_other_catalogues() -> None:
    assert parse_note(text_of(structure='"own/stone-garden"')).structure == "own/stone-garden"
    assert parse_note(text_of(structure='"x"'), structures=["x"]).structure == "x"
    with pytest.raises(NoteError):
        parse_note(text_of(), structures=["x"])


@pytest.mark.parametrize("sign", ["\\u0000", "\\u001b", "\\u007f", "\\u0090"])
def test_no_control_character_hides_in_a_title_or_a_chapter(sign: str) -> None:
    # TOML 1.0 lets any of them be written as an escape; PostgreSQL keeps no NUL.
    assert "title holds a control character" in faults(text_of(title=f'"a{sign}b"'))
    assert "chapter holds a control character" in faults(text_of(chapter=f'"a{sign}b"'))
    when = f'{{ chapter = "a{sign}b" }}'
    assert "when: chapter holds a control character" in faults(text_of(when=when))


def note_of(holder: str = "white", side: str = "holder", when: str = "{}") -> PlanNote:
    return parse_note(text_of(holder=f'"{holder}"', side=f'"{side}"', when=when))


@pytest.mark.parametrize(
    ("holder", "verdict", "expected"),
    [("white", "white", True), ("white", "black", False), ("white", "both", True),
     ("any", "white", True), ("any", "black", True), ("any", "both", True)],
)  # fmt: skip
def test_which_holder_a_note_applies_to(holder: str, verdict: str, expected: bool) -> None:
    note = note_of(holder)
    assert (applies(note, "carlsbad", verdict, None) is not None) is expected
    assert applies(note, "isolated-queen-pawn", verdict, None) is None


def test_a_reason_says_everything_that_was_asked_for() -> None:
    note = note_of(when='{ queens = "on", moves = [1, 9], chapter = "Slav" }')
    assert applies(note, "carlsbad", "white", chess.Board(), "Slav") == (
        "carlsbad held by White; queens are on; the move is between 1 and 9; the chapter is “Slav”"
    )
    assert applies(note, "carlsbad", "white", chess.Board(), "Dutch") is None
    assert applies(note, "carlsbad", "white", None, "Slav") is None
    off = note_of(when='{ queens = "off" }')
    assert applies(off, "carlsbad", "white", chess.Board()) is None


def test_whose_plan_it_is() -> None:
    assert note_of("white", "holder").plan_of("white") == "white"
    assert note_of("black", "foe").plan_of("black") == "white"
    assert note_of("any", "foe").plan_of("white") == "black"
    assert note_of("any", "foe").plan_of("both") == "both"
    assert note_of("black", "foe").plan_of("both") == "white"


def test_the_most_specific_comes_first() -> None:
    notes = [parse_note(text, name=name) for name, text in NOTES.items()]
    isolani = [note for note in by_specificity(notes)
               if note.structure == "isolated-queen-pawn" and note.holder == "white"]  # fmt: skip
    assert {note.name for note in isolani} == {"isolani-open-e-file.md", "isolani-ours.md"}
    anyone, white = note_of("any"), note_of("white")
    queens, more = note_of("any", when='{ queens = "on" }'), note_of(
        "any", when='{ queens = "on", file = ["e open", "c open"] }')  # fmt: skip
    assert by_specificity([anyone, queens, white, more]) == [more, queens, white, anyone]
    assert by_specificity(reversed(notes)) == by_specificity(notes)


@given(st.text(max_size=400))
def test_any_text_behind_a_header_stays_as_it_is(body: str) -> None:
    text = text_of(body)
    try:
        note = parse_note(text)
    except NoteError:
        assert not body.strip() or "\0" in body
    else:
        assert note.text == text and note.body == body


@given(st.text(max_size=300), st.booleans())
def test_any_text_at_all_is_read_or_refused_in_words(text: str, framed: bool) -> None:
    try:
        note = parse_note(f"+++\n{text}\n+++\nwords" if framed else text)
    except NoteError as error:
        assert all(error.messages)
    else:
        assert note.structure in shipped_catalogue().ids or note.structure.startswith("own/")
