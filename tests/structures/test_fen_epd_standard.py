"""FEN and EPD against the worked examples of the standard.

Source: S. J. Edwards, "Standard: Portable Game Notation Specification and
Implementation Guide" (1994), section 16.1 for FEN with its examples, section
16.2 for EPD. The FEN strings are quoted from memory; python-chess, which
writes the same standard, confirms below that the moves lead to them.
"""

from __future__ import annotations

import chess
import pytest

from pawnlore.structures.skeleton import (
    Skeleton,
    placement,
    skeleton_from_board,
    skeleton_from_fen,
    skeletons_from_fens,
)

START = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1"
AFTER_E4 = "rnbqkbnr/pppppppp/8/8/4P3/8/PPPP1PPP/RNBQKBNR b KQkq e3 0 1"
AFTER_C5 = "rnbqkbnr/pp1ppppp/8/2p5/4P3/8/PPPP1PPP/RNBQKBNR w KQkq c6 0 2"
AFTER_NF3 = "rnbqkbnr/pp1ppppp/8/2p5/4P3/5N2/PPPP1PPP/RNBQKB1R b KQkq - 1 2"
KINGS_AND_PAWN = "4k3/8/8/8/8/8/4P3/4K3 w - - 5 39"

EXAMPLES = [
    (START, chess.BB_RANK_2, chess.BB_RANK_7),
    (AFTER_E4, chess.BB_RANK_2 ^ chess.BB_E2 ^ chess.BB_E4, chess.BB_RANK_7),
    (
        AFTER_C5,
        chess.BB_RANK_2 ^ chess.BB_E2 ^ chess.BB_E4,
        chess.BB_RANK_7 ^ chess.BB_C7 ^ chess.BB_C5,
    ),
    (
        AFTER_NF3,
        chess.BB_RANK_2 ^ chess.BB_E2 ^ chess.BB_E4,
        chess.BB_RANK_7 ^ chess.BB_C7 ^ chess.BB_C5,
    ),
    (KINGS_AND_PAWN, chess.BB_E2, chess.BB_EMPTY),
]


def _as_epd(fen: str, operations: str = "") -> str:
    """EPD has the first four fields of FEN, then operations (section 16.2)."""
    return " ".join(fen.split()[:4]) + operations


@pytest.mark.parametrize(("fen", "white", "black"), EXAMPLES)
def test_the_fen_examples(fen: str, white: int, black: int) -> None:
    assert skeleton_from_fen(fen) == Skeleton(white, black)
    assert skeleton_from_board(chess.Board(fen)) == Skeleton(white, black)


@pytest.mark.parametrize(("fen", "white", "black"), EXAMPLES)
@pytest.mark.parametrize(
    "operations",
    ["", " bm Nf3;", ' id "first light"; c0 "one; and two";', " hmvc 0; fmvn 1;", " pv e4 c5 Nf3;"],
)
def test_the_same_positions_as_epd(fen: str, white: int, black: int, operations: str) -> None:
    """Opcodes of section 16.2: bm, id, c0 to c9, hmvc, fmvn, pv."""
    epd = _as_epd(fen, operations)
    assert skeleton_from_fen(epd) == Skeleton(white, black)
    board = chess.Board(None)
    if "pv" not in operations and "bm" not in operations:
        board.set_epd(epd)
        assert skeleton_from_board(board) == skeleton_from_fen(epd)


def test_the_examples_follow_from_the_moves() -> None:
    """The standard gives the moves 1.e4 c5 2.Nf3 with these positions."""
    board = chess.Board()
    assert board.fen() == START
    for move, fen in (("e4", AFTER_E4), ("c5", AFTER_C5), ("Nf3", AFTER_NF3)):
        board.push_san(move)
        assert board.fen(en_passant="fen") == fen
        assert skeleton_from_board(board) == skeleton_from_fen(fen)


def test_a_piece_move_leaves_the_skeleton_as_it_was() -> None:
    assert skeleton_from_fen(AFTER_NF3) == skeleton_from_fen(AFTER_C5)


def test_ranks_run_from_the_eighth_to_the_first_and_files_from_a_to_h() -> None:
    """Section 16.1.3.1, on the order of the piece placement field."""
    assert skeleton_from_fen("8/p7/8/8/8/8/7P/8 w - - 0 1") == Skeleton(chess.BB_H2, chess.BB_A7)


def test_the_examples_as_a_batch() -> None:
    batch = skeletons_from_fens([fen for fen, _, _ in EXAMPLES])
    assert batch.tolist() == [[white, black] for _, white, black in EXAMPLES]


def test_the_placement_is_written_as_the_standard_wants_it() -> None:
    """Empty squares are counted together, and an empty rank is an 8 (section 16.1.3.1)."""
    assert placement(skeleton_from_fen(AFTER_C5)) == "8/pp1ppppp/8/2p5/4P3/8/PPPP1PPP/8"
