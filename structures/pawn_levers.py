"""Pawn levers: the pawn moves that bring a pawn into contact with a hostile one.

A lever is two hostile pawns that can take each other; a break is the pawn move
that makes one. Both words are the trade's (*lever*: Kmoch, *Pawn Power in
Chess*, 1959). Only a side's own moves are counted here, at most two of one
pawn: the double step from the second rank is one move. A pawn that is already
in contact at its first stop makes its break there, so it is not followed on.
"""

from __future__ import annotations

from typing import NamedTuple

import chess
import numpy as np

from pawnlore.structures.bits import Bits, beside, down, up
from pawnlore.structures.sides import on_board, own_and_foe
from pawnlore.structures.skeleton import Masks, Skeleton

CAPTURE, LEVER, PUSH, PIECE = "capture", "lever", "push", "piece"
"""Kinds of breaks: takes a pawn, makes a lever, makes no contact, takes a piece."""

SIDES = ("white", "black")
"""The sides by column of a batch."""

_THIRD_RANK = np.uint64(chess.BB_RANK_3)


class LeverSquares(NamedTuple):
    """Where pawns make new levers: landing squares ``uint64`` (N, 2), by side.

    ``one`` takes one pawn move and ``two`` takes two; no square is in both. A
    square tells the pawn as well: it is the nearest one behind it on its file.
    """

    one: Masks
    two: Masks

    @property
    def all(self) -> Masks:
        """Both together, ``uint64`` (N, 2)."""
        return self.one | self.two


def lever_squares(masks: Masks) -> LeverSquares:
    """The landing squares of every break of a batch (N, 2), worked out on whole columns.

    >>> from pawnlore.structures.drawing import batch_from_drawings, both_in_words
    >>> carlsbad = batch_from_drawings('''
    ...     p p . . . p p p
    ...     . . p . . . . .
    ...     . . . p . . . .
    ...     . . . P . . . .
    ...     . . . . P . . .
    ...     P P . . . P P P
    ... ''')
    >>> breaks = lever_squares(carlsbad)
    >>> both_in_words(breaks.one), both_in_words(breaks.two)
    ('White e4, Black c5', 'White b5, Black f4')
    """
    own, foe = own_and_foe(masks)
    free = ~(own | foe)
    contact = beside(down(foe))
    stops = _stops(own, free)
    one = stops & contact
    two = up(stops & ~contact) & free & contact & ~one
    return LeverSquares(on_board(one), on_board(two))


def breaks_of(masks: Masks) -> LeverSquares:
    """The breaks that exist in each skeleton of a batch: `lever_squares` by its trade name."""
    return lever_squares(masks)


def _stops(own: Bits, free: Bits) -> Bits:
    """Where pawns that move up the board can stand after one push."""
    steps = up(own) & free
    return steps | (up(steps & _THIRD_RANK) & free)


class PawnBreak(NamedTuple):
    """One break of one side.

    ``path`` holds the pawn's squares, from where it stands to where it lands;
    ``hits`` the hostile pawns that it can take from there, or for a capture
    the square of what it takes. ``leaves_tension`` is true for a push of a
    pawn that stands in a lever now.
    """

    side: str
    kind: str
    path: tuple[int, ...]
    hits: tuple[int, ...] = ()
    leaves_tension: bool = False

    @property
    def moves(self) -> int:
        """How many pawn moves it takes."""
        return len(self.path) - 1

    @property
    def landing(self) -> int:
        """The square on which the pawn lands."""
        return self.path[-1]

    @property
    def color(self) -> bool:
        """The side as python-chess has it."""
        return self.side == SIDES[0]

    @property
    def text(self) -> str:
        """The break as the trade writes it.

        >>> PawnBreak("black", LEVER, (chess.C6, chess.C5), (chess.D4,)).text
        '...c6-c5'
        >>> PawnBreak("white", CAPTURE, (chess.C4, chess.D5), (chess.D5,)).text
        'cxd5'
        """
        names = [chess.square_name(square) for square in self.path]
        crosses = self.kind in (CAPTURE, PIECE)
        told = f"{names[0][0]}x{names[-1]}" if crosses else "-".join(names)
        return told if self.color else f"...{told}"


def pawn_breaks(skeleton: Skeleton) -> tuple[PawnBreak, ...]:
    """Every capture, lever and push that the pawns alone allow, White's first.

    Within a side captures come first, then levers, then pushes, from the
    a-file to the h-file; no pawn goes to the last rank.

    >>> from pawnlore.structures.skeleton import skeleton_from_fen
    >>> tension = skeleton_from_fen("8/pp3ppp/4p3/2pp4/2PP4/4P3/PP3PPP/8")
    >>> [b.text for b in pawn_breaks(tension) if b.kind == CAPTURE]
    ['cxd5', 'dxc5', '...cxd4', '...dxc4']
    >>> [b.text for b in pawn_breaks(tension) if b.kind == LEVER and b.moves == 1]
    ['b2-b4', 'e3-e4', '...b7-b5', '...e6-e5']
    """
    found = _breaks(skeleton.white, skeleton.black)
    mirror = skeleton.mirrored()
    for own in _breaks(mirror.white, mirror.black):
        found.append(
            own._replace(
                side=SIDES[1],
                path=tuple(square ^ 56 for square in own.path),
                hits=tuple(square ^ 56 for square in own.hits),
            )
        )
    return tuple(found)


def _breaks(own: int, foe: int) -> list[PawnBreak]:
    """The breaks of pawns that move up the board."""
    found = []
    for start in chess.scan_forward(own):
        tension = chess.BB_PAWN_ATTACKS[True][start] & foe
        for taken in chess.scan_forward(tension):
            if chess.square_rank(taken) < 7:
                found.append(PawnBreak(SIDES[0], CAPTURE, (start, taken), (taken,)))
        for path in _paths(start, own | foe, foe):
            hits = tuple(chess.scan_forward(chess.BB_PAWN_ATTACKS[True][path[-1]] & foe))
            kind = LEVER if hits else PUSH
            found.append(PawnBreak(SIDES[0], kind, path, hits, bool(tension)))
    rank = {CAPTURE: 0, LEVER: 1, PUSH: 2}
    found.sort(key=lambda b: (rank[b.kind], chess.square_file(b.path[0]), b.path))
    return found


def _paths(start: int, occupied: int, foe: int) -> list[tuple[int, ...]]:
    """The ways ahead of one pawn within two moves, each landing square once."""
    paths: dict[int, tuple[int, ...]] = {}
    stops: list[int] = []
    square = start + 8
    while square < 56 and not (occupied >> square) & 1 and len(stops) < 3:
        stops.append(square)
        square += 8
    double = chess.square_rank(start) == 1
    for index, stop in enumerate(stops):
        if index == 0 or (index == 1 and double):
            paths[stop] = (start, stop)
            continue
        before = stops[index - 1]
        in_contact = chess.BB_PAWN_ATTACKS[True][before] & foe
        if len(paths.get(before, ())) == 2 and not in_contact:
            paths[stop] = (*paths[before], stop)
    return list(paths.values())
