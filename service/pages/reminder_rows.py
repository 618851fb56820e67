"""What has to be kept in mind as rows of a page: move orders, reminders, warnings, only moves."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from pawnlore.service.exports.reminder_table import ONLY_MOVE, WARNING
from pawnlore.service.exports.table_text import marked
from pawnlore.service.move_order_lessons import Told, lessons, move_orders_of
from pawnlore.service.pages.group_filter import chosen_games
from pawnlore.service.pages.paging import Paging, paging
from pawnlore.service.pages.shown_text import shown
from pawnlore.service.workbook import Workbook
from pawnlore.structures.debt import counted
from pawnlore.structures.line_text import line_text, moves_text
from pawnlore.structures.move_order import ALLOWS, STRUCTURE
from pawnlore.structures.reminders import FIRST, REMEMBER, only_moves, reminders, warnings

ROWS = 40
"""Rows on one page."""

ORDERS = {
    STRUCTURE: "The other order can lead to another structure",
    ALLOWS: "The other order gives the opponent a break or a capture",
}
"""Kinds of move orders that have to be remembered."""

KINDS = {
    FIRST: "Orders of moves to keep to",
    REMEMBER: "Things to remember",
    WARNING: "Bad moves and their refutations",
    ONLY_MOVE: "Only moves",
}
"""Kinds of what is marked."""

_ROOM, _MOVES_ROOM, _NAME_ROOM, _WAYS = 600, 400, 160, 3
Row = TypeVar("Row", bound="_Placed")


@dataclass(frozen=True, slots=True)
class _Placed:
    node: int
    kind: str


@dataclass(frozen=True, slots=True)
class OrderRow(_Placed):
    """An order of moves to remember.

    ``ways`` are where it comes up: a node, its chapter and the moves before it;
    ``more`` counts the others. ``reminder`` is what the author has pinned.
    """

    words: str
    lines: int
    reminder: str
    ways: tuple[tuple[int, str, str], ...]
    more: int
    also: int | None


@dataclass(frozen=True, slots=True)
class ReminderRow(_Placed):
    """Something that is said at a move.

    ``note`` says how it was found or whose move it is, where that must be told.
    """

    move: str
    text: str
    note: str
    chapter: str
    before: str


@dataclass(frozen=True, slots=True)
class ListPage:
    """A page of rows; ``counts`` tells how many there are of each kind."""

    rows: tuple[object, ...]
    paging: Paging
    counts: tuple[tuple[str, str, int], ...]
    total: int


@dataclass(frozen=True, slots=True)
class _Mark:
    node: int
    kind: str
    text: str
    author: bool | None = None
    pinned: bool = True


def order_page(work: Workbook, *, kind: str = "", chapter: str = "", page: int = 1) -> ListPage:
    """The orders to remember: what most lines pass first."""
    rows = work.once("order rows", lambda: _orders(work))
    return _page(work, rows, ORDERS, kind, chapter, page, lambda row: row)


def reminder_page(work: Workbook, *, kind: str = "", chapter: str = "", page: int = 1) -> ListPage:
    """What is marked in the moves, in reading order."""
    marks = work.once("marks", lambda: _marks(work))
    return _page(work, marks, KINDS, kind, chapter, page, lambda one: _reminder(work, one))


def order_counts(work: Workbook) -> tuple[int, int]:
    """How many pairs of our moves were tried the other way round, and how many were left out."""
    found = move_orders_of(work)
    return len(found.swaps), found.left_out


Marked = TypeVar("Marked", OrderRow, _Mark)


def _page(
    work: Workbook,
    rows: Sequence[Marked],
    kinds: dict[str, str],
    kind: str,
    chapter: str,
    page: int,
    told: Callable[[Marked], object],
) -> ListPage:
    games = chosen_games(work, chapter)
    if games is not None:
        firsts = [game.first for game in work.book.games]
        rows = [row for row in rows if bisect_right(firsts, row.node) - 1 in games]
    counts = Counter(row.kind for row in rows)
    chosen = [row for row in rows if row.kind == kind] if kind else rows
    part = paging(len(chosen), page, ROWS)
    return ListPage(
        tuple(told(row) for row in chosen[part.start : part.end]),
        part,
        tuple((one, words, counts[one]) for one, words in kinds.items() if counts[one]),
        len(rows),
    )


def _orders(work: Workbook) -> tuple[OrderRow, ...]:
    book, told = work.book, Told(work)
    rows = []
    for lesson in lessons(work, move_orders_of(work), told):
        ways = []
        for swap in lesson.swaps[:_WAYS]:
            above = book.parent[swap.first]
            before = line_text(book, above) if above >= 0 else ""
            name = book.game_of(swap.second).chapter
            ways.append((swap.first, shown(name, _NAME_ROOM), shown(before, _MOVES_ROOM)))
        rows.append(
            OrderRow(
                lesson.swaps[0].first,
                lesson.kind,
                shown(lesson.words, _ROOM),
                lesson.lines,
                shown(lesson.reminder, _ROOM),
                tuple(dict.fromkeys(ways)),
                max(0, len(lesson.swaps) - _WAYS),
                next((one.played for one in lesson.swaps if one.played is not None), None),
            )
        )
    # What most lines pass is needed most often.
    return tuple(sorted(rows, key=lambda row: -row.lines))


def _marks(work: Workbook) -> tuple[_Mark, ...]:
    book, side = work.book, work.side
    found = [_Mark(one.node, one.kind, one.text, pinned=one.pinned) for one in reminders(book)]
    for bad in warnings(book, side):
        text = moves_text(book, bad.refutation) + ("" if bad.whole else " …")
        found.append(_Mark(bad.node, WARNING, text if bad.refutation else "", bad.author))
    found += [_Mark(one.node, ONLY_MOVE, one.reason, one.author) for one in only_moves(book, side)]
    return tuple(sorted(found, key=lambda one: one.node))


def _reminder(work: Workbook, one: _Mark) -> ReminderRow:
    book = work.book
    above = book.parent[one.node]
    text = one.text
    if one.kind == WARNING:
        text = f"Refuted by {text}" if text else "No refutation is shown."
    whose = {True: "our move", False: "the opponent’s move", None: ""}[one.author]
    return ReminderRow(
        one.node,
        one.kind,
        shown(marked(book, one.node), _NAME_ROOM) if above >= 0 else "the start",
        shown(text, _ROOM),
        whose if one.pinned else "read from a plain sentence; nobody pinned it",
        shown(book.game_of(one.node).chapter, _NAME_ROOM),
        shown(line_text(book, above), _MOVES_ROOM) if above >= 0 else "",
    )


def silent(rows: Sequence[OrderRow]) -> int:
    """How many orders have no reminder of the author's."""
    return sum(not row.reminder for row in rows)


def order_summary(work: Workbook) -> str:
    """What came of trying all pairs of our moves the other way round, in one sentence."""
    pairs, left_out = order_counts(work)
    if not pairs:
        return "There are no two moves of ours in a row, or nobody knows whose repertoire it is."
    rows = work.once("order rows", lambda: _orders(work))
    words = f"{counted(pairs, 'pair')} of our moves {'was' if pairs == 1 else 'were'} tried in the "
    words += f"other order; {counted(len(rows), 'order')} {'has' if len(rows) == 1 else 'have'} "
    words += "to be remembered"
    if rows:
        without = silent(rows)
        words += f", and {without or 'none'} of them {'have' if without > 1 else 'has'} no reminder"
    if left_out:
        words += f" ({counted(left_out, 'further pair')} left out)"
    return f"{words}."
