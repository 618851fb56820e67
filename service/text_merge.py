"""Two authors, one text: both changes together, where they do not touch each other."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from itertools import pairwise

_AFTER_LINE = re.compile(r"(?<=\n)(?!\Z)")
_MOST_LINES = 2_000

_Change = tuple[int, int, list[str]]


def merged(base: str, mine: str, theirs: str) -> str | None:
    r"""``base`` with the changes of both, line by line.

    None where both changed the same lines, or lines next to each other, in
    different ways; then a person has to look.

    >>> merged("a\nb\nc\nd\n", "A\nb\nc\nd\n", "a\nb\nc\nD\n")
    'A\nb\nc\nD\n'
    >>> merged("a\n", "b\n", "c\n") is None
    True
    """
    if mine == theirs or theirs == base:
        return mine
    if mine == base:
        return theirs
    lines = _lines(base)
    ours, other = _lines(mine), _lines(theirs)
    if max(map(len, (lines, ours, other))) > _MOST_LINES:
        return None
    out: list[str] = []
    place = 0
    for start, end, new in _together(_changes(lines, ours), _changes(lines, other)):
        if start < place:
            return None
        out += lines[place:start]
        out += new
        place = end
    out += lines[place:]
    return "".join(out)


def _together(mine: Sequence[_Change], theirs: Sequence[_Change]) -> list[_Change]:
    """Both changes in order; what both did alike once, what clashes overlapping."""
    listed = sorted([*mine, *(one for one in theirs if one not in mine)], key=lambda one: one[:2])
    for before, after in pairwise(listed):
        if any(before in one and after in one for one in (mine, theirs)):
            continue
        if after[0] <= before[1]:
            # They touch: no order of the two is certain to be meant.
            return [(0, 1, []), (0, 1, [])]
    return listed


def _changes(base: list[str], other: list[str]) -> list[_Change]:
    matcher = difflib.SequenceMatcher(None, base, other)
    return [
        (start, end, other[from_:to])
        for tag, start, end, from_, to in matcher.get_opcodes()
        if tag != "equal"
    ]


def _lines(text: str) -> list[str]:
    return _AFTER_LINE.split(text) if text else []
