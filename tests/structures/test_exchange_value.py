"""Exchanges on one square, against a plain search over python-chess's own moves.

The values of the pieces are common practice, no source.
"""

from __future__ import annotations

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.structures.exchange_value import VALUES, best_gain, exchange_value


@pytest.mark.parametrize(
    ("fen", "move", "value"),
    [
        # A free pawn; a guarded pawn taken by a rook; a pawn for a pawn.
        ("4k3/8/3p4/8/8/8/8/3RK3 w - - 0 1", "d1d6", 1),
        ("4k3/2p5/3p4/8/8/8/8/3RK3 w - - 0 1", "d1d6", -4),
        ("4k3/2p5/3p4/4P3/8/8/8/4K3 w - - 0 1", "e5d6", 0),
        # Two rooks in line against one guard: the second one sees through the first.
        ("3rk3/8/3p4/8/8/8/3R4/3RK3 w - - 0 1", "d2d6", 1),
        # En passant, and a promotion that is taken back.
        ("4k3/8/8/3pP3/8/8/8/4K3 w - d6 0 1", "e5d6", 1),
        ("2rnk3/4P3/8/8/8/8/8/4K3 w - - 0 1", "e7d8q", 2),
        # A king does not take what is guarded.
        ("8/8/2k5/3p4/2K5/8/8/8 w - - 0 1", "c4d5", 1 - 100),
    ],
)
def test_by_hand(fen: str, move: str, value: int) -> None:
    assert exchange_value(chess.Board(fen), chess.Move.from_uci(move)) == value


@st.composite
def positions(draw: st.DrawFn) -> chess.Board:
    board = chess.Board()
    for _ in range(draw(st.integers(4, 70))):
        moves = sorted(board.legal_moves, key=chess.Move.uci)
        if not moves:
            break
        board.push(draw(st.sampled_from(moves)))
    return board


def searched(board: chess.Board, square: int) -> int:
    """The most that the side to move wins by taking on a square, cheapest piece first."""
    takers = [move for move in board.pseudo_legal_moves if move.to_square == square]
    if not takers:
        return 0
    kind = {move: board.piece_type_at(move.from_square) or 0 for move in takers}
    move = min(takers, key=lambda move: (kind[move], move.from_square))
    if kind[move] == chess.KING and board.is_attacked_by(not board.turn, square):
        after = board.copy(stack=False)
        after.push(move)
        if after.is_attacked_by(after.turn, square):
            return 0
    prize = VALUES[board.piece_type_at(square) or chess.PAWN]
    after = board.copy(stack=False)
    after.push(move)
    return max(0, prize - searched(after, square))


@given(positions())
def test_against_a_search(board: chess.Board) -> None:
    for square in chess.SquareSet(board.occupied_co[not board.turn]):
        # Promotions change what stands on the square; they are tested by hand.
        if chess.square_rank(square) in (0, 7):
            continue
        kind = board.piece_type_at(square)
        assert kind is not None
        if kind == chess.KING:
            continue
        expected = searched(board, square)
        assert best_gain(board, square, VALUES[kind], board.turn, board.occupied) == expected
