"""What an exchange on one square is worth: pieces counted, nothing calculated.

Both sides take with their cheapest piece as long as that does not lose
material. Pieces count 1, 3, 3, 5 and 9 pawns (common practice, no source).
Pins and threats elsewhere on the board are not seen.
"""

from __future__ import annotations

import chess

VALUES = {
    chess.PAWN: 1,
    chess.KNIGHT: 3,
    chess.BISHOP: 3,
    chess.ROOK: 5,
    chess.QUEEN: 9,
    chess.KING: 100,
}
"""Pieces in pawns."""


def exchange_value(board: chess.Board, move: chess.Move) -> int:
    """What a legal capture wins in the end, in pawns; less than 0 where it loses.

    >>> board = chess.Board("4k3/2p5/3p4/8/8/8/8/3RK3 w - - 0 1")
    >>> exchange_value(board, chess.Move.from_uci("d1d6"))
    -4
    """
    square = move.to_square
    occupied = board.occupied ^ chess.BB_SQUARES[move.from_square]
    if board.is_en_passant(move):
        won = VALUES[chess.PAWN]
        occupied ^= chess.BB_SQUARES[square + (-8 if board.turn else 8)]
    else:
        victim = board.piece_type_at(square)
        won = VALUES[victim] if victim else 0
    stands = board.piece_type_at(move.from_square) or chess.PAWN
    if move.promotion:
        won += VALUES[move.promotion] - VALUES[chess.PAWN]
        stands = move.promotion
    return won - best_gain(board, square, VALUES[stands], not board.turn, occupied)


def best_gain(
    board: chess.Board, square: int, value: int, side: chess.Color, occupied: chess.Bitboard
) -> int:
    """What a side can win by taking something of this value on a square; 0 where nothing.

    ``occupied`` are the squares that count as taken; pieces elsewhere are
    treated as gone.
    """
    stakes = []
    while True:
        attackers = board.attackers_mask(side, square, occupied) & occupied
        if not attackers:
            break
        kind, piece = _cheapest(board, attackers)
        if kind == chess.KING and board.attackers_mask(not side, square, occupied) & occupied:
            break
        stakes.append(value)
        value = VALUES[kind]
        occupied ^= piece
        side = not side
    gain = 0
    for stake in reversed(stakes):
        gain = max(0, stake - gain)
    return gain


def _cheapest(board: chess.Board, pieces: chess.Bitboard) -> tuple[chess.PieceType, chess.Bitboard]:
    for kind, mask in (
        (chess.PAWN, board.pawns),
        (chess.KNIGHT, board.knights),
        (chess.BISHOP, board.bishops),
        (chess.ROOK, board.rooks),
        (chess.QUEEN, board.queens),
    ):
        found = pieces & mask
        if found:
            return kind, found & -found
    return chess.KING, pieces & -pieces
