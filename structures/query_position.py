"""A position that somebody asks about: its pawns, and its board where it has one."""

from __future__ import annotations

from typing import NamedTuple

import chess

from pawnlore.structures.position_check import position_of_line
from pawnlore.structures.skeleton import Skeleton


class QueryPosition(NamedTuple):
    """``board`` is none for a bare skeleton, or where nobody said who is to move."""

    skeleton: Skeleton
    board: chess.Board | None


def query_position(text: str) -> QueryPosition:
    """Read a FEN, an EPD or a bare piece placement.

    Castling rights and an en passant square that cannot be are let go of, for
    pawns do not ask about them. Raises `SkeletonError`.

    >>> query_position("8/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/8").board is None
    True
    >>> query_position("4k3/8/8/2pP4/8/8/8/4K3 w - c6").board.has_legal_en_passant()
    True
    """
    skeleton, board = position_of_line(text)
    fields = text.split(None, 4)
    if board is None or len(fields) < 2:
        return QueryPosition(skeleton, None)
    if len(fields) > 3 and fields[3] in chess.SQUARE_NAMES:
        board.ep_square = chess.parse_square(fields[3])
        if board.status() & chess.STATUS_INVALID_EP_SQUARE:
            board.ep_square = None
    return QueryPosition(skeleton, board)
