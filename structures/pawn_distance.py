"""How far apart two skeletons are, as a chess player would see it.

Pawns are compared file by file, each side's with its own. A pawn that is there
or not weighs most, since that opens or closes a file. A pawn on another square
of its file weighs by how far it is: the step from the second rank to the third
is small change, since most structures do not mind it, and every step beyond
counts for more. All of it weighs most in the centre, which makes the structure.
The weights are common practice put into numbers, no source; the tests hold
them to positions that trainers labelled.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

from pawnlore.structures.matcher import file_patterns
from pawnlore.structures.skeleton import Masks

FILE_WEIGHTS = (0.5, 1.0, 3.0, 4.0, 4.0, 1.5, 0.5, 0.5)
"""What a difference on each file, a to h, weighs."""

RANKS = (0.0, 0.25, 1.1, 1.9, 2.3, 2.6)
"""Where ranks 2 to 7, seen from the pawn's own side, stand on the way up."""

MOST = 1.6
"""The most that a pawn on another square of its file counts for."""

MISSING = 1.25
"""What a pawn that is there or not counts for."""

Patterns = npt.NDArray[np.uint8]
"""The files of a batch as numbers 0 to 255, (16, N): White's a to h, then Black's."""


def side_patterns(masks: Masks) -> Patterns:
    """Every file of a batch (N, 2), Black's seen from Black's side."""
    white = file_patterns(masks[:, 0])
    black = file_patterns(masks[:, 1].byteswap())
    return np.concatenate([white, black]).astype(np.uint8)


def pattern_distances(patterns: Patterns, to: Patterns) -> npt.NDArray[np.float64]:
    """The distance, (N,), of a batch's patterns (16, N) to those of one skeleton (16,)."""
    costs = _file_costs()
    total = np.zeros(patterns.shape[1])
    for place in range(16):
        row = costs[to[place]] * FILE_WEIGHTS[place % 8]
        total += row[patterns[place]]
    return np.round(total, 6)


def pawn_distances(masks: Masks, to: npt.NDArray[np.uint64]) -> npt.NDArray[np.float64]:
    """The distance, (N,), of each skeleton of a batch (N, 2) to one skeleton (2,).

    It is zero for equal pawns only, symmetric, and never more than the way
    round by a third skeleton. Mirroring both skeletons does not change it.

    >>> from pawnlore.structures.skeleton import skeletons_from_fens
    >>> four = skeletons_from_fens(["8/8/8/3p4/3P4/8/8/8", "8/7p/8/3p4/3P4/8/8/8",
    ...     "8/8/3p4/8/3P4/8/8/8", "8/8/8/8/3P4/8/8/8"])
    >>> pawn_distances(four, four[0]).tolist()
    [0.0, 0.625, 3.4, 5.0]
    """
    one = side_patterns(np.asarray(to, dtype=np.uint64).reshape(1, 2))[:, 0]
    return pattern_distances(side_patterns(masks), one)


@cache
def _file_costs() -> npt.NDArray[np.float64]:
    """The cost between any two ways to fill a file, (256, 256), before the file's weight."""
    costs = np.zeros((256, 256))
    for one in range(0, 128, 2):
        for other in range(0, 128, 2):
            costs[one, other] = _cost(one, other)
    return costs


@cache
def _cost(one: int, other: int) -> float:
    """The cheapest way to turn one file's pawns into another's.

    Matching pawns is never dearer than taking one off and putting one on, so
    only the difference in number is missing.
    """
    if one.bit_count() > other.bit_count():
        return _cost(other, one)
    if not one:
        return MISSING * other.bit_count()
    lowest = one & -one
    rank = lowest.bit_length() - 2
    best = float("inf")
    rest = other
    while rest:
        bit = rest & -rest
        rest ^= bit
        step = min(MOST, abs(RANKS[rank] - RANKS[bit.bit_length() - 2]))
        best = min(best, step + _cost(one ^ lowest, other ^ bit))
    return best
