"""Boards as text: pawns drawn in six lines of eight, and squares named in words.

A drawing shows ranks 7 to 2 from top to bottom, files a to h from left to
right: ``P`` is a white pawn, ``p`` a black one, ``.`` an empty square. Blanks
between the squares and empty lines around the drawing do not count.
"""

from __future__ import annotations

import chess

from pawnlore.structures.skeleton import Masks, Skeleton, SkeletonError, pack, squares_in_words

_RANKS = 6


def skeleton_from_drawing(text: str) -> Skeleton:
    """Read one drawing.

    Raises `SkeletonError` for a drawing of another size, for another symbol
    and for more than eight pawns of one side.

    >>> isolani = skeleton_from_drawing('''
    ...     p p . . . p p p
    ...     . . . . p . . .
    ...     . . . . . . . .
    ...     . . . P . . . .
    ...     . . . . . . . .
    ...     P P . . . P P P
    ... ''')
    >>> squares_in_words(isolani.white)
    'a2 b2 d4 f2 g2 h2'
    """
    rows = ["".join(line.split()) for line in text.splitlines() if line.strip()]
    if len(rows) != _RANKS:
        raise SkeletonError(f"a drawing has {_RANKS} lines, ranks 7 to 2, not {len(rows)}")
    white = black = 0
    for line, row in enumerate(rows):
        rank = 6 - line
        if len(row) != 8:
            raise SkeletonError(f"rank {rank + 1} of the drawing has {len(row)} squares, not 8")
        for file, symbol in enumerate(row):
            bit = 1 << chess.square(file, rank)
            if symbol == "P":
                white |= bit
            elif symbol == "p":
                black |= bit
            elif symbol != ".":
                raise SkeletonError(f"{symbol!r} on rank {rank + 1} is none of 'P', 'p' and '.'")
    for name, mask in (("White", white), ("Black", black)):
        if mask.bit_count() > 8:
            raise SkeletonError(f"{name} has {mask.bit_count()} pawns, and 8 is the most")
    return Skeleton(white, black)


def batch_from_drawings(*texts: str) -> Masks:
    """A batch, ``uint64`` of shape (N, 2), from N drawings.

    Raises `SkeletonError` at the first that cannot be read.
    """
    return pack(skeleton_from_drawing(text) for text in texts)


def draw(skeleton: Skeleton) -> str:
    """Draw a skeleton, the reverse of `skeleton_from_drawing`.

    >>> print(draw(Skeleton(chess.BB_E4, chess.BB_C5)))
    . . . . . . . .
    . . . . . . . .
    . . p . . . . .
    . . . . P . . .
    . . . . . . . .
    . . . . . . . .
    """
    lines = []
    for rank in range(6, 0, -1):
        symbols = []
        for file in range(8):
            bit = 1 << chess.square(file, rank)
            symbols.append("P" if skeleton.white & bit else "p" if skeleton.black & bit else ".")
        lines.append(" ".join(symbols))
    return "\n".join(lines)


def both_in_words(masks: Masks, row: int = 0) -> str:
    """The squares of one row of a motif, ``uint64`` (N, 2), for White and for Black.

    >>> both_in_words(pack([(chess.BB_E4 | chess.BB_D4, 0)]))
    'White d4 e4, Black none'
    """
    white, black = (squares_in_words(mask) or "none" for mask in masks[row].tolist())
    return f"White {white}, Black {black}"
