"""Moves of python-chess as the survey's codes, and back."""

from __future__ import annotations

import chess

from pawnlore.service.survey.game_batch import END_SHIFT, PROMOTION_SHIFT, move_code


def coded_move(board: chess.Board, move: chess.Move) -> int:
    """The code of a move on this board; castling always tells where the king ends.

    >>> coded_move(chess.Board(), chess.Move.from_uci("e2e4")) == 12 | 28 << 6
    True
    """
    end = move.to_square
    if board.is_castling(move):
        file = 6 if chess.square_file(end) > chess.square_file(move.from_square) else 2
        end = chess.square(file, chess.square_rank(move.from_square))
    return move_code(move.from_square, end, move.promotion or 0)


def decoded_move(code: int) -> chess.Move:
    """The move of a code; on a board of Chess960, castling is not told in its way.

    >>> decoded_move(12 | 28 << 6).uci()
    'e2e4'
    """
    return chess.Move(code & 63, code >> END_SHIFT & 63, code >> PROMOTION_SHIFT or None)
