"""Notes from a form: exactly the file format, and what was written by hand stays.

tomllib of the standard library reads what is written.
"""

from __future__ import annotations

import dataclasses
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore import labelled_demo
from pawnlore.service.note_writing import (
    NoteFields,
    fields_of,
    rewritten_note,
    written_note,
)
from pawnlore.service.pages.note_form import (
    BISHOPS,
    FILE_STATES,
    fields_of_form,
    fits_the_form,
    form_of,
)
from pawnlore.structures.plan_note import parse_note

NOTES = sorted((Path(labelled_demo.__file__).parent / "notes").glob("*.md"))
SQUARES = [f"{file}{rank}" for file in "abcdefgh" for rank in range(1, 9)]

HAND_WRITTEN = """+++
# the b-pawn, again
structure   = "carlsbad"     # never forget
holder = 'white'
side = "holder"
title = "Minority attack"

[when]
queens = "on"   # else the endgame file
pawn = ["white b2",
        "black c6"]
+++
  The first line keeps its spaces.

Last line without an end."""

lines = st.text(st.characters(blacklist_categories=("Cs", "Cc")), min_size=1, max_size=40).filter(
    lambda text: len(text.splitlines()) == 1 and text.strip() == text and text
)
bodies = st.text(
    st.characters(blacklist_categories=("Cs",), blacklist_characters="\0\r"), max_size=200
).filter(lambda text: text.strip() != "")
squares = st.lists(st.sampled_from(SQUARES), max_size=4).map(tuple)
pawns = st.lists(
    st.tuples(st.sampled_from(["white", "black"]), st.sampled_from(SQUARES)).filter(
        lambda one: one[1][1] in "234567"
    ),
    min_size=1,
    max_size=3,
    unique=True,
).map(lambda listed: [" ".join(one) for one in listed])
files = st.dictionaries(
    st.sampled_from("abcdefgh"),
    st.sampled_from([state for state, _ in FILE_STATES if state]),
    min_size=1,
    max_size=3,
).map(lambda found: [f"{file} {state}" for file, state in found.items()])
conditions = st.fixed_dictionaries(
    {},
    optional={
        "queens": st.sampled_from(["on", "off"]),
        "castling": st.sampled_from(["same", "opposite", "not-yet"]),
        "pawn": pawns,
        "file": files,
        "bishops": st.lists(st.sampled_from(BISHOPS), min_size=1, unique=True),
        "moves": st.tuples(st.integers(1, 40), st.integers(40, 99)).map(list),
        "chapter": lines,
    },
)
notes = st.builds(
    NoteFields,
    structure=st.sampled_from(["carlsbad", "isolated-queen-pawn", "own/ours"]),
    holder=st.sampled_from(["white", "black", "any"]),
    side=st.sampled_from(["holder", "foe"]),
    title=lines,
    body=bodies,
    when=conditions,
    squares=squares,
    moves=st.lists(st.sampled_from(["b4", "Rab1", "O-O", "bxc6", "...Ne4!"]), max_size=3).map(
        tuple
    ),
    model_line=st.sampled_from(["", "1. d4 d5 2. c4"]),
    chapter=st.one_of(st.just(""), lines),
)


def same(one: NoteFields, other: NoteFields) -> bool:
    return _plain(one) == _plain(other)


def _plain(fields: NoteFields) -> NoteFields:
    return dataclasses.replace(fields, body=fields.body.strip())


@given(notes)
def test_what_is_written_is_read_back(fields: NoteFields) -> None:
    note = parse_note(written_note(fields))
    assert same(fields_of(note), fields)
    header = note.text.split("+++\n")[1]
    assert tomllib.loads(header)["title"] == fields.title


@given(notes, notes)
def test_a_note_can_become_any_other(before: NoteFields, after: NoteFields) -> None:
    text = rewritten_note(written_note(before), after)
    assert same(fields_of(parse_note(text)), after)


@given(notes)
def test_what_does_not_change_stays_sign_by_sign(fields: NoteFields) -> None:
    text = written_note(fields)
    assert rewritten_note(text, fields_of(parse_note(text))) == text


@given(notes)
def test_the_form_shows_all_that_a_note_says(fields: NoteFields) -> None:
    assert fits_the_form(fields)
    again = fields_of_form(form_of(fields))
    assert same(fields_of(parse_note(rewritten_note(written_note(fields), again))), fields)


@pytest.mark.parametrize("path", NOTES, ids=lambda path: path.name)
def test_the_demo_notes_survive_the_form(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    fields = fields_of(parse_note(text))
    assert fits_the_form(fields)
    # A browser sends line ends of its own.
    typed = form_of(fields)
    sent = dataclasses.replace(
        typed, values={k: v.replace("\n", "\r\n") for k, v in typed.values.items()}
    )
    assert rewritten_note(text, fields_of_form(sent)) == text


def test_a_new_body_leaves_a_header_written_by_hand_alone() -> None:
    fields = fields_of(parse_note(HAND_WRITTEN))
    after = rewritten_note(HAND_WRITTEN, dataclasses.replace(fields, body="Another text.\r\n"))
    assert after == HAND_WRITTEN.partition("  The first")[0] + "Another text.\n"


def test_a_new_title_leaves_all_else_alone() -> None:
    fields = fields_of(parse_note(HAND_WRITTEN))
    after = rewritten_note(HAND_WRITTEN, dataclasses.replace(fields, title='"Quoted"'))
    assert after == HAND_WRITTEN.replace('"Minority attack"', '"\\"Quoted\\""')


def test_new_conditions_keep_comments_and_what_is_beside_them() -> None:
    fields = fields_of(parse_note(HAND_WRITTEN))
    when = {"queens": "on", "castling": "same"}
    after = rewritten_note(
        HAND_WRITTEN, dataclasses.replace(fields, when=when, chapter="One", squares=("b5",))
    )
    note = parse_note(after)
    assert (note.when.queens, note.when.castling, note.when.pawns) == ("on", "same", ())
    assert (note.chapter, note.squares) == ("One", ("b5",))
    for kept in ("# the b-pawn, again", "# never forget", "# else the endgame file", "'white'"):
        assert kept in after
    gone = rewritten_note(after, dataclasses.replace(fields_of(note), when={}))
    assert not parse_note(gone).when and "# the b-pawn, again" in gone


def test_line_ends_of_another_system_stay() -> None:
    text = HAND_WRITTEN.replace("\n", "\r\n")
    fields = fields_of(parse_note(text))
    assert rewritten_note(text, fields) == text


def test_a_sign_that_no_page_can_show_stays_while_its_text_is_not_changed() -> None:
    text = HAND_WRITTEN.replace("spaces", "spa\x0cces")
    fields = fields_of(parse_note(text))
    shown = dataclasses.replace(fields, body=fields.body.replace("\x0c", "\ufffd"))
    assert rewritten_note(text, shown) == text


def test_a_text_that_is_no_note_is_written_anew() -> None:
    fields = NoteFields("carlsbad", "any", "holder", "T", "Text.")
    assert rewritten_note("no note at all", fields) == written_note(fields)


def test_two_states_of_one_file_do_not_fit_the_form() -> None:
    fields = NoteFields(
        "carlsbad", "any", "holder", "T", "B", when={"file": ["e open", "e half-open white"]}
    )
    assert not fits_the_form(fields)
