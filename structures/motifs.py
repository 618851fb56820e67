"""Motifs: what a trained player sees in the pawns of one side.

Every function takes a batch ``uint64`` (N, 2) and gives the pawns that show
the motif, ``uint64`` (N, 2), in squares of the board: column 0 White's pawns,
column 1 Black's. Chains, files, holes and majorities have modules of their own.

Doubled, backward and isolated pawns are the three weaknesses that Shannon
counts ("Programming a Computer for Playing Chess", Philosophical Magazine,
1950); he names them and leaves the definitions to the trade. Levers, rams and
duos are Kmoch's words (*Pawn Power in Chess*, 1959).
"""

from __future__ import annotations

import numpy as np

from pawnlore.structures.bits import (
    Bits,
    beside,
    down,
    file_sets,
    file_squares,
    fill_down,
    fill_files,
    fill_up,
    left,
    right,
    up,
)
from pawnlore.structures.sides import on_board, own_and_foe
from pawnlore.structures.skeleton import Masks
from pawnlore.structures.spans import guarded_by

_B_TO_F_FILES = np.uint8(0b0011_1110)
_ONE, _TWO = np.uint8(1), np.uint8(2)


def _doubled(own: Bits) -> Bits:
    return own & (fill_up(up(own)) | fill_down(down(own)))


def _lonely(own: Bits) -> Bits:
    return own & ~beside(fill_files(own))


def isolated(masks: Masks) -> Masks:
    """Pawns without a pawn of their own side on a neighbouring file.

    Both pawns of an isolated doubled pair count.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(isolated(batch_from_drawings('''
    ...     p p . . . p . p
    ...     . . . . p . . .
    ...     . . . . . . . .
    ...     . . . P . . . .
    ...     . . . . . . . .
    ...     P P . . . P P P
    ... ''')))
    'White d4, Black h7'
    """
    own, _ = own_and_foe(masks)
    return on_board(_lonely(own))


def doubled(masks: Masks) -> Masks:
    """Pawns that share their file with another pawn of their own side.

    Every pawn on the file counts, so a doubled pair gives two squares.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(doubled(batch_from_drawings('''
    ...     p . p . . p p p
    ...     . . p . . . . .
    ...     . . . . p . . .
    ...     . . . . P . . .
    ...     . . . P . . . .
    ...     P P P . . P P P
    ... ''')))
    'White none, Black c6 c7'
    """
    own, _ = own_and_foe(masks)
    return on_board(_doubled(own))


def backward(masks: Masks) -> Masks:
    """Pawns left behind by their neighbours, with a hostile pawn guarding the way.

    A pawn is backward when it is not isolated, no pawn of its own side can
    ever guard the square in front of it, and a pawn of the other side guards
    that square now. The double step from the second rank is not considered,
    and the file need not be half-open: combine with
    `pawnlore.structures.file_states.half_open_files` where that matters.
    Common practice in chess programming; definitions in books differ.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(backward(batch_from_drawings('''
    ...     . p . . . p p p
    ...     p . . p . . . .
    ...     . . . . p . . .
    ...     . . . . P . . .
    ...     . . . . . . . .
    ...     P P P . . P P P
    ... ''')))
    'White none, Black d6'
    """
    own, foe = own_and_foe(masks)
    weak_stops = up(own) & beside(down(foe)) & ~guarded_by(fill_up(own))
    return on_board(down(weak_stops) & ~_lonely(own))


def passed(masks: Masks) -> Masks:
    """Pawns with no hostile pawn ahead on their own or on a neighbouring file.

    Only hostile pawns count: the rear pawn of a doubled pair is passed too
    where nothing hostile is ahead of it. Common practice.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(passed(batch_from_drawings('''
    ...     p p . . . p p p
    ...     . . . . . . . .
    ...     . . p P . . . .
    ...     . . . . . . . .
    ...     . . . . . . . .
    ...     P P . . . P P P
    ... ''')))
    'White d5, Black none'
    """
    own, foe = own_and_foe(masks)
    watched = fill_down(down(foe))
    return on_board(own & ~(watched | beside(watched)))


def duos(masks: Masks) -> Masks:
    """Pawns that stand side by side with one of their own.

    Source of the word: Kmoch. A duo guards the two squares in front of it.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(duos(batch_from_drawings('''
    ...     . . . . . . . .
    ...     . . . . p . . .
    ...     . . . p . . . .
    ...     . . P P . . . .
    ...     . . . . . . . .
    ...     . . . . . . . .
    ... ''')))
    'White c4 d4, Black none'
    """
    own, _ = own_and_foe(masks)
    return on_board(own & beside(own))


def rams(masks: Masks) -> Masks:
    """Pawns blocked by a hostile pawn right in front of them, and so blocking it.

    Source of the word: Kmoch.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(rams(batch_from_drawings('''
    ...     . . . . . . . .
    ...     . . . . p . . .
    ...     . . . p P . . .
    ...     . . . P . . . .
    ...     . . . . . . . .
    ...     . . . . . . . .
    ... ''')))
    'White d4 e5, Black d5 e6'
    """
    own, foe = own_and_foe(masks)
    return on_board(own & down(foe))


def levers(masks: Masks) -> Masks:
    """Pawns that can capture a hostile pawn, which can then capture them too.

    Source of the word: Kmoch. Captures in passing are not considered, since a
    skeleton does not know the last move.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(levers(batch_from_drawings('''
    ...     . . . . . . . .
    ...     . . . . p . . .
    ...     . . . p . . . .
    ...     . . P P . . . .
    ...     . . . . . . . .
    ...     . . . . . . . .
    ... ''')))
    'White c4, Black d5'
    """
    own, foe = own_and_foe(masks)
    return on_board(own & beside(down(foe)))


def hanging_pawns(masks: Masks) -> Masks:
    """Two pawns abreast, parted from all others, on files half-open for the foe.

    The pair stands side by side; each file holds one of the two and no other
    pawn of either side; the two neighbouring files hold no pawn of that side.
    Pairs that touch the edge of the board are left out, as the trade does not
    call them hanging. The pair c4 and d4 is the textbook case, which Nimzowitsch
    treats in *My System* after the isolated queen's pawn.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(hanging_pawns(batch_from_drawings('''
    ...     p p . . . p p p
    ...     . . . . p . . .
    ...     . . . . . . . .
    ...     . . P P . . . .
    ...     . . . . . . . .
    ...     P . . . . P P P
    ... ''')))
    'White c4 d4, Black none'
    """
    own, _ = own_and_foe(masks)
    west = _lone_pairs(own) & left(own)
    return on_board(west | right(west))


def isolated_couples(masks: Masks) -> Masks:
    """Two pawns, one guarding the other, parted from all others as hanging pawns are.

    The pair c3 and d4 is the textbook case; an advance turns it into hanging
    pawns. Common practice: the isolated pawn couple.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(isolated_couples(batch_from_drawings('''
    ...     p p . . . p p p
    ...     . . . . p . . .
    ...     . . . . . . . .
    ...     . . . P . . . .
    ...     . . P . . . . .
    ...     P . . . . P P P
    ... ''')))
    'White c3 d4, Black none'
    """
    own, _ = own_and_foe(masks)
    pairs = _lone_pairs(own)
    rising = pairs & left(down(own))
    falling = pairs & left(up(own))
    return on_board(rising | right(up(rising)) | falling | right(down(falling)))


def _lone_pairs(own: Bits) -> Bits:
    """Left pawns of two-file islands away from the edge, both files free of other pawns."""
    # Worked out on sets of files (bit 0 is the a-file), which are an eighth as wide.
    files = file_sets(own)
    foe_files = files[:, ::-1]
    single = files & ~file_sets(own & fill_up(up(own)))
    west = single & (single >> _ONE) & _B_TO_F_FILES
    west &= ~((files << _ONE) | (files >> _TWO) | foe_files | (foe_files >> _ONE))
    return own & file_squares(west)
