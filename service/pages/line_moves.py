"""The moves of a line as they stand in a book: numbers, glyphs, comments, other moves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pawnlore.service.comment_words import comment_words
from pawnlore.service.exports.booklet_lines import GLYPHS
from pawnlore.service.pages.shown_text import shown, size_of
from pawnlore.structures.line_text import numbered
from pawnlore.structures.repertoire import Repertoire

MOST = 100
"""Half-moves of a line that are shown at once, around the one that is looked at."""

COMMENT_ROOM = 3_000
"""Bytes of one comment in the moves; what is cut is shown whole at its own move."""

_ALL_COMMENTS = 14_000
_SIBLINGS, _ALL_SIBLINGS = 3, 60
_MOST_GLYPHS = 4


@dataclass(frozen=True, slots=True)
class OtherMove:
    """A move that is played elsewhere instead."""

    node: int
    text: str


@dataclass(frozen=True, slots=True)
class LineMove:
    """One move of a line.

    ``text`` has the move number where a book would print it, and the signs that
    stick to the move; ``signs`` stand apart. ``before`` and ``after`` are
    comments. ``others`` are the moves instead of it, ``more`` of them are not
    named. ``settles`` tells whether the line's structure settles with it.
    """

    node: int
    text: str
    signs: str
    before: str
    after: str
    others: tuple[OtherMove, ...]
    more: int
    here: bool
    settles: bool


@dataclass(frozen=True, slots=True)
class LineMoves:
    """The moves that are shown, and the nodes with which those before and after them begin.

    ``introduction`` is what is said before the first move.
    """

    introduction: str
    moves: tuple[LineMove, ...]
    earlier: int | None
    later: int | None


def line_moves(book: Repertoire, line: Sequence[int], node: int, settles: int | None) -> LineMoves:
    """The moves of a line, from its start to its last node, around ``node``."""
    moves = line[1:]
    at = max(0, line.index(node) - 1)
    start = 0
    if len(moves) > MOST:
        # Whole windows, so that stepping through a line leaves the page quiet.
        start = at // (MOST // 2) * (MOST // 2)
        start = max(0, min(start - MOST // 4, len(moves) - MOST))
    window = moves[start : start + MOST]
    room, left = _ALL_COMMENTS, _ALL_SIBLINGS
    told: list[LineMove] = []
    number_next = True
    introduction = "" if start else _words(book, line[0], before=None, room=COMMENT_ROOM)
    room -= size_of(introduction)
    for step in window:
        before = _words(book, step, before=True, room=min(COMMENT_ROOM, room))
        after = _words(book, step, before=False, room=min(COMMENT_ROOM, room - size_of(before)))
        room = max(0, room - size_of(before) - size_of(after))
        others = [one for one in book.children(book.parent[step]) if one != step]
        named = others[: min(_SIBLINGS, left)]
        left -= len(named)
        black = book.ply[book.parent[step]] % 2
        close, apart = glyph_signs(book, step)
        number = number_next or bool(before) or not black
        told.append(
            LineMove(
                node=step,
                text=(numbered(book, step) if number else book.moves[step]) + close,
                signs=apart,
                before=before,
                after=after,
                others=tuple(
                    OtherMove(one, numbered(book, one) + glyph_signs(book, one)[0]) for one in named
                ),
                more=len(others) - len(named),
                here=step == node,
                settles=step == settles,
            )
        )
        number_next = bool(after or others)
    end = start + len(window)
    return LineMoves(
        introduction,
        tuple(told),
        moves[start - 1] if start else None,
        moves[end] if end < len(moves) else None,
    )


def glyph_signs(book: Repertoire, node: int) -> tuple[str, str]:
    """The signs of a move's glyphs: those that stick to it, and those that stand apart."""
    signs = [
        GLYPHS.get(glyph, f"${glyph}")
        for glyph in book.glyphs.get(node, ())[:_MOST_GLYPHS]
        if glyph
    ]
    close = [sign for sign in signs if set(sign) <= set("!?")]
    apart = [sign for sign in signs if set(sign) - set("!?")]
    return "".join(close), " ".join(apart)


def node_comments(book: Repertoire, node: int, room: int) -> str:
    """All that is said at a node, in at most ``room`` bytes."""
    return _words(book, node, before=None, room=room)


def _words(book: Repertoire, node: int, *, before: bool | None, room: int) -> str:
    said = [
        comment_words(comment)
        for comment in book.comments.get(node, ())
        if before is None or comment.before == before
    ]
    text = " ".join(words for words in said if words)
    return shown(text, room) if text else ""
