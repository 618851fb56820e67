"""Reminders, warnings and only moves: found in comments and glyphs, and kept by PGN.

Outside sources: python-chess reads and writes the PGN that reminders must
survive. What the glyphs 2, 4, 6, 7 and 8 mean: PGN standard of 1994 (Edwards),
section 10, numeric annotation glyphs (numbers from memory).
"""

from __future__ import annotations

import io
import time
from importlib.resources import files

import chess.pgn
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.reminders import (
    FIRST,
    MARKS,
    ONLY,
    REFUTATION,
    REMEMBER,
    Reminder,
    only_moves,
    reminder_comment,
    reminders,
    reminders_in,
    warnings,
)
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_side import given_side


def read(text: str) -> Repertoire:
    return read_repertoire([io.StringIO(text)])


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Remember: the rook.", [("remember", "the rook.", True)]),
        (" remember : the\nrook. And the king. ", [("remember", "the rook. And the king.", True)]),
        ("First: h3, only then g4.", [("first", "h3, only then g4.", True)]),
        (
            "A plan. First: h3. Remember: no g4\nFirst: castle",
            [("first", "h3.", True), ("remember", "no g4", True), ("first", "castle", True)],
        ),
        ("A plan\nRemember: it.", [("remember", "it.", True)]),
        ("We remember: nothing.", []),
        ("Remember the rook.", []),
        ("Remember:", []),
        ("", []),
        ("The first move. And only then tea.", []),
        ("Castle first, only then take.", [("first", "Castle first, only then take.", False)]),
        ("Known. This little move first. Good.", [("first", "This little move first.", False)]),
        ("This is a move that I learnt first.", []),
        ("At first sight only.", []),
    ],
)
def test_what_is_a_reminder(text: str, expected: list[tuple[str, str, bool]]) -> None:
    assert list(reminders_in(text)) == expected


def test_a_reminder_stands_at_its_move_in_reading_order() -> None:
    book = read(
        "{First: think} 1. d4 d5 {Remember: c4} (1... f5 {Nice.} 2. c4 {First: g3} "
        "{Remember: e3}) 2. c4 ({First: wait} 2. Nf3) *"
    )
    found = reminders(book)
    assert [(book.moves[r.node], r.text) for r in found] == [
        ("", "think"), ("d5", "c4"), ("c4", "g3"), ("c4", "e3"), ("Nf3", "wait"),
    ]  # fmt: skip
    assert found[0] == Reminder(0, FIRST, "think", True)


def test_reminders_survive_another_program() -> None:
    """python-chess joins neighbouring comments and wraps lines; nothing is lost by it."""
    text = "1. d4 {Our move. } d5 {First: " + "c4 " * 40 + "} {Remember: the rook goes to b1.} *"
    before = reminders(read(text))
    game = chess.pgn.read_game(io.StringIO(text))
    assert game is not None
    again = reminders(read(str(game)))
    assert [(r.node, r.kind, r.text) for r in again] == [(r.node, r.kind, r.text) for r in before]
    assert len(before) == 2


_WORDS = st.text(st.characters(exclude_categories=["Cs"]), max_size=60).filter(
    lambda t: t.strip() and not list(reminders_in(t)) and "first" not in t.lower()
    and "remember" not in t.lower() and "\0" not in t and "\ufeff" not in t
)  # fmt: skip


@given(st.sampled_from([REMEMBER, FIRST]), _WORDS)
def test_what_is_pinned_is_found(kind: str, words: str) -> None:
    comment = reminder_comment(kind, words)
    assert "}" not in comment.text
    book = read("1. d4 {" + comment.text + "} d5 *")
    plain = " ".join(words.split()).replace("{", "(").replace("}", ")")
    assert reminders(book) == [Reminder(1, kind, plain, True)]


def test_pinning_refuses_what_it_cannot_pin() -> None:
    with pytest.raises(ValueError, match="no kind of reminder"):
        reminder_comment("later", "x")
    with pytest.raises(ValueError, match="needs words"):
        reminder_comment(FIRST, " \n ")


@pytest.mark.parametrize("unit", ["first ", "\n", " ", "this ", "Remember:", "First. ", "a. ", ":"])
def test_long_comments_take_time_in_proportion(unit: str) -> None:
    text = unit * (1_000_000 // len(unit))
    start = time.process_time()
    list(reminders_in(text))
    # Quadratic work on a million characters would take hours, not seconds.
    assert time.process_time() - start < 20


def test_warnings_with_their_refutation() -> None:
    book = read("1. e4 e5 2. Nf3 f6?! 3. Nxe5 fxe5?? (3... Qe7 $1 4. Nf3) 4. Qh5+ $1 Ke7 5. Qxe5+ "
                "(5. Nc3 ?) *")  # fmt: skip
    found = warnings(book, given_side(book, "white"))
    named = [(book.moves[w.node], w.mark, w.author) for w in found]
    assert named == [("f6", "?!", False), ("fxe5", "??", False), ("Nc3", "?", True)]
    shown = [[book.moves[node] for node in w.refutation] for w in found]
    assert shown[1] == ["Qh5+", "Ke7", "Qxe5+"] and shown[2] == []
    assert shown[0][:2] == ["Nxe5", "fxe5"] and all(w.whole for w in found)
    assert [w.author for w in warnings(book, given_side(book, "black"))] == [True, True, False]


def test_a_long_refutation_is_cut_and_says_so() -> None:
    moves = " ".join(f"{2 * i + 2}. Ng1 Ng8 {2 * i + 3}. Nf3 Nf6" for i in range(5))
    book = read(f"1. Nf3 Nf6 $2 {moves} *")
    (one,) = warnings(book, given_side(book, "white"))
    assert len(one.refutation) == REFUTATION and not one.whole


def test_only_moves() -> None:
    book = read("1. e4 $7 e5 $8 2. Nf3 $1 Nc6 $14 *")
    found = only_moves(book, given_side(book, "black"))
    assert [(book.moves[m.node], m.reason, m.author) for m in found] == [
        ("e4", ONLY[7], False), ("e5", ONLY[8], True),
    ]  # fmt: skip
    unknown = read("1. e4 $7 *")
    assert [m.author for m in only_moves(unknown, given_side(unknown, "mixed"))] in ([None], [True])


def test_the_demo_speaks_of_orders_and_marks_mistakes() -> None:
    folder = files("pawnlore.labelled_demo").joinpath("repertoire")
    entries = sorted((e for e in folder.iterdir() if e.name.endswith(".pgn")), key=lambda e: e.name)
    texts = [entry.read_text(encoding="utf-8") for entry in entries]
    book = read_repertoire([io.StringIO(text) for text in texts])
    found = reminders(book)
    assert all(one.kind == FIRST and not one.pinned for one in found)
    said = {one.text for one in found}
    assert "Castle first, only then take on c6: the pin does not run away." in said
    # python-chess counts the marked moves.
    marked = 0
    for text in texts:
        stream = io.StringIO(text)
        while (game := chess.pgn.read_game(stream)) is not None:
            pending: list[chess.pgn.GameNode] = [game]
            while pending:
                node = pending.pop()
                marked += bool(node.nags & set(MARKS))
                pending += node.variations
    assert len(warnings(book, given_side(book, "white"))) == marked == 5
