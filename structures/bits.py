"""Bit tricks on arrays of 64-bit masks: shifts, fills, files and counts.

"Up" is towards rank 8. Functions take and give ``uint64`` arrays of any shape,
and nothing wraps round the edge of the board.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Bits = npt.NDArray[np.uint64]
"""Masks of squares, ``uint64`` of any shape."""

FileSets = npt.NDArray[np.uint8]
"""Sets of files, one bit a file (bit 0 is the a-file, bit 7 the h-file)."""

NOT_A_FILE = np.uint64(0xFEFE_FEFE_FEFE_FEFE)
NOT_H_FILE = np.uint64(0x7F7F_7F7F_7F7F_7F7F)
_ONE, _TWO, _FOUR = np.uint64(1), np.uint64(2), np.uint64(4)
_RANK, _TWO_RANKS, _FOUR_RANKS = np.uint64(8), np.uint64(16), np.uint64(32)
_FIFTY_SIX = np.uint64(56)
_FIRST_RANK = np.uint64(0xFF)
_EVERY_RANK = np.uint64(0x0101_0101_0101_0101)
_PAIRS = np.uint64(0x5555_5555_5555_5555)
_QUADS = np.uint64(0x3333_3333_3333_3333)
_BYTES = np.uint64(0x0F0F_0F0F_0F0F_0F0F)
_BYTE_COUNT = np.array([value.bit_count() for value in range(256)], dtype=np.int8)


def up(bits: Bits) -> Bits:
    """Every square moved one rank up; what leaves the board is gone."""
    return bits << _RANK


def down(bits: Bits) -> Bits:
    """Every square moved one rank down; what leaves the board is gone."""
    return bits >> _RANK


def left(bits: Bits) -> Bits:
    """Every square moved one file towards the a-file."""
    return (bits & NOT_A_FILE) >> _ONE


def right(bits: Bits) -> Bits:
    """Every square moved one file towards the h-file."""
    return (bits & NOT_H_FILE) << _ONE


def beside(bits: Bits) -> Bits:
    """The squares next to these on the same rank.

    >>> import chess
    >>> from pawnlore.structures.skeleton import squares_in_words
    >>> squares_in_words(int(beside(np.array([chess.BB_A2 | chess.BB_H3], dtype=np.uint64))[0]))
    'b2 g3'
    """
    return left(bits) | right(bits)


def fill_up(bits: Bits) -> Bits:
    """These squares and everything above them on their files."""
    bits = bits | (bits << _RANK)
    bits = bits | (bits << _TWO_RANKS)
    return bits | (bits << _FOUR_RANKS)


def fill_down(bits: Bits) -> Bits:
    """These squares and everything below them on their files."""
    bits = bits | (bits >> _RANK)
    bits = bits | (bits >> _TWO_RANKS)
    return bits | (bits >> _FOUR_RANKS)


def fill_files(bits: Bits) -> Bits:
    """Every square of the files on which these squares stand."""
    return ((fill_down(bits)) & _FIRST_RANK) * _EVERY_RANK


def file_sets(bits: Bits) -> FileSets:
    """The files on which these squares stand, as bits; the same shape, ``uint8``.

    >>> import chess
    >>> file_sets(np.array([chess.BB_A2 | chess.BB_C4 | chess.BB_C5], dtype=np.uint64)).tolist()
    [5]
    """
    return (fill_down(bits) & _FIRST_RANK).astype(np.uint8)


def file_squares(files: FileSets) -> Bits:
    """Every square of these files, the reverse of `file_sets`.

    >>> import chess
    >>> file_squares(np.array([1], dtype=np.uint8)).tolist() == [chess.BB_FILE_A]
    True
    """
    return files.astype(np.uint64) * _EVERY_RANK


def count_files(files: FileSets) -> npt.NDArray[np.int8]:
    """How many files each set holds; the same shape, ``int8``."""
    return _BYTE_COUNT[files]


def count_bits(bits: Bits) -> npt.NDArray[np.int8]:
    """How many squares each mask holds; the same shape, ``int8``.

    Sums neighbouring groups of bits in parallel, as H. S. Warren's *Hacker's
    Delight* (chapter "Counting bits") does.

    >>> count_bits(np.array([0, 0xFF00, 0xFFFF_FFFF_FFFF_FFFF], dtype=np.uint64)).tolist()
    [0, 8, 64]
    """
    bits = bits - ((bits >> _ONE) & _PAIRS)
    bits = (bits & _QUADS) + ((bits >> _TWO) & _QUADS)
    bits = (bits + (bits >> _FOUR)) & _BYTES
    return ((bits * _EVERY_RANK) >> _FIFTY_SIX).astype(np.int8)
