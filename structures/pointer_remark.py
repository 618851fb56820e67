"""Remarks that only point elsewhere: *only another move order into the main line*.

Such a remark explains nothing about the position, so it does not rival the
comment that does. A remark counts only where it says nothing else.
"""

from __future__ import annotations

import re

from pawnlore.structures.repertoire import Comment

_LONGEST = 120
"""Characters; whoever writes more says more."""
_POINTER = re.compile(
    r"(?:this is |here |again )?(?:only |just |merely )?another (?:move order|order of moves)"
    r"(?: (?:in)?to (?P<where>[\w'’-]+(?: [\w'’-]+){0,7}))?(?:, (?:nothing|no) more)?[.!]?",
    re.IGNORECASE,
)
_SAYS_MORE = frozenset(
    """although and because before but except first if now once only since so than that then
    though unless until when where which while who with without""".split()  # noqa: SIM905
)


def only_points_elsewhere(comment: Comment) -> bool:
    """Whether a comment says that a line is another move order, and nothing else.

    >>> only_points_elsewhere(Comment("Only another move order into the main line."))
    True
    >>> only_points_elsewhere(Comment("Only another move order. Here too we exchange."))
    False
    >>> only_points_elsewhere(Comment("Another move order into the line where b5 fails."))
    False
    """
    text = " ".join(comment.text.split())
    if len(text) > _LONGEST:
        return False
    found = _POINTER.fullmatch(text)
    if found is None:
        return False
    return _SAYS_MORE.isdisjoint((found["where"] or "").lower().split())
