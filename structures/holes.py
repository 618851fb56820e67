"""Holes: squares that no pawn of a side can ever guard again.

Pawns are taken to advance straight ahead on their own file, through anything
that stands there, and not to capture. A pawn that changes its file by a capture
can therefore mend a hole; what is not a hole needs no such luck.
"""

from __future__ import annotations

import numpy as np

from pawnlore.structures.bits import fill_up
from pawnlore.structures.sides import on_board, own_and_foe
from pawnlore.structures.skeleton import Masks
from pawnlore.structures.spans import guarded_by

_THIRD_RANK_UP = np.uint64(0xFFFF_FFFF_FFFF_0000)
_THIRD_AND_FOURTH = np.uint64(0x0000_0000_FFFF_0000)


def holes(masks: Masks) -> Masks:
    """The squares that no pawn of a side can guard again; ``uint64`` (N, 2).

    Only squares from the side's own third rank on are named: in the first two
    ranks no pawn ever guarded anything, so nothing there was lost. A square
    counts whatever stands on it.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(holes(batch_from_drawings('''
    ...     p p p p p p p p
    ...     . . . . . . . .
    ...     . . . . . . . .
    ...     . . P . P . . .
    ...     . . . P . . . .
    ...     P P . . . P P P
    ... ''')))
    'White d3 d4, Black none'
    """
    own, _ = own_and_foe(masks)
    return on_board(~guarded_by(fill_up(own)) & _THIRD_RANK_UP)


def camp_holes(masks: Masks) -> Masks:
    """The holes on a side's own third and fourth rank, where a hostile piece settles.

    A square counts whatever stands on it, so the backward pawn's own square is
    among them.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(camp_holes(batch_from_drawings('''
    ...     . p . . . p p p
    ...     p . . p . . . .
    ...     . . . . p . . .
    ...     . . . . P . . .
    ...     . . . . . . . .
    ...     P P P . . P P P
    ... ''')))
    'White none, Black b6 d5 d6'
    """
    own, _ = own_and_foe(masks)
    return on_board(~guarded_by(fill_up(own)) & _THIRD_AND_FOURTH)
