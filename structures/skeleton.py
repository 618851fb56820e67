"""Skeletons: where the pawns of both sides stand, and nothing else.

A skeleton is two 64-bit masks, White's pawns and Black's, with a1 as bit 0,
h1 as bit 7 and h8 as bit 63. A batch of skeletons is a ``uint64`` array of
shape (N, 2): column 0 White, column 1 Black.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

import chess
import numpy as np
import numpy.typing as npt

Masks = npt.NDArray[np.uint64]
"""A batch of skeletons, ``uint64`` of shape (N, 2)."""

PAWN_RANKS = 0x00FF_FFFF_FFFF_FF00
"""Every square on which a pawn can stand: ranks 2 to 7."""

FILES = "abcdefgh"
_SYMBOLS = frozenset("KQRBNPkqrbnp")


class SkeletonError(ValueError):
    """A position whose pawns cannot be read; the message is meant for people."""


class Skeleton(NamedTuple):
    """The pawns of one position.

    >>> start = skeleton_from_fen("8/pppppppp/8/8/8/8/PPPPPPPP/8")
    >>> start.white == 0xFF00, start.mirrored() == start
    (True, True)
    """

    white: int
    black: int

    def mirrored(self) -> Skeleton:
        """The same pawns seen from the other side: ranks reversed, colours swapped."""
        return Skeleton(mirror_mask(self.black), mirror_mask(self.white))

    def canonical(self) -> tuple[Skeleton, bool]:
        """The smaller of this skeleton and its mirror, and whether that is the mirror."""
        mirror = self.mirrored()
        return (mirror, True) if mirror < self else (self, False)


def mirror_mask(mask: int) -> int:
    """Reverse the ranks of one mask.

    >>> mirror_mask(chess.BB_E2) == chess.BB_E7
    True
    """
    return chess.flip_vertical(mask)


def skeleton_from_board(board: chess.BaseBoard) -> Skeleton:
    """The skeleton of a python-chess board, read without a copy.

    >>> skeleton_from_board(chess.Board()).white == chess.BB_RANK_2
    True
    """
    pawns = board.pawns
    return Skeleton(pawns & board.occupied_co[True], pawns & board.occupied_co[False])


def skeleton_from_fen(fen: str) -> Skeleton:
    """The skeleton of a FEN or EPD line, or of a bare piece placement field.

    Only the placement is read, so a position without kings (a bare skeleton)
    is welcome. Raises `SkeletonError` when the placement is malformed or a
    pawn stands on the first or the last rank.

    >>> skeleton_from_fen("8/8/4p3/3p4/3P4/8/8/8").black == chess.BB_E6 | chess.BB_D5
    True
    >>> skeleton_from_fen("8/8/8")
    Traceback (most recent call last):
    ...
    pawnlore.structures.skeleton.SkeletonError: the placement has 3 ranks instead of 8
    """
    fields = fen.split(None, 1)
    if not fields:
        raise SkeletonError("the line is empty")
    placement = fields[0]
    if len(placement) > 128:
        raise SkeletonError("the first field is too long to be a piece placement")
    ranks = placement.split("/")
    if len(ranks) != 8:
        raise SkeletonError(
            f"the placement has {len(ranks)} rank{'s' * (len(ranks) != 1)} instead of 8"
        )
    white = black = 0
    for row, text in enumerate(ranks):
        rank = 7 - row
        file = 0
        counted = False
        for symbol in text:
            if symbol in "12345678":
                if counted:
                    # Two counts that follow each other are no FEN; python-chess refuses them too.
                    raise SkeletonError(
                        f"rank {rank + 1} counts empty squares twice in a row; write their sum"
                    )
                counted = True
                file += int(symbol)
                continue
            counted = False
            if symbol in _SYMBOLS:
                if symbol in "Pp":
                    if rank in (0, 7):
                        raise SkeletonError(f"a pawn stands on rank {rank + 1}")
                    if file < 8:
                        bit = 1 << (8 * rank + file)
                        if symbol == "P":
                            white |= bit
                        else:
                            black |= bit
                file += 1
            else:
                raise SkeletonError(f"{symbol!r} is no piece and no count of empty squares")
        if file != 8:
            raise SkeletonError(f"rank {rank + 1} has {file} squares instead of 8")
    for name, mask in (("White", white), ("Black", black)):
        if mask.bit_count() > 8:
            raise SkeletonError(f"{name} has {mask.bit_count()} pawns, and 8 is the most")
    return Skeleton(white, black)


def pack(skeletons: Iterable[tuple[int, int]]) -> Masks:
    """Turn skeletons into a batch: ``uint64`` of shape (N, 2).

    >>> pack([Skeleton(1 << 8, 1 << 48)]).shape
    (1, 2)
    """
    rows = list(skeletons)
    return np.array(rows, dtype=np.uint64).reshape(len(rows), 2)


def unpack(masks: Masks) -> Iterator[Skeleton]:
    """Walk a batch as `Skeleton` values."""
    for white, black in masks.tolist():
        yield Skeleton(white, black)


def skeletons_from_fens(fens: Iterable[str]) -> Masks:
    """A batch from FEN or EPD lines, ``uint64`` of shape (N, 2).

    Raises `SkeletonError` at the first bad line. Where bad lines are to be
    kept apart, call `skeleton_from_fen` line by line.
    """
    return pack(skeleton_from_fen(fen) for fen in fens)


def skeletons_from_boards(boards: Iterable[chess.BaseBoard]) -> Masks:
    """A batch from python-chess boards, ``uint64`` of shape (N, 2)."""
    return pack(skeleton_from_board(board) for board in boards)


def check_masks(masks: npt.ArrayLike) -> Masks:
    """Validate a batch and give it back as ``uint64`` of shape (N, 2).

    Raises `SkeletonError` for another shape or type, for a pawn on the first
    or last rank and for a square that holds pawns of both sides.
    """
    batch = np.asarray(masks)
    if batch.ndim != 2 or batch.shape[1] != 2:
        raise SkeletonError(f"a batch of skeletons has shape (N, 2), not {batch.shape}")
    if batch.dtype != np.uint64:
        if batch.size and not np.issubdtype(batch.dtype, np.integer):
            raise SkeletonError(f"skeletons are 64-bit masks, not {batch.dtype}")
        batch = batch.astype(np.uint64)
    if np.any(batch & np.uint64(PAWN_RANKS ^ 0xFFFF_FFFF_FFFF_FFFF)):
        raise SkeletonError("a pawn stands on the first or the last rank")
    if np.any(batch[:, 0] & batch[:, 1]):
        raise SkeletonError("one square holds a pawn of both sides")
    return batch


def mirror_batch(masks: Masks) -> Masks:
    """Every skeleton of a batch seen from the other side; shape (N, 2).

    >>> bool((mirror_batch(mirror_batch(m := pack([(256, 1 << 50)]))) == m).all())
    True
    """
    return masks[:, ::-1].byteswap()


def canonical_batch(masks: Masks) -> tuple[Masks, npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """The smaller of each skeleton and its mirror.

    Returns the canonical batch (N, 2), a mask (N,) of the rows that were
    mirrored, and a mask (N,) of the rows that equal their own mirror.
    """
    mirror = mirror_batch(masks)
    swapped = (mirror[:, 0] < masks[:, 0]) | (
        (mirror[:, 0] == masks[:, 0]) & (mirror[:, 1] < masks[:, 1])
    )
    own_mirror = (mirror == masks).all(axis=1)
    return np.where(swapped[:, None], mirror, masks), swapped, own_mirror


def placement(skeleton: Skeleton) -> str:
    """The skeleton as the piece placement field of a FEN.

    >>> placement(Skeleton(chess.BB_D4, chess.BB_D5 | chess.BB_E6))
    '8/8/4p3/3p4/3P4/8/8/8'
    """
    board = chess.BaseBoard.empty()
    board.pawns = skeleton.white | skeleton.black
    board.occupied_co[True] = skeleton.white
    board.occupied_co[False] = skeleton.black
    board.occupied = board.pawns
    return board.board_fen()


def squares_in_words(mask: int) -> str:
    """The squares of one mask, file by file.

    >>> squares_in_words(chess.BB_E6 | chess.BB_D5)
    'd5 e6'
    """
    return " ".join(sorted(chess.square_name(square) for square in chess.scan_forward(mask)))
