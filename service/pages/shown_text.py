"""Text that others wrote, cut to the room that a page has for it."""

from __future__ import annotations

from pawnlore.service.html_text import clean, html_text

CUT = "…"
"""Stands where something was left out."""


def shown(text: str, room: int) -> str:
    r"""The text on one line, without signs that HTML does not allow, in at most ``room`` bytes.

    The bytes are those of the escaped text in UTF-8, so that a page's size can
    be told whatever it shows. Templates still have to escape it.

    >>> shown(" one\n two ", 40)
    'one two'
    >>> shown("&&&&", 14)
    '&&…'
    """
    # What is far beyond the room need not be looked at.
    head = text[: 2 * room]
    words = clean(" ".join(head.split()))
    if len(head) == len(text) and size_of(words) <= room:
        return words
    left = room - len(CUT.encode())
    for place, sign in enumerate(words):
        left -= size_of(sign)
        if left < 0:
            return words[:place].rstrip() + CUT
    return words + CUT


def size_of(text: str) -> int:
    """The bytes that a text takes in a page.

    >>> size_of("a"), size_of("&"), size_of("é")
    (1, 5, 2)
    """
    return len(html_text(text).encode("utf-8", "replace"))
