"""A position as it is studied: its pawns, and the board that conditions ask about."""

from __future__ import annotations

from contextlib import suppress

from pawnlore.service.position_lines import LINE_LIMIT
from pawnlore.structures.query_position import QueryPosition, query_position
from pawnlore.structures.skeleton import SkeletonError

NO_MOVE_NUMBER = 0
"""A board's move number where nobody said which move it is; no range of moves holds it."""

_MOST_DIGITS = 5


def study_position(text: str) -> QueryPosition:
    """Read a FEN, an EPD or a bare piece placement, with castling rights and move number.

    A plan note may ask whether the kings have castled and which move it is, so
    both are kept here. Where the move number is missing, as in an EPD, it is
    `NO_MOVE_NUMBER`. Rights that cannot be are let go of. Raises `SkeletonError`.

    >>> import chess
    >>> board = study_position("r3k2r/8/8/8/8/8/8/R3K2R w KQkq - 3 21").board
    >>> board.fullmove_number, board.has_castling_rights(chess.WHITE)
    (21, True)
    >>> study_position("4k3/8/8/8/8/8/8/4K3 w - -").board.fullmove_number
    0
    """
    if len(text) > LINE_LIMIT:
        raise SkeletonError(f"the position is longer than {LINE_LIMIT} characters")
    position = query_position(text)
    board = position.board
    if board is None:
        return position
    fields = text.split(None, 6)
    if len(fields) > 2:
        with suppress(ValueError):
            board.set_castling_fen(fields[2])
    number = fields[5] if len(fields) > 5 else ""
    told = number.isascii() and number.isdigit() and len(number) <= _MOST_DIGITS
    board.fullmove_number = int(number) if told else NO_MOVE_NUMBER
    return position
