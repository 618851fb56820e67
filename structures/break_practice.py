"""How often a repertoire's own lines play a break, and where they end up."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pawnlore.structures.bits import count_bits
from pawnlore.structures.pawn_levers import CAPTURE, PIECE, PawnBreak
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.skeleton import Skeleton

NO_SQUARE = -1
"""Stands for the squares of a node whose move is no pawn move."""


class PawnMoves(NamedTuple):
    """The pawn move into each node, ``int8`` (N,): `NO_SQUARE` where there is none.

    ``white`` is true where White's pawn moved.
    """

    start: npt.NDArray[np.int8]
    end: npt.NDArray[np.int8]
    white: npt.NDArray[np.bool_]


def pawn_moves(book: Repertoire) -> PawnMoves:
    """The pawn moves of a repertoire, read from its skeletons; promotions are left out.

    >>> import io
    >>> from pawnlore.structures.pgn_reader import read_repertoire
    >>> moves = pawn_moves(read_repertoire([io.StringIO("1. e4 d5 2. exd5 Nf6 *")]))
    >>> moves.start.tolist(), moves.end.tolist()
    ([-1, 12, 51, 28, -1], [-1, 28, 35, 35, -1])
    """
    masks, parents = book.masks, book.parents
    start = np.full(len(book), NO_SQUARE, dtype=np.int8)
    end = start.copy()
    white = np.zeros(len(book), dtype=bool)
    if not len(book):
        return PawnMoves(start, end, white)
    before = masks[np.maximum(parents, 0)]
    gone, come = before & ~masks, masks & ~before
    for side in (0, 1):
        rows = np.flatnonzero((come[:, side] != 0) & (gone[:, side] != 0) & (parents >= 0))
        start[rows] = _squares(gone[rows, side])
        end[rows] = _squares(come[rows, side])
        white[rows] = side == 0
    return PawnMoves(start, end, white)


def _squares(bits: npt.NDArray[np.uint64]) -> npt.NDArray[np.int8]:
    """The square of each mask's lowest bit."""
    lowest = bits & (~bits + np.uint64(1))
    return count_bits(lowest - np.uint64(1))


class Practice(NamedTuple):
    """Of ``lines`` lines, how many play each break and reach each outcome.

    ``played`` has an entry a break, ``reached`` a tuple a break with an entry
    an outcome: lines that play the break and have exactly these pawns then or
    later. ``example`` is the first node that plays the break, or -1.
    """

    lines: int
    played: tuple[int, ...]
    reached: tuple[tuple[int, ...], ...]
    example: tuple[int, ...]


def practice(
    book: Repertoire,
    here: npt.NDArray[np.bool_],
    breaks: Sequence[PawnBreak],
    ends: Sequence[Sequence[Skeleton]],
    moves: PawnMoves | None = None,
) -> Practice:
    """Count the lines that pass a node of ``here`` (N,) and go on to play each break.

    A break counts where that side's pawn lands on its square, by a push on the
    file or by just this capture; at whatever later move. One pass over the
    nodes, whatever the number of breaks.
    """
    moves = moves if moves is not None else pawn_moves(book)
    first = np.full(len(breaks), -1)
    plays: dict[int, int] = {}
    ending: dict[Skeleton, list[tuple[int, int]]] = {}
    # Bit 0 of a line's flags tells that it has passed the position asked about.
    bit = 2
    bits: list[tuple[int, list[int]]] = []
    for index, pawn_break in enumerate(breaks):
        match = (moves.white == pawn_break.color) & (moves.end == pawn_break.landing)
        if pawn_break.kind in (CAPTURE, PIECE):
            match &= moves.start == pawn_break.path[0]
        else:
            match &= (moves.start & 7) == (pawn_break.landing & 7)
        own, bit = bit, bit << 1
        for node in np.flatnonzero(match & (moves.end != NO_SQUARE)).tolist():
            plays[node] = plays.get(node, 0) | own
        reached = []
        for skeleton in ends[index]:
            ending.setdefault(skeleton, []).append((own, bit))
            reached.append(bit)
            bit <<= 1
        bits.append((own, reached))
    flags = _flow(book, here, plays, ending)
    played = [0] * len(breaks)
    counts = [[0] * len(reached) for _, reached in bits]
    lines = 0
    tally: dict[int, int] = {}
    for leaf in book.leaves.tolist():
        if flags[leaf]:
            tally[flags[leaf]] = tally.get(flags[leaf], 0) + 1
    for value, count in tally.items():
        lines += count
        for index, (own, reached) in enumerate(bits):
            if value & own:
                played[index] += count
                for place, mark in enumerate(reached):
                    if value & mark:
                        counts[index][place] += count
    for index, (own, _) in enumerate(bits):
        nodes = (node for node in sorted(plays) if plays[node] & own and flags[node] & own)
        first[index] = next(nodes, -1)
    return Practice(
        lines, tuple(played), tuple(tuple(row) for row in counts), tuple(first.tolist())
    )


def _flow(
    book: Repertoire,
    here: npt.NDArray[np.bool_],
    plays: dict[int, int],
    ending: dict[Skeleton, list[tuple[int, int]]],
) -> list[int]:
    """What each node's line has seen so far: bit 0 a node of ``here``, then the breaks' bits."""
    wanted = _rows_of(book, ending)
    flags = [0] * len(book)
    passing = here.tolist()
    for node, above in enumerate(book.parent):
        flag = flags[above] if above >= 0 else 0
        if flag:
            # A break counts only after the position that was asked about.
            flag |= plays.get(node, 0)
            if node in wanted:
                for need, mark in ending[wanted[node]]:
                    if flag & need:
                        flag |= mark
        flags[node] = flag | 1 if passing[node] else flag
    return flags


def _rows_of(
    book: Repertoire, ending: dict[Skeleton, list[tuple[int, int]]]
) -> dict[int, Skeleton]:
    """The nodes that have one of these skeletons."""
    if not ending or not len(book):
        return {}
    white = np.array(sorted({skeleton.white for skeleton in ending}), dtype=np.uint64)
    rows = np.flatnonzero(np.isin(book.masks[:, 0], white))
    found = {}
    for row, masks in zip(rows.tolist(), book.masks[rows].tolist(), strict=True):
        skeleton = Skeleton(*masks)
        if skeleton in ending:
            found[row] = skeleton
    return found
