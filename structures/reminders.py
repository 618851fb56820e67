"""What an author wants remembered: pinned reminders, warnings and only moves.

A **reminder** is pinned to a move by a comment, so it survives in any PGN:

- ``Remember: ...`` says something to keep in mind at this move;
- ``First: ...`` says that this move comes before another one.

The word stands at the beginning of the comment, of a line or of a sentence in
it, or it has a capital letter; the reminder goes on to the comment's end or to
the next such word. Besides, a sentence that speaks of an order in so many words
is one as well: one that says *first* and then *only then*, or that begins like
*This move first*.

A **warning** is a move marked ``?``, ``??`` or ``?!`` with its refutation, the
line that follows it. An **only move** is one marked as forced or without a
reasonable alternative (glyphs 7 and 8 of the PGN standard of 1994, section 10;
numbers from memory).
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass

from pawnlore.structures.repertoire import Comment, Repertoire
from pawnlore.structures.repertoire_side import RepertoireSide

REMEMBER, FIRST = "remember", "first"
"""Kinds of reminders: anything to keep in mind, and an order of moves."""

MARKS = {2: "?", 4: "??", 6: "?!"}
"""The glyphs that warn of a move."""

ONLY = {7: "forced, all other moves lose", 8: "no reasonable alternative"}
"""The glyphs of an only move, and what they say."""

REFUTATION = 12
"""Half-moves of a refutation that are given at most."""

# All of these look at each character a bounded number of times, because comments
# can be long; white space has been made plain before.
_BREAK = re.compile(r" ?\n[ \n]*")
# Programs that join comments leave no sign where one began, but a capital letter.
_WORD = re.compile(
    r"(?:(?:^|(?<=[.!?…:;)\]\"”\n])) ?(?i:remember|first)|\b(?:Remember|First)) ?: ?"
)
_SENTENCE = re.compile(r"(?<=[.!?…])\s(?=[^\W\d_a-z])")
_BEFORE = re.compile(r"\bfirst\b", re.IGNORECASE)
_AFTER = re.compile(r"\bonly (?:then|after)\b", re.IGNORECASE)
_THIS_FIRST = re.compile(r"this (?:\w{1,30} ){1,3}first\b", re.IGNORECASE)
_KIND = {"remember": REMEMBER, "first": FIRST}


@dataclass(frozen=True, slots=True)
class Reminder:
    """One reminder: the node it is pinned to, its kind and its words.

    ``pinned`` is true for one that begins with its word, false for a sentence
    that speaks of an order.
    """

    node: int
    kind: str
    text: str
    pinned: bool


@dataclass(frozen=True, slots=True)
class Warned:
    """A move that is marked as bad.

    ``author`` tells whether the author's side makes it; none where nobody
    knows whose repertoire it is. ``refutation`` holds the nodes that follow, at
    most `REFUTATION`; ``whole`` is false where the line goes on. It is empty
    where the author has shown nothing.
    """

    node: int
    mark: str
    author: bool | None
    refutation: tuple[int, ...]
    whole: bool


@dataclass(frozen=True, slots=True)
class OnlyMove:
    """A move that is marked as the only one; ``author`` as for `Warned`."""

    node: int
    reason: str
    author: bool | None


def reminders(book: Repertoire) -> list[Reminder]:
    """All reminders in reading order."""
    return [
        Reminder(node, kind, text, pinned)
        for node in sorted(book.comments)
        for comment in book.comments[node]
        for kind, text, pinned in reminders_in(comment.text)
    ]


def reminders_in(text: str) -> Iterator[tuple[str, str, bool]]:
    """The reminders of one comment: kind, words, and whether they are pinned.

    >>> list(reminders_in("The plan. Remember: the rook belongs on b1."))
    [('remember', 'the rook belongs on b1.', True)]
    >>> list(reminders_in("Known. This move first, only then the queen."))
    [('first', 'This move first, only then the queen.', False)]
    """
    text = _BREAK.sub("\n", " ".join(re.split(r"[^\S\n]+", text)))
    found = list(_WORD.finditer(text))
    yield from _orders(text[: found[0].start()] if found else text)
    for place, match in enumerate(found, 1):
        end = found[place].start() if place < len(found) else len(text)
        words = _plain(text[match.end() : end])
        if words:
            yield _KIND[match[0].strip(" :\n").lower()], words, True


def reminder_comment(kind: str, text: str) -> Comment:
    """A comment that pins a reminder, for the PGN writer.

    Raises `ValueError` for a kind that there is not, and for a text without words.

    >>> reminder_comment("first", "only then the queen").text
    'First: only then the queen'
    """
    words = _plain(text)
    if kind not in _KIND.values():
        raise ValueError(f"{kind!r} is no kind of reminder; there are {REMEMBER} and {FIRST}")
    if not words:
        raise ValueError("a reminder needs words")
    # A closing brace would end the comment.
    return Comment(f"{kind.capitalize()}: {words.replace('}', ')').replace('{', '(')}")


def warnings(book: Repertoire, side: RepertoireSide) -> list[Warned]:
    """All moves marked as bad, in reading order, each with what follows it."""
    found = []
    for node, mark in _marked(book, MARKS):
        line: list[int] = []
        after = book.children(node)
        while after and len(line) < REFUTATION:
            line.append(after[0])
            after = book.children(after[0])
        found.append(Warned(node, mark, _author(book, side, node), tuple(line), not after))
    return found


def only_moves(book: Repertoire, side: RepertoireSide) -> list[OnlyMove]:
    """All moves marked as the only one, in reading order."""
    return [
        OnlyMove(node, reason, _author(book, side, node)) for node, reason in _marked(book, ONLY)
    ]


def _marked(book: Repertoire, marks: dict[int, str]) -> Iterator[tuple[int, str]]:
    for node in sorted(book.glyphs):
        if book.parent[node] < 0:
            continue
        known = [marks[glyph] for glyph in book.glyphs[node] if glyph in marks]
        if known:
            yield node, known[0]


def _author(book: Repertoire, side: RepertoireSide, node: int) -> bool | None:
    place = bisect_right(book.games, node, key=lambda game: game.first) - 1
    whose = side.of_game(place)
    if whose not in ("white", "black"):
        return None
    return whose == ("black" if book.ply[book.parent[node]] % 2 else "white")


def _orders(text: str) -> Iterator[tuple[str, str, bool]]:
    for sentence in _SENTENCE.split(text):
        words = _plain(sentence)
        first = _BEFORE.search(words)
        if first and (_AFTER.search(words, first.end()) or _THIS_FIRST.match(words)):
            yield FIRST, words, False


def _plain(text: str) -> str:
    """One space for every run of white space: other programs wrap comments anew."""
    return " ".join(text.split())
