"""The columns of a repertoire, and what is computed on them."""

from __future__ import annotations

import io
import random

import chess
import numpy as np
import pytest

from pawnlore.structures.distinct_verdicts import distinct_skeletons, distinct_verdicts
from pawnlore.structures.fen import FenWriter
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.position_key import position_key
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.skeleton import Masks, skeleton_from_board
from pawnlore.structures.verdict import Verdicts

TWO_GAMES = """\
[Event "One"]

1. e4 e5 (1... c5 2. Nf3) 2. Nf3 *

[Event "Two"]

1. d4 d5 *
"""


@pytest.fixture
def book() -> Repertoire:
    return read_repertoire([io.StringIO(TWO_GAMES)], with_fen=True, with_keys=True)


def test_children_lines_and_leaves(book: Repertoire) -> None:
    assert book.moves == ["", "e4", "e5", "c5", "Nf3", "Nf3", "", "d4", "d5"]
    assert book.children(1) == [2, 3]
    assert book.children(5) == []
    assert book.children(6) == [7]
    assert book.line(4) == [0, 1, 3, 4]
    assert book.leaves.tolist() == [4, 5, 8]
    assert list(book.lines()) == [[0, 1, 3, 4], [0, 1, 2, 5], [6, 7, 8]]


def test_games_of_nodes(book: Repertoire) -> None:
    assert [book.game_of(node).number for node in range(len(book))] == [1] * 6 + [2] * 3
    assert [game.nodes for game in book.games] == [range(0, 6), range(6, 9)]


def test_masks_are_the_boards_pawns_and_no_copy(book: Repertoire) -> None:
    assert book.fens is not None
    for fen, row in zip(book.fens, book.masks.tolist(), strict=True):
        assert tuple(row) == skeleton_from_board(chess.Board(fen))
    assert not book.masks.flags.owndata


def test_equal_positions_have_one_number() -> None:
    text = "1. d4 (1. Nf3 d5 2. d4) 1... d5 2. Nf3 *"
    book = read_repertoire([io.StringIO(text)], with_keys=True)
    assert book.positions is not None
    assert book.moves == ["", "d4", "Nf3", "d5", "d4", "d5", "Nf3"]
    assert book.positions[4] == book.positions[6]
    assert len(set(book.positions)) == 6


def test_a_position_key_counts_en_passant_only_where_it_is_legal() -> None:
    # FIDE Laws of Chess, article 9.2.3 (2023 numbering, from memory): positions
    # differ where a pawn could have been captured en passant.
    barred = chess.Board("4k3/8/8/8/4P3/8/8/4K3 b - e3 0 1")
    plain = chess.Board("4k3/8/8/8/4P3/8/8/4K3 b - - 0 1")
    assert position_key(barred) == position_key(plain)
    legal = chess.Board("4k3/8/8/8/3pP3/8/8/4K3 b - e3 0 1")
    without = chess.Board("4k3/8/8/8/3pP3/8/8/4K3 b - - 0 1")
    assert position_key(legal) != position_key(without)
    other = chess.Board("4k3/8/8/8/3pP3/8/8/4K3 w - - 0 1")
    assert position_key(without) != position_key(other)


def test_fens_are_python_chess_fens() -> None:
    dice = random.Random(7)
    writer = FenWriter()
    for game in range(30):
        start = dice.randrange(960)
        board = chess.Board.from_chess960_pos(start) if game % 3 == 0 else chess.Board()
        for _ in range(80):
            moves = list(board.legal_moves)
            if not moves:
                break
            board.push(dice.choice(moves))
            assert writer.fen(board) == board.fen(en_passant="fen")


def test_an_empty_repertoire() -> None:
    book = read_repertoire([])
    assert book.masks.shape == (0, 2)
    assert book.leaves.tolist() == []
    masks, inverse = distinct_skeletons(book.masks)
    assert masks.shape == (0, 2)
    assert inverse.shape == (0,)


def test_distinct_skeletons_agree_with_numpy() -> None:
    dice = np.random.default_rng(3)
    masks = dice.integers(0, 4, size=(500, 2)).astype(np.uint64) << np.uint64(62)
    distinct, inverse = distinct_skeletons(masks)
    expected, expected_inverse = np.unique(masks, axis=0, return_inverse=True)
    assert (distinct == expected).all()
    assert (inverse == expected_inverse.reshape(-1)).all()
    assert (distinct[inverse] == masks).all()


def test_each_distinct_skeleton_is_classified_once() -> None:
    book = read_repertoire([io.StringIO("1. Nf3 Nf6 2. d4 d5 3. Nc3 Nc6 *")])
    seen: list[Masks] = []

    def classify(masks: Masks) -> Verdicts:
        seen.append(masks)
        count = len(masks)
        whole = np.arange(count, dtype=np.int16)
        zeros = np.zeros(count, dtype=np.int8)
        share = np.ones(count)
        return Verdicts(
            tuple(f"f{i}" for i in range(count)),
            whole, zeros, share, share > 0, whole, zeros, share,
        )  # fmt: skip

    found = distinct_verdicts(book, classify)
    assert len(seen) == 1
    assert len(seen[0]) == 3
    every = found.every_node()
    assert len(every) == len(book)
    for node, row in enumerate(book.masks.tolist()):
        assert found.masks[every.family[node]].tolist() == row


def test_memory_grows_with_the_nodes_alone() -> None:
    # 4 + 4 bytes for parent and ply, 16 for the skeleton, 8 for the move.
    book = read_repertoire([io.StringIO("1. e4 e5 2. d4 *")])
    assert book.parent.itemsize + book.ply.itemsize + 2 * book.pawns.itemsize == 24
    assert len(book.pawns) == 2 * len(book)
    again = read_repertoire([io.StringIO("1. e4 (1. e4) e5 *")])
    assert again.moves[1] is again.moves[2]
