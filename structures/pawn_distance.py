"""How far apart two skeletons are, as a chess player would see it.

A pawn that stands on another square of its file is one difference, and so is a
pawn that is there or not. Central pawns weigh more, since they make the
structure.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pawnlore.structures.skeleton import Masks

FILE_WEIGHTS = (1.0, 1.5, 3.0, 4.0, 4.0, 2.0, 1.0, 1.0)
"""What a difference on each file, a to h, weighs."""

_FILE_A = np.uint64(0x0101_0101_0101_0101)


def pawn_distances(masks: Masks, to: npt.NDArray[np.uint64]) -> npt.NDArray[np.float64]:
    """The distance, (N,), of each skeleton of a batch (N, 2) to one skeleton (2,).

    It is zero for equal pawns only, symmetric, and never more than the way
    round by a third skeleton.

    >>> from pawnlore.structures.skeleton import skeletons_from_fens
    >>> three = skeletons_from_fens([
    ...     "8/8/8/3p4/3P4/8/8/8", "8/7p/8/3p4/3P4/8/8/8", "8/8/3p4/8/3P4/8/8/8"])
    >>> pawn_distances(three, three[0]).tolist()
    [0.0, 1.0, 4.0]
    """
    differ = masks ^ to[None, :]
    total = np.zeros(masks.shape[0])
    for file, weight in enumerate(FILE_WEIGHTS):
        column = _FILE_A << np.uint64(file)
        # A pawn that moved on its file differs twice, once where it was and once where it is.
        total += weight / 2 * np.bitwise_count(differ & column).sum(axis=1)
        lone = np.bitwise_count(masks & column).astype(int) - np.bitwise_count(to & column)
        total += weight / 2 * np.abs(lone).sum(axis=1)
    return total
