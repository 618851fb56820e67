"""Spans: where pawns can go and what they guard on the way.

Every function takes a batch ``uint64`` (N, 2) and gives squares of the board
``uint64`` (N, 2): column 0 for White's pawns, column 1 for Black's. Spans are
about the pawn's own file: a pawn is taken to advance straight ahead, whatever
stands in its way, and not to capture. The words are those of bitboard
programming, in which "span" is common practice.
"""

from __future__ import annotations

from pawnlore.structures.bits import Bits, beside, down, fill_down, fill_up, up
from pawnlore.structures.sides import on_board, own_and_foe
from pawnlore.structures.skeleton import Masks


def guarded_by(own: Bits) -> Bits:
    """The squares that pawns guard which move up the board."""
    return beside(up(own))


def attacks(masks: Masks) -> Masks:
    """The squares that each side's pawns guard now.

    Source: the pawn's capture in the FIDE Laws of Chess, article 3.7.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(attacks(batch_from_drawings('''
    ...     . . . . . . . .
    ...     . . . . . . . .
    ...     . . p . . . . .
    ...     . . . . . . . .
    ...     . . . . . . . .
    ...     P . . . . . . .
    ... ''')))
    'White b3, Black b4 d4'
    """
    own, _ = own_and_foe(masks)
    return on_board(guarded_by(own))


def stop_squares(masks: Masks) -> Masks:
    """The square in front of each pawn, taken or free.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(stop_squares(batch_from_drawings('''
    ...     . . . . . . . .
    ...     . . . . . . . .
    ...     . . p . . . . .
    ...     . . . . . . . .
    ...     . . . . . . . .
    ...     P . . . . . . .
    ... ''')))
    'White a3, Black c4'
    """
    own, _ = own_and_foe(masks)
    return on_board(up(own))


def front_spans(masks: Masks) -> Masks:
    """Every square in front of a pawn on its file, up to the last rank.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(front_spans(batch_from_drawings('''
    ...     . . . . . . . .
    ...     . . . . . . . .
    ...     . . p . . . . .
    ...     . . . . P . . .
    ...     . . . . . . . .
    ...     . . . . . . . .
    ... ''')))
    'White e5 e6 e7 e8, Black c1 c2 c3 c4'
    """
    own, _ = own_and_foe(masks)
    return on_board(fill_up(up(own)))


def rear_spans(masks: Masks) -> Masks:
    """Every square behind a pawn on its file, down to its side's first rank.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(rear_spans(batch_from_drawings('''
    ...     . . . . . . . .
    ...     . . . . . . . .
    ...     . . p . . . . .
    ...     . . . . P . . .
    ...     . . . . . . . .
    ...     . . . . . . . .
    ... ''')))
    'White e1 e2 e3, Black c6 c7 c8'
    """
    own, _ = own_and_foe(masks)
    return on_board(fill_down(down(own)))


def attack_spans(masks: Masks) -> Masks:
    """Every square that a pawn guards now or can guard after it has advanced.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(attack_spans(batch_from_drawings('''
    ...     . . . . . . . .
    ...     . . . . . . . .
    ...     . . p . . . . .
    ...     . . . . . . . P
    ...     . . . . . . . .
    ...     . . . . . . . .
    ... ''')))
    'White g5 g6 g7 g8, Black b1 b2 b3 b4 d1 d2 d3 d4'
    """
    own, _ = own_and_foe(masks)
    return on_board(guarded_by(fill_up(own)))
