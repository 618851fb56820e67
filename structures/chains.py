"""Chains: pawns that guard one another along a diagonal, with base and head.

Nimzowitsch (*My System*, the chapter on the pawn chain) speaks of a chain where
two such lines stand locked against each other, as after the advance e4-e5 in
the French: White's d4 and e5 against e6 and d5. His base is the pawn that holds
up the rest, d4 there, his head the foremost, e5. Common practice also calls
unlocked pawns a chain, so ``locked`` chooses: with it, only pawns count that a
hostile pawn blocks right in front.
"""

from __future__ import annotations

from pawnlore.structures.bits import Bits, beside, down
from pawnlore.structures.sides import on_board, own_and_foe
from pawnlore.structures.skeleton import Masks
from pawnlore.structures.spans import guarded_by


def _links(masks: Masks, locked: bool) -> tuple[Bits, Bits]:
    """The pawns that guard another of their side, and those that are guarded."""
    own, foe = own_and_foe(masks)
    if locked:
        own &= down(foe)
    return own & beside(down(own)), own & guarded_by(own)


def chains(masks: Masks, *, locked: bool = False) -> Masks:
    """Every pawn that guards a pawn of its own side or is guarded by one.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> french = batch_from_drawings('''
    ...     p p . . . p p p
    ...     . . . . p . . .
    ...     . . p p P . . .
    ...     . . . P . . . .
    ...     . . P . . . . .
    ...     P P . . . P P P
    ... ''')
    >>> both_in_words(chains(french, locked=True))
    'White d4 e5, Black d5 e6'
    >>> both_in_words(chains(french))
    'White b2 c3 d4 e5, Black d5 e6 f7'
    """
    guarding, guarded = _links(masks, locked)
    return on_board(guarding | guarded)


def chain_bases(masks: Masks, *, locked: bool = False) -> Masks:
    """The pawns of a chain that guard another and are guarded by none.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> spanish = batch_from_drawings('''
    ...     . . . . . p p p
    ...     p . . p . . . .
    ...     . p p P p . . .
    ...     . . . . P . . .
    ...     . . P . . . . P
    ...     P P . . . P P .
    ... ''')
    >>> both_in_words(chain_bases(spanish, locked=True))
    'White e4, Black d6'
    >>> both_in_words(chain_bases(spanish))
    'White b2 e4 g2, Black a6 d6'
    """
    guarding, guarded = _links(masks, locked)
    return on_board(guarding & ~guarded)


def chain_heads(masks: Masks, *, locked: bool = False) -> Masks:
    """The pawns of a chain that are guarded and guard no other.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> both_in_words(chain_heads(batch_from_drawings('''
    ...     p p . . . p p p
    ...     . . . . p . . .
    ...     . . p p P . . .
    ...     . . . P . . . .
    ...     . . P . . . . .
    ...     P P . . . P P P
    ... ''')))
    'White e5, Black d5'
    """
    guarding, guarded = _links(masks, locked)
    return on_board(guarded & ~guarding)
