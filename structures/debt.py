"""Debts: single things that an author still owes the readers of a repertoire."""

from __future__ import annotations

from dataclasses import dataclass

from pawnlore.structures.line_text import line_text
from pawnlore.structures.repertoire import Repertoire

CONTRADICTION = "contradiction"
STOPS_SHORT = "stops-short"
NO_ANSWER = "no-answer"
NO_STRUCTURE = "no-structure"
NO_NOTE = "no-note"
UNMET_BREAK = "unmet-break"
DOUBTFUL = "doubtful"
UNUSED_NOTE = "unused-note"

SEVERITY = {
    CONTRADICTION: 4,
    STOPS_SHORT: 3,
    NO_ANSWER: 2,
    NO_NOTE: 2,
    NO_STRUCTURE: 2,
    UNMET_BREAK: 1,
    DOUBTFUL: 1,
    UNUSED_NOTE: 1,
}
"""Every kind of debt, and what it weighs for each line that it concerns.

A reader who is told two things is worse off than one who is told nothing, and
that one than a reader who has the moves and lacks the idea behind them.
"""


@dataclass(frozen=True, slots=True)
class Debt:
    """One thing that is owed.

    ``kind`` is one of `SEVERITY`; ``lines`` are the lines that it concerns and
    ``weight`` is severity times lines, so larger is more pressing. ``file``,
    ``game`` (from 1 in its file), ``chapter`` and ``moves`` tell the place,
    ``node`` (a place in the columns) as well; -1 and no file where it is none.
    For a note that no line reaches, ``file`` is the note's name.
    ``what`` says what is wrong and ``closes`` what would close it, in
    sentences. ``also`` holds other nodes that the debt speaks of, and ``group``
    the place of the group that it belongs to, or -1.
    """

    kind: str
    weight: int
    lines: int
    file: str
    game: int
    chapter: str
    moves: str
    node: int
    what: str
    closes: str
    also: tuple[int, ...] = ()
    group: int = -1


def debt_at(
    book: Repertoire,
    kind: str,
    node: int,
    lines: int,
    what: str,
    closes: str,
    *,
    also: tuple[int, ...] = (),
    group: int = -1,
) -> Debt:
    """A debt at a node of a repertoire."""
    game = book.game_of(node)
    return Debt(
        kind=kind,
        weight=SEVERITY[kind] * lines,
        lines=lines,
        file=game.file,
        game=game.number,
        chapter=game.chapter,
        moves=line_text(book, node),
        node=node,
        what=what,
        closes=closes,
        also=also,
        group=group,
    )


def counted(number: int, noun: str) -> str:
    """A number with its noun.

    >>> counted(1, "line"), counted(1200, "line")
    ('1 line', '1,200 lines')
    """
    return f"{number:,} {noun}{'' if number == 1 else 's'}"
