"""What a break leads to: the pawns after each plausible capture and recapture.

After a lever the tension may stand, either side may take, and the other side
takes back with a pawn or with a piece; or the pawn that was hit goes past. A
capture that nobody takes back is not followed: that is a won or a lost pawn,
not a structure. Source: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

import chess

from pawnlore.structures.pawn_levers import CAPTURE, PIECE, PawnBreak
from pawnlore.structures.skeleton import Skeleton

STANDS, PAWN, BY_PIECE, PAST = "stands", "pawn", "piece", "past"
"""How a break ends: nothing is taken, taken back by a pawn or a piece, or it is passed by."""


class Ply(NamedTuple):
    """One pawn move on the way: who moves, from where, to where."""

    white: bool
    start: int
    end: int

    @property
    def text(self) -> str:
        """The move in the trade's notation, with dots before Black's.

        >>> Ply(False, chess.C6, chess.B5).text, Ply(True, chess.F2, chess.F3).text
        ('...cxb5', 'f3')
        """
        name = chess.square_name(self.end)
        if chess.square_file(self.start) != chess.square_file(self.end):
            name = f"{chess.square_name(self.start)[0]}x{name}"
        return name if self.white else f"...{name}"


class Outcome(NamedTuple):
    """One way in which a break can end.

    ``before`` is the other pawn's move that prepares it, if any; ``after``
    holds the pawn moves that follow the break. Where a piece takes back,
    ``retaker`` is its side (true for White) and ``square`` where it takes.
    """

    ending: str
    skeleton: Skeleton
    after: tuple[Ply, ...] = ()
    before: Ply | None = None
    retaker: bool | None = None
    square: int | None = None

    @property
    def text(self) -> str:
        """The outcome in words.

        >>> Outcome(STANDS, Skeleton(0, 0)).text
        'the pawns stay as they are'
        """
        if self.ending == STANDS:
            return "the pawns stay as they are"
        told = " ".join(ply.text for ply in self.after)
        if self.ending == PAST:
            told += " goes past"
        if self.ending == BY_PIECE:
            told = f"{told}, a piece takes back".lstrip(", ")
        return f"{told} ({self.before.text} played first)" if self.before else told


class _Pawns(NamedTuple):
    """White's and Black's pawns while moves are tried."""

    white: int
    black: int

    def moved(self, ply: Ply, taken: int | None = None) -> _Pawns:
        start, end = 1 << ply.start, 1 << ply.end
        gone = ~(1 << (ply.end if taken is None else taken))
        if ply.white:
            return _Pawns(self.white & ~start | end, self.black & gone)
        return _Pawns(self.white & gone, self.black & ~start | end)

    def without(self, square: int) -> _Pawns:
        gone = ~(1 << square)
        return _Pawns(self.white & gone, self.black & gone)

    @property
    def occupied(self) -> int:
        return self.white | self.black

    def of(self, white: bool) -> int:
        return self.white if white else self.black

    def guards(self, white: bool, square: int) -> Iterator[int]:
        """That side's pawns which can take on a square."""
        yield from chess.scan_forward(chess.BB_PAWN_ATTACKS[not white][square] & self.of(white))

    @property
    def skeleton(self) -> Skeleton:
        return Skeleton(self.white, self.black)


def outcomes(skeleton: Skeleton, pawn_break: PawnBreak) -> tuple[Outcome, ...]:
    """Every plausible end of a break, in a fixed order; at most a few dozen.

    >>> from pawnlore.structures.pawn_levers import pawn_breaks
    >>> from pawnlore.structures.skeleton import skeleton_from_fen
    >>> carlsbad = skeleton_from_fen("8/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/8")
    >>> e4 = next(b for b in pawn_breaks(carlsbad) if b.text == "e3-e4")
    >>> for outcome in outcomes(carlsbad, e4):
    ...     print(outcome.text)
    the pawns stay as they are
    exd5 ...cxd5
    exd5, a piece takes back
    ...dxe4, a piece takes back
    ...dxe4 fxe4 (f3 played first)
    """
    pawns, white = _Pawns(*skeleton), pawn_break.color
    if pawn_break.kind in (CAPTURE, PIECE):
        ply = Ply(white, pawn_break.path[0], pawn_break.landing)
        after = pawns.moved(ply, pawn_break.hits[0])
        found = [Outcome(STANDS, after.skeleton)] if pawn_break.kind == PIECE else []
        found += _taken_back(after, not white, ply.end, ())
        found += _prepared(after, not white, ply.end, (), pawns.occupied)
        return tuple(found)
    path, occupied = pawn_break.path, pawns.occupied
    for start, end in pairwise(path):
        pawns = pawns.moved(Ply(white, start, end))
    occupied |= pawns.occupied
    found = [Outcome(STANDS, pawns.skeleton)]
    here = pawn_break.landing
    for hit in pawn_break.hits:
        ply = Ply(white, here, hit)
        found += _taken_back(pawns.moved(ply), not white, hit, (ply,))
        found += _prepared(pawns.moved(ply), not white, hit, (ply,), occupied)
    for hit in pawn_break.hits:
        ply = Ply(not white, hit, here)
        found += _taken_back(pawns.moved(ply), white, here, (ply,))
        if pawn_break.moves == 1:
            found += _prepared(pawns.moved(ply), white, here, (ply,), occupied)
    found += _in_passing(pawns, pawn_break)
    for hit in pawn_break.hits:
        found += _goes_past(pawns, not white, hit)
    return tuple(found)


def _taken_back(pawns: _Pawns, white: bool, square: int, so_far: tuple[Ply, ...]) -> list[Outcome]:
    """A side takes back on a square: with each pawn that can, and with a piece."""
    found = []
    for guard in pawns.guards(white, square):
        ply = Ply(white, guard, square)
        found.append(Outcome(PAWN, pawns.moved(ply).skeleton, (*so_far, ply)))
    rest = pawns.without(square).skeleton
    found.append(Outcome(BY_PIECE, rest, so_far, retaker=white, square=square))
    return found


def _prepared(
    pawns: _Pawns, white: bool, square: int, so_far: tuple[Ply, ...], occupied: int
) -> list[Outcome]:
    """A side takes back with a pawn that one move brought up before it all began.

    ``occupied`` holds the squares that were taken then.
    """
    forward = 8 if white else -8
    found = []
    for post in chess.scan_forward(chess.BB_PAWN_ATTACKS[not white][square]):
        if (occupied >> post) & 1 or chess.square_rank(post) in (0, 7):
            continue
        start = post - forward
        if chess.square_rank(post) == (3 if white else 4) and not (occupied >> start) & 1:
            start -= forward
        if not (pawns.of(white) & occupied) >> start & 1:
            continue
        first, back = Ply(white, start, post), Ply(white, post, square)
        after = pawns.moved(first).moved(back)
        found.append(Outcome(PAWN, after.skeleton, (*so_far, back), before=first))
    return found


def _in_passing(pawns: _Pawns, pawn_break: PawnBreak) -> list[Outcome]:
    """A double step that a hostile pawn can take in passing (FIDE Laws, article 3.7.4)."""
    start, here = pawn_break.path[-2:]
    if abs(start - here) != 16:
        return []
    white, middle = pawn_break.color, (start + here) // 2
    found = []
    for taker in pawns.guards(not white, middle):
        ply = Ply(not white, taker, middle)
        found += _taken_back(pawns.moved(ply, here), white, middle, (ply,))
    return found


def _goes_past(pawns: _Pawns, white: bool, square: int) -> list[Outcome]:
    """The pawn that was hit steps forward instead of taking."""
    ahead = square + (8 if white else -8)
    if chess.square_rank(ahead) in (0, 7) or (pawns.occupied >> ahead) & 1:
        return []
    ply = Ply(white, square, ahead)
    return [Outcome(PAST, pawns.moved(ply).skeleton, (ply,))]
