"""Whether a position line can be read, and if not, why, in words."""

from __future__ import annotations

import re

import chess

from pawnlore.structures.placement_reading import read_placement
from pawnlore.structures.skeleton import Skeleton, SkeletonError, skeleton_from_fen

_CASTLING = re.compile(r"-|[KQkqA-Ha-h]{1,4}")
_EN_PASSANT = re.compile(r"-|[a-h][1-8]")
_REST = re.compile(r"\d+(\s+\d+)?\s*\Z|[A-Za-z]")
"""Half-move clock and move number, or the name of an operation."""

_IN_WORDS = (
    (chess.STATUS_TOO_MANY_WHITE_PIECES, "White has more than sixteen pieces"),
    (chess.STATUS_TOO_MANY_BLACK_PIECES, "Black has more than sixteen pieces"),
    (chess.STATUS_OPPOSITE_CHECK, "the side that is not to move stands in check"),
    (chess.STATUS_TOO_MANY_CHECKERS, "more pieces give check than one move can explain"),
)


def skeleton_of_line(line: str) -> Skeleton:
    """The skeleton of one line that holds a FEN, an EPD or a bare placement.

    A placement without any king is a bare skeleton and is welcome. With kings,
    the position must be one that a game can reach as far as kings, counts and
    checks tell. The later fields must be well formed; whether castling rights and en
    passant square fit the position does not matter here.
    Raises `SkeletonError`.

    >>> skeleton_of_line("8/8/8/8/8/8/8/KK6 w - - 0 1")
    Traceback (most recent call last):
    ...
    pawnlore.structures.skeleton.SkeletonError: White has 2 kings; Black has no king
    """
    return position_of_line(line)[0]


def position_of_line(line: str) -> tuple[Skeleton, chess.Board | None]:
    """The skeleton of one line and its board, with the side to move, nothing castled or passed.

    There is no board for a placement without kings. Where nobody said who is to
    move, the board says White. Raises `SkeletonError` as `skeleton_of_line` does.

    >>> skeleton, board = position_of_line("4k3/8/8/3p4/8/8/8/4K3 b - -")
    >>> board.turn == chess.BLACK, board.king(chess.WHITE) == chess.E1
    (True, True)
    """
    fields = line.split(None, 4)
    pieces = read_placement(fields[0]) if fields else None
    # Where the fast reading finds no placement, the slow one says why.
    skeleton = skeleton_from_fen(line) if pieces is None else pieces.skeleton
    if not set("Kk") & set(fields[0]):
        return skeleton, None
    if len(fields) > 1 and fields[1] not in ("w", "b"):
        raise SkeletonError(f"the side to move is {fields[1][:20]!r} instead of w or b")
    _check_later_fields(fields)
    if pieces is None:
        board = chess.Board(None)
        board.set_board_fen(fields[0])
    else:
        board = pieces.board()
    board.turn = fields[1:2] != ["b"]
    status = board.status()
    if len(fields) == 1:
        # A placement alone does not tell who is to move, so checks say nothing.
        status &= ~(chess.STATUS_OPPOSITE_CHECK | chess.STATUS_TOO_MANY_CHECKERS)
    problems = [
        f"{side} has {count} kings" if count else f"{side} has no king"
        for side, symbol in (("White", "K"), ("Black", "k"))
        if (count := fields[0].count(symbol)) != 1
    ]
    problems += [words for flag, words in _IN_WORDS if status & flag]
    if problems:
        raise SkeletonError("; ".join(problems))
    return skeleton, board


def _check_later_fields(fields: list[str]) -> None:
    """Castling rights, en passant square and counters must at least be written as such."""
    if len(fields) > 2 and not _CASTLING.fullmatch(fields[2]):
        raise SkeletonError(f"{fields[2][:20]!r} is neither castling rights (as KQkq) nor -")
    if len(fields) > 3 and not _EN_PASSANT.fullmatch(fields[3]):
        raise SkeletonError(f"{fields[3][:20]!r} is neither an en passant square nor -")
    if len(fields) > 4 and not _REST.match(fields[4]):
        raise SkeletonError(
            f"{fields[4][:20]!r} is neither two counters, as in a FEN, nor operations of an EPD"
        )
