"""Reminders, warnings and only moves as tables: a page for an author, CSV and JSON Lines.

A row is a move at which something has to be kept in mind. ``game`` counts from
1 in its file, ``node`` from 0 in its game.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

from pawnlore.service.exports.line_text import line_text, moves_text, numbered
from pawnlore.service.exports.table_text import (
    chapter,
    csv_row,
    marked,
    place,
    verb,
    wrapped,
)
from pawnlore.service.workbook import Workbook
from pawnlore.structures.debt import counted
from pawnlore.structures.reminders import (
    FIRST,
    REMEMBER,
    OnlyMove,
    Reminder,
    Warned,
    only_moves,
    reminders,
    warnings,
)

WARNING, ONLY_MOVE = "warning", "only-move"
"""Kinds of rows, besides the two kinds of reminders (``first`` and ``remember``)."""

COLUMNS = (
    "kind",
    "file",
    "game",
    "node",
    "chapter",
    "move",
    "whose",
    "mark",
    "pinned",
    "text",
    "refutation",
    "moves",
)
"""``whose`` move it is, ``ours`` or ``theirs``, for warnings and only moves.

``text`` is the reminder, or what an only move's sign says. ``pinned`` is ``no``
for a sentence that speaks of an order without being marked as a reminder.
``refutation`` is what follows a bad move.
"""


def csv_rows(work: Workbook) -> Iterator[str]:
    """The rows as CSV, in reading order."""
    yield csv_row(COLUMNS)
    for row in _rows(work):
        yield csv_row(row[name] for name in COLUMNS)


def json_lines(work: Workbook) -> Iterator[str]:
    """The rows as JSON Lines; keys as the CSV's columns, null where it has nothing."""
    for row in _rows(work):
        yield json.dumps(row, ensure_ascii=False) + "\n"


def digest(work: Workbook) -> Iterator[str]:
    """What an author wants to see first: how much there is, then each kind by chapter."""
    book, side = work.book, work.side
    pinned, bad, only = reminders(book), warnings(book, side), only_moves(book, side)
    yield from _summary(work, pinned, bad, only)
    for kind, title in (
        (FIRST, "In this order: this move first, only then that one"),
        (REMEMBER, "Remember at this move"),
    ):
        yield from _reminders(work, [one for one in pinned if one.kind == kind], title)
    for author, title in (
        (True, "Bad moves for us, and how they are refuted"),
        (False, "Bad moves of the opponent's, and how we punish them"),
        (None, "Bad moves, and how they are refuted"),
    ):
        yield from _warnings(work, [one for one in bad if one.author is author], title)
    yield from _only_moves(work, only)


def _summary(
    work: Workbook, pinned: list[Reminder], bad: list[Warned], only: list[OnlyMove]
) -> Iterator[str]:
    chapters = len(work.book.games)
    if not (pinned or bad or only):
        yield from wrapped(
            f"{counted(chapters, 'chapter')} without reminders, warnings or only moves. To pin a "
            "reminder to a move, begin a comment there with 'Remember:' or 'First:'."
        )
        return
    orders = sum(one.kind == FIRST for one in pinned)
    yield (
        f"{counted(orders, 'order')} of moves to keep to, "
        f"{counted(len(pinned) - orders, 'other reminder')}, "
        f"{counted(len(bad), 'move')} marked as bad, {counted(len(only), 'only move')}.\n"
    )
    loose = sum(not one.pinned for one in pinned)
    if loose:
        yield from wrapped(
            f"{loose:,} {verb(loose, 'are')} read from plain sentences such as “this move first”; "
            "a comment that begins with 'First:' or 'Remember:' is always found."
        )
    silent = [one for one in bad if not one.refutation]
    if silent:
        told = ", ".join(
            f"{marked(work.book, one.node)} in “{chapter(work.book, one.node)}”"
            for one in silent[:4]
        )
        more = f" and {len(silent) - 4:,} more" if len(silent) > 4 else ""
        yield from wrapped(f"No refutation is shown for {told}{more}.")
    nodes = [
        *(one.node for one in pinned),
        *(one.node for one in bad),
        *(one.node for one in only),
    ]
    games = {work.book.game_of(node).first for node in nodes}
    without = [
        chapter(work.book, game.first) for game in work.book.games if game.first not in games
    ]
    if without:
        yield from wrapped(
            f"Nothing is marked in {counted(len(without), 'chapter')}: {'; '.join(without[:6])}"
            f"{' and others' if len(without) > 6 else ''}."
        )


def _reminders(work: Workbook, found: Sequence[Reminder], title: str) -> Iterator[str]:
    if found:
        yield f"\n{title}\n"
    before = ""
    for one in found:
        yield from _chapter(work, one.node, before)
        before = chapter(work.book, one.node)
        yield from _said(work, one.node, one.text)


def _warnings(work: Workbook, found: Sequence[Warned], title: str) -> Iterator[str]:
    if found:
        yield f"\n{title}\n"
    before, shown = "", set[int]()
    for one in found:
        if one.node in shown:
            # It stands, with its mark, in the refutation above.
            continue
        shown.update(one.refutation)
        yield from _chapter(work, one.node, before)
        before = chapter(work.book, one.node)
        text = _marked_moves(work, one.refutation) or "no refutation is shown"
        yield from _said(work, one.node, text + ("" if one.whole else " …"))


def _only_moves(work: Workbook, found: Sequence[OnlyMove]) -> Iterator[str]:
    if found:
        yield "\nOnly moves\n"
    before = ""
    for one in found:
        yield from _chapter(work, one.node, before)
        before = chapter(work.book, one.node)
        whose = {True: "ours", False: "the opponent's", None: ""}[one.author]
        yield from _said(work, one.node, f"{one.reason}{f' ({whose})' if whose else ''}")


def _chapter(work: Workbook, node: int, before: str) -> Iterator[str]:
    name = chapter(work.book, node)
    if name != before:
        yield from wrapped(name, 2)


def _said(work: Workbook, node: int, text: str) -> Iterator[str]:
    book = work.book
    head = marked(book, node) if book.parent[node] >= 0 else "the start"
    yield from wrapped(text, 4, hanging=12, first=f"{head:<10}  ")
    way = line_text(book, book.parent[node]) if book.parent[node] >= 0 else ""
    if way:
        yield from wrapped(f"after {way}", 16)


def _marked_moves(work: Workbook, nodes: Sequence[int]) -> str:
    """The moves of a refutation, with the marks that judge them."""
    book = work.book
    words = []
    for place_, node in enumerate(nodes):
        word = marked(book, node)
        # Only White's moves and the first one have a number.
        words.append(word if not place_ or "..." not in word else word.split("...", 1)[1])
    return " ".join(words)


def _rows(work: Workbook) -> Iterator[dict[str, Any]]:
    book, side = work.book, work.side
    rows = [
        _row(work, one.node, one.kind, text=one.text, pinned=one.pinned) for one in reminders(book)
    ]
    for bad in warnings(book, side):
        refutation = moves_text(book, bad.refutation) + ("" if bad.whole else " …")
        rows.append(_row(work, bad.node, WARNING, bad.author, mark=bad.mark, refutation=refutation))
    for only in only_moves(book, side):
        rows.append(_row(work, only.node, ONLY_MOVE, only.author, text=only.reason))
    rows.sort(key=lambda row: row.pop("_node"))
    yield from rows


def _row(
    work: Workbook,
    node: int,
    kind: str,
    author: bool | None = None,
    *,
    mark: str | None = None,
    pinned: bool | None = None,
    text: str | None = None,
    refutation: str | None = None,
) -> dict[str, Any]:
    book = work.book
    return {
        "_node": node,
        "kind": kind,
        **place(book, node),
        "chapter": book.game_of(node).chapter,
        "move": numbered(book, node),
        "whose": None if author is None else "ours" if author else "theirs",
        "mark": mark,
        "pinned": pinned,
        "text": text,
        "refutation": refutation or None,
        "moves": line_text(book, node),
    }
