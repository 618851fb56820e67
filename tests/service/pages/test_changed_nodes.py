"""Where the nodes of a list of changes stand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.service.pages.changed_nodes import NOWHERE, places
from pawnlore.service.store.repertoire_shelf import NodeChange
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.repertoire import Repertoire


def change(what: str, chapter: str, moves: str) -> NodeChange:
    return NodeChange(what, chapter, moves, "", "", "", "")


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Repertoire:
    path = tmp_path_factory.mktemp("places") / "course.pgn"
    path.write_text(
        '[Event "One"]\n\n1. d4 d5 (1... Nf6 2. c4) (1... Nf6 2. Nf3) 2. c4 *\n\n'
        '[Event "Two"]\n\n1. d4 d5 2. Nf3 *\n\n'
        '[Event "One"]\n\n1. d4 d5 2. c4 e6 *\n'
    )
    return read_repertoire([str(path)])


def test_every_node_is_found_by_its_chapter_and_moves(book: Repertoire) -> None:
    for node in range(len(book)):
        game = book.game_of(node)
        moves = " ".join(book.moves[step] for step in book.line(node)[1:])
        (place,) = places([change("added", game.chapter, moves)], book)
        # Where several nodes have both, the first is meant.
        assert place <= node and book.game_of(place).chapter == game.chapter
        assert " ".join(book.moves[step] for step in book.line(place)[1:]) == moves


def test_a_variation_given_twice_and_a_chapter_given_twice_are_one(book: Repertoire) -> None:
    rows = [
        change("added", "One", "d4 Nf6 Nf3"),
        change("moved", "One", "d4 d5 c4 e6"),
        change("moved", "Two", "d4 d5 Nf3"),
    ]
    found = list(places(rows, book))
    assert [book.moves[node] for node in found] == ["Nf3", "e6", "Nf3"]
    assert len(set(found)) == 3


def test_what_is_gone_is_nowhere_even_where_its_moves_are_found(book: Repertoire) -> None:
    assert list(places([change("gone", "One", "d4"), change("added", "Three", "d4")], book)) == [
        NOWHERE,
        NOWHERE,
    ]


@given(st.sampled_from(["added", "gone", "moved"]), st.text(max_size=20), st.text(max_size=40))
def test_any_words_have_a_place_or_none(
    book: Repertoire, what: str, chapter: str, moves: str
) -> None:
    (place,) = places([change(what, chapter, moves)], book)
    assert NOWHERE <= place < len(book)
