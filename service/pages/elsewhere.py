"""Where else in a repertoire a position is reached."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pawnlore.service.pages.shown_text import shown
from pawnlore.service.workbook import Workbook
from pawnlore.structures.line_text import moves_text

MOST = 8
"""Places that are shown."""

_LOOKED_AT = 200
_CHAPTER_ROOM = 120
_MOVES_ROOM = 220


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """A node with the same position.

    ``moves`` lead there where its order of moves is another one, and are empty
    where it is the same. ``ends`` tells whether no move is given there.
    """

    node: int
    chapter: str
    moves: str
    ends: bool


def elsewhere(work: Workbook, node: int) -> tuple[tuple[Elsewhere, ...], int]:
    """The other places of a node's position, and how many more there are than are shown.

    Of each chapter that plays the same moves one place is named. Coming back to
    a position of the same line is none, and neither is a starting position.
    Places that are reached by other moves come first.
    """
    book = work.book
    if book.positions is None or book.parent[node] < 0:
        return (), 0
    positions = np.frombuffer(book.positions, dtype=np.int32)
    same = np.flatnonzero(positions == positions[node])
    line = book.line(node)
    above = set(line)
    own = [book.moves[step] for step in line]
    game = book.game_of(node)
    found: list[tuple[bool, int, str]] = []
    seen: set[tuple[int, str]] = set()
    left = 0
    for other in same.tolist():
        if other == node or other in above:
            continue
        if len(seen) >= _LOOKED_AT:
            left += 1
            continue
        path = book.line(other)
        if node in path:
            continue
        there = book.game_of(other)
        equal = [book.moves[step] for step in path] == own
        if equal and there is game:
            continue
        text = "" if equal else moves_text(book, path)
        if (there.first, text) in seen:
            continue
        seen.add((there.first, text))
        found.append((equal, other, text))
    found.sort(key=lambda one: (one[0], one[1]))
    shown_ones = tuple(
        Elsewhere(
            other,
            shown(book.game_of(other).chapter, _CHAPTER_ROOM),
            shown(text, _MOVES_ROOM),
            not book.children(other),
        )
        for _, other, text in found[:MOST]
    )
    return shown_ones, len(found) - len(shown_ones) + left
