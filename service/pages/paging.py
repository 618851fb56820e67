"""Long lists in pages: which part of a list a page shows, and where the others are."""

from __future__ import annotations

from dataclasses import dataclass

ROWS = 40
"""Rows of a list on one page, where nothing else is said."""

_MOST_DIGITS = 9


@dataclass(frozen=True, slots=True)
class Paging:
    """Page ``number`` of ``pages``, which shows the entries ``start`` to ``end`` of ``total``.

    ``start`` counts from 0, and ``end`` stands behind the last entry.
    """

    number: int
    pages: int
    start: int
    end: int
    total: int

    @property
    def before(self) -> int | None:
        """The number of the page before, or none."""
        return self.number - 1 if self.number > 1 else None

    @property
    def after(self) -> int | None:
        """The number of the page after, or none."""
        return self.number + 1 if self.number < self.pages else None


def paging(total: int, number: int, rows: int = ROWS) -> Paging:
    """A page of a list with ``total`` entries; a number beyond it is the nearest page.

    >>> paging(95, 3)
    Paging(number=3, pages=3, start=80, end=95, total=95)
    >>> paging(0, 7).number
    1
    """
    pages = max(1, -(-total // rows))
    number = min(max(1, number), pages)
    start = (number - 1) * rows
    return Paging(number, pages, start, min(total, start + rows), total)


def page_number(text: str | None) -> int:
    """The number of a page from an address; 1 where there is none, or no number.

    >>> page_number("12"), page_number(None), page_number("x"), page_number("9" * 5000)
    (12, 1, 1, 1)
    """
    if text and text.isascii() and text.isdecimal() and len(text) <= _MOST_DIGITS:
        return int(text)
    return 1
