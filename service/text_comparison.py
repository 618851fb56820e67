"""Two texts side by side: what was put in and what was taken out, line by line and in words."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from dataclasses import dataclass

SAME, OLD, NEW = "same", "old", "new"
"""What happened to a part: it stayed, was taken out, or was put in."""

CONTEXT = 3
"""Lines that are shown around a change."""

MOST_ROWS = 400
"""Rows of one comparison."""

MOST_SIGNS = 60_000
"""Characters of one comparison."""

_WORDS = re.compile(r"\s*\w+|\s*[^\w\s]|\s+")
_MOST_LINES = 2_000
_MOST_WORDS = 600

Parts = tuple[tuple[str, str], ...]
"""Parts of one line: what happened to each, and its text."""


@dataclass(frozen=True, slots=True)
class ComparedRow:
    """One row: a line of the older text, of the newer one, or of both.

    ``kind`` is ``same``, ``changed``, ``old`` (taken out), ``new`` (put in) or
    ``gap``, which stands for lines that are alike and not shown.
    """

    kind: str
    old: Parts = ()
    new: Parts = ()


@dataclass(frozen=True, slots=True)
class Comparison:
    """A comparison; ``cut`` is whether there is more than fits."""

    rows: tuple[ComparedRow, ...]
    cut: bool = False

    @property
    def alike(self) -> bool:
        """Whether there is no difference."""
        return not self.rows and not self.cut


def comparison(old: str, new: str) -> Comparison:
    r"""Compare two texts.

    >>> compared = comparison("Play b4.\nThen b5.\n", "Play b4 now.\nThen b5.\n")
    >>> [row.kind for row in compared.rows]
    ['changed', 'same']
    >>> compared.rows[0].new
    (('same', 'Play b4'), ('new', ' now'), ('same', '.'))
    """
    before, after = old.splitlines(), new.splitlines()
    too_long = max(len(before), len(after)) > _MOST_LINES
    rows: list[ComparedRow] = []
    signs = 0
    for row in _rows(before[:_MOST_LINES], after[:_MOST_LINES]):
        signs += sum(len(text) for _, text in (*row.old, *row.new))
        if len(rows) == MOST_ROWS or signs > MOST_SIGNS:
            return Comparison(tuple(rows), cut=True)
        rows.append(row)
    return Comparison(tuple(rows), cut=too_long)


def _rows(before: list[str], after: list[str]) -> Iterator[ComparedRow]:
    matcher = difflib.SequenceMatcher(None, before, after)
    end = 0
    for group in matcher.get_grouped_opcodes(CONTEXT):
        if group[0][1] > end:
            yield ComparedRow("gap")
        end = group[-1][2]
        for tag, i1, i2, j1, j2 in group:
            if tag == "equal":
                for line in before[i1:i2]:
                    yield ComparedRow("same", ((SAME, line),), ((SAME, line),))
                continue
            yield from _changed(before[i1:i2], after[j1:j2])
    if 0 < end < len(before):
        yield ComparedRow("gap")


def _changed(before: list[str], after: list[str]) -> Iterator[ComparedRow]:
    for old, new in zip(before, after, strict=False):
        yield _words(old, new)
    for line in before[len(after) :]:
        yield ComparedRow("old", old=((OLD, line),))
    for line in after[len(before) :]:
        yield ComparedRow("new", new=((NEW, line),))


def _words(old: str, new: str) -> ComparedRow:
    """Two lines that stand for each other, with the words that differ."""
    one, other = _WORDS.findall(old), _WORDS.findall(new)
    if max(len(one), len(other)) > _MOST_WORDS:
        return ComparedRow("changed", ((OLD, old),), ((NEW, new),))
    matcher = difflib.SequenceMatcher(None, one, other)
    left: list[tuple[str, str]] = []
    right: list[tuple[str, str]] = []
    for tag, i1, i2, j1, j2 in matcher.get_opcodes():
        if i2 > i1:
            left.append((SAME if tag == "equal" else OLD, "".join(one[i1:i2])))
        if j2 > j1:
            right.append((SAME if tag == "equal" else NEW, "".join(other[j1:j2])))
    return ComparedRow("changed", tuple(left), tuple(right))
