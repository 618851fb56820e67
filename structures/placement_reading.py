"""Reading piece placements fast: ranks that were seen are remembered."""

from __future__ import annotations

from functools import lru_cache

import chess

from pawnlore.structures.skeleton import PAWN_RANKS, Skeleton

_MOST_RANKS = 65_536
_KINDS = "pnbrqk"
_COUNTS = "12345678"


class Placement:
    """The pieces of one placement, as masks of squares (a1 is bit 0)."""

    __slots__ = ("black", "kinds", "white")

    def __init__(self, kinds: tuple[int, ...], white: int, black: int) -> None:
        self.kinds = kinds
        self.white = white
        self.black = black

    @property
    def skeleton(self) -> Skeleton:
        """Its pawns."""
        pawns = self.kinds[0]
        return Skeleton(pawns & self.white, pawns & self.black)

    def board(self) -> chess.Board:
        """A board with these pieces, White to move, no castling rights.

        >>> pieces = read_placement(chess.STARTING_BOARD_FEN)
        >>> pieces.board().board_fen() == chess.STARTING_BOARD_FEN
        True
        """
        board = chess.Board(None)
        board.pawns, board.knights, board.bishops, board.rooks, board.queens, board.kings = (
            self.kinds
        )
        board.occupied_co[chess.WHITE] = self.white
        board.occupied_co[chess.BLACK] = self.black
        board.occupied = self.white | self.black
        return board


def read_placement(text: str) -> Placement | None:
    """The pieces of a placement field; none where anything is wrong with it.

    What is wrong, `pawnlore.structures.skeleton.skeleton_from_fen` tells.

    >>> read_placement("8/8/8/3p4/8/8/8/8").skeleton.black == chess.BB_D5
    True
    >>> read_placement("8/8/8") is None, read_placement("8/8/8/8/8/8/8/P7") is None
    (True, True)
    """
    ranks = text.split("/", 8)
    if len(ranks) != 8:
        return None
    rows = []
    for rank in ranks:
        # Nothing longer is a rank, and nothing longer is remembered.
        row = _row(rank) if len(rank) <= 8 else None
        if row is None:
            return None
        rows.append(row)
    # The eighth rank comes first, and its byte is the highest.
    *kinds, white, black = (int.from_bytes(column) for column in zip(*rows, strict=True))
    found = Placement(tuple(kinds), white, black)
    pawns = found.skeleton
    if kinds[0] & ~PAWN_RANKS or max(pawns.white.bit_count(), pawns.black.bit_count()) > 8:
        return None
    return found


@lru_cache(maxsize=_MOST_RANKS)
def _row(text: str) -> tuple[int, ...] | None:
    """A byte for each kind of piece, for White's and for Black's; bit 0 is the a-file."""
    row = [0] * 8
    file = 0
    counted = False
    for symbol in text:
        if symbol in _COUNTS:
            if counted:
                return None
            counted = True
            file += int(symbol)
            continue
        counted = False
        kind = _KINDS.find(symbol.lower()) if symbol.isascii() else -1
        if kind < 0 or file > 7:
            return None
        row[kind] |= 1 << file
        row[6 if symbol.isupper() else 7] |= 1 << file
        file += 1
    return tuple(row) if file == 8 else None
