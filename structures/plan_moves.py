"""The moves of a plan note as steps from square to square, to be drawn on a board.

A plan's moves are those of one side, one after the other, as if the other side
passed. They need not be legal at once: a knight that belongs on d5 is written
``Nd5``, wherever it stands now. A move that the board cannot tell is left out.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import NamedTuple

import chess

_MOVE = re.compile(
    r"(?:\.\.\.|…)?(?:(?P<piece>[KQRBN])?(?P<file>[a-h])?(?P<rank>[1-8])?(?P<takes>x)?"
    r"(?P<end>[a-h][1-8])(?:=?(?P<becomes>[QRBN]))?|(?P<castles>[O0]-[O0](?P<long>-[O0])?))"
    r"[+#]?[!?]{0,2}"
)
_LIGHT = chess.BB_LIGHT_SQUARES


class PlanStep(NamedTuple):
    """A move with the squares that it leads from and to; none where the board cannot tell."""

    text: str
    squares: tuple[int, int] | None


def plan_steps(board: chess.BaseBoard, moves: Iterable[str], color: chess.Color) -> list[PlanStep]:
    """Where each of some moves of one side begins and ends.

    >>> board = chess.BaseBoard("4k3/8/8/8/8/8/1P6/1N2K3")
    >>> for step in plan_steps(board, ["b4", "b5", "Nd5", "Rb1"], chess.WHITE):
    ...     print(step.text, step.squares and [chess.square_name(one) for one in step.squares])
    b4 ['b2', 'b4']
    b5 ['b4', 'b5']
    Nd5 ['b1', 'd5']
    Rb1 None
    """
    now = board.copy()
    steps = []
    for text in moves:
        read = _MOVE.fullmatch(text)
        squares = None if read is None else _squares(now, read, color)
        if squares is not None and read is not None:
            _play(now, squares, read["becomes"])
        steps.append(PlanStep(text, squares))
    return steps


def plan_move(board: chess.BaseBoard, start: int, end: int) -> str:
    """How a plan note writes the move of the piece on a square; empty without a piece.

    As few letters as `plan_steps` needs to find it again.

    >>> plan_move(chess.BaseBoard("4k3/8/8/8/8/2N2N2/8/4K3"), chess.C3, chess.D5)
    'Nd5'
    >>> plan_move(chess.BaseBoard("4k3/8/8/8/8/2N2N2/8/4K3"), chess.C3, chess.E4)
    'Ne4'
    >>> plan_move(chess.BaseBoard("4k3/8/8/8/8/2N3N1/8/4K3"), chess.C3, chess.E4)
    'Nce4'
    """
    piece = board.piece_at(start)
    if piece is None or start == end:
        return ""
    name, end_name = chess.square_name(start), chess.square_name(end)
    takes = "x" if board.piece_at(end) else ""
    if piece.piece_type == chess.PAWN:
        across = chess.square_file(start) != chess.square_file(end)
        told = [f"{name[0]}x{end_name}" if across else end_name]
    else:
        letter = piece.symbol().upper()
        if piece.piece_type == chess.KING and _castles(board, start, end, piece.color):
            told = ["O-O" if end > start else "O-O-O"]
        else:
            told = [f"{letter}{part}{takes}{end_name}" for part in ("", name[0], name[1], name)]
    for text in told:
        if plan_steps(board, [text], piece.color)[0].squares == (start, end):
            return text
    return ""


def _squares(
    board: chess.BaseBoard, read: re.Match[str], color: chess.Color
) -> tuple[int, int] | None:
    if read["castles"]:
        king = board.king(color)
        end = chess.square(2 if read["long"] else 6, 0 if color else 7)
        return (king, end) if king is not None and _castles(board, king, end, color) else None
    end = chess.parse_square(read["end"])
    if read["piece"] is None:
        start = _pawn_start(board, read, end, color)
    else:
        start = _piece_start(board, read, end, color)
    return None if start is None or start == end else (start, end)


def _castles(board: chess.BaseBoard, start: int, end: int, color: chess.Color) -> bool:
    rank = 0 if color else 7
    rook = chess.square(7 if end > start else 0, rank)
    return (
        start == chess.square(4, rank)
        and end in (chess.square(2, rank), chess.square(6, rank))
        and bool(board.pieces_mask(chess.ROOK, color) & chess.BB_SQUARES[rook])
    )


def _piece_start(
    board: chess.BaseBoard, read: re.Match[str], end: int, color: chess.Color
) -> int | None:
    kind = chess.PIECE_SYMBOLS.index(read["piece"].lower())
    mask = board.pieces_mask(kind, color)
    if read["file"]:
        mask &= chess.BB_FILES[chess.FILE_NAMES.index(read["file"])]
    if read["rank"]:
        mask &= chess.BB_RANKS[int(read["rank"]) - 1]
    able = [
        square
        for square in chess.scan_forward(mask)
        if board.attacks_mask(square) & chess.BB_SQUARES[end]
        and not board.occupied_co[color] & chess.BB_SQUARES[end]
    ]
    if len(able) > 1:
        # As in SAN, a piece that is pinned is no other one to be told apart.
        able = [square for square in able if end in board.pin(color, square)]
    if able:
        return able[0] if len(able) == 1 else None
    if kind == chess.BISHOP:
        mask &= _LIGHT if chess.BB_SQUARES[end] & _LIGHT else ~_LIGHT
    far = list(chess.scan_forward(mask))
    return far[0] if len(far) == 1 else None


def _pawn_start(
    board: chess.BaseBoard, read: re.Match[str], end: int, color: chess.Color
) -> int | None:
    pawns = board.pieces_mask(chess.PAWN, color)
    back = -8 if color else 8
    if read["file"] is not None and read["takes"]:
        file = chess.FILE_NAMES.index(read["file"])
        if abs(file - chess.square_file(end)) != 1:
            return None
        start = chess.square(file, chess.square_rank(end + back)) if 0 <= end + back < 64 else -1
        return start if start >= 0 and pawns & chess.BB_SQUARES[start] else None
    # The pawn of that file that has the way to itself, be it several steps.
    square = end + back
    while 0 <= square < 64 and not board.occupied & chess.BB_SQUARES[square]:
        square += back
    return square if 0 <= square < 64 and pawns & chess.BB_SQUARES[square] else None


def _play(board: chess.BaseBoard, squares: tuple[int, int], becomes: str | None) -> None:
    start, end = squares
    piece = board.remove_piece_at(start)
    assert piece is not None
    if piece.piece_type == chess.KING and _castles(board, start, end, piece.color):
        rank, east = chess.square_rank(start), end > start
        board.remove_piece_at(chess.square(7 if east else 0, rank))
        board.set_piece_at(
            chess.square(5 if east else 3, rank), chess.Piece(chess.ROOK, piece.color)
        )
    if becomes:
        piece = chess.Piece(chess.PIECE_SYMBOLS.index(becomes.lower()), piece.color)
    board.set_piece_at(end, piece)


def board_after(
    board: chess.BaseBoard, moves: Iterable[str], color: chess.Color
) -> chess.BaseBoard:
    """The board once some moves of one side were made; those that it cannot tell are left out.

    >>> board_after(chess.BaseBoard("8/8/8/8/8/8/1P6/8"), ["b4", "Nd5"], chess.WHITE).board_fen()
    '8/8/8/8/1P6/8/8/8'
    """
    now = board.copy()
    for text in moves:
        read = _MOVE.fullmatch(text)
        squares = None if read is None else _squares(now, read, color)
        if squares is not None and read is not None:
            _play(now, squares, read["becomes"])
    return now
