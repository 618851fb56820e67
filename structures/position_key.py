"""Position keys: equal for positions in which the same moves can be played."""

from __future__ import annotations

import struct

import chess

_KEY = struct.Struct("<8QbB")


def position_key(board: chess.Board) -> bytes:
    """A key for the position: pieces, side to move, castling rights, en passant.

    En passant counts only where the capture is legal, so that two move orders
    to one position meet. Keys are the same in every run.

    >>> one, other = chess.Board(), chess.Board()
    >>> for move in ("d4", "d5", "Nf3"): _ = one.push_san(move)
    >>> for move in ("Nf3", "d5", "d4"): _ = other.push_san(move)
    >>> position_key(one) == position_key(other)
    True
    """
    passing = -1
    if board.ep_square is not None and board.has_legal_en_passant():
        passing = board.ep_square
    return _KEY.pack(
        board.pawns,
        board.knights,
        board.bishops,
        board.rooks,
        board.queens,
        board.kings,
        board.occupied_co[chess.WHITE],
        board.clean_castling_rights(),
        passing,
        board.turn,
    )
