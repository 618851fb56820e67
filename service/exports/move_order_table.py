"""Move orders as tables: a page for an author, CSV and JSON Lines.

A row is a pair of the author's consecutive moves and what comes of playing the
second one first. The place is that of the second move: ``game`` counts from 1
in its file, ``node`` from 0 in its game.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from pawnlore.service.exports.line_text import line_text, numbered
from pawnlore.service.exports.table_text import chapter, csv_row, place, verb, wrapped
from pawnlore.service.move_order_lessons import Lesson, Told, lessons, move_orders_of
from pawnlore.service.workbook import Workbook
from pawnlore.structures.debt import counted
from pawnlore.structures.move_order import (
    ALLOWS,
    ILLEGAL,
    OTHER,
    REPLY,
    STRUCTURE,
    TRANSPOSES,
    MoveOrders,
    swap_words,
)

COLUMNS = (
    "kind",
    "matters",
    "file",
    "game",
    "node",
    "chapter",
    "first",
    "reply",
    "second",
    "other",
    "why",
    "allows",
    "gain",
    "structure",
    "holder",
    "also_played",
    "lines",
    "reminder",
    "moves",
    "words",
)
"""``kind`` is what comes of the swap; ``matters`` whether it has to be remembered.

``other`` is the second move written in the first one's place; ``why`` tells why a
swap is not possible; ``allows`` are the opponent's moves that only the swap
allows, separated by ``; ``, and ``gain`` the most that one of them wins, in
pawns. ``structure`` and ``holder`` are what the swapped order ends in where that
differs. ``also_played`` is where the repertoire plays the other order itself, as
``file#game#node``; ``reminder`` is what the author has pinned to one of the moves.
"""


def csv_rows(work: Workbook) -> Iterator[str]:
    """All pairs as CSV, in reading order."""
    yield csv_row(COLUMNS)
    for row in _rows(work):
        row["allows"] = "; ".join(allowed["move"] for allowed in row["allows"])
        yield csv_row(row[name] for name in COLUMNS)


def json_lines(work: Workbook) -> Iterator[str]:
    """All pairs as JSON Lines; ``allows`` has an object for each move."""
    for row in _rows(work):
        yield json.dumps(row, ensure_ascii=False) + "\n"


def digest(work: Workbook) -> Iterator[str]:
    """What an author wants to see first: the orders to remember, those of many lines first."""
    found, told = move_orders_of(work), Told(work)
    made = lessons(work, found, told)
    yield from _summary(work, found, made)
    for kind, title in (
        (STRUCTURE, "The other order can lead to another structure"),
        (ALLOWS, "The other order gives the opponent a break or a capture"),
    ):
        # What most lines pass is needed most often.
        here = sorted((one for one in made if one.kind == kind), key=lambda one: -one.lines)
        if here:
            yield f"\n{title}\n"
        for lesson in here:
            yield from _lesson(work, lesson, told)


def _summary(work: Workbook, found: MoveOrders, made: list[Lesson]) -> Iterator[str]:
    counts, pairs = found.counts(), len(found.swaps)
    if not pairs:
        yield "There are no two moves of ours in a row; --side says whose repertoire it is.\n"
        return
    yield from wrapped(
        f"{counted(pairs, 'pair')} of our consecutive moves, each tried in the other order: "
        f"{counts[ILLEGAL]:,} cannot be swapped, {counts[TRANSPOSES]:,} can be swapped freely."
    )
    plain = counts[REPLY] + counts[OTHER]
    obvious = counts[STRUCTURE] + counts[ALLOWS] - len(found.worth_telling())
    yield from wrapped(
        f"{counted(len(made), 'order')} {verb(len(made), 'have')} to be remembered. "
        f"In {counted(obvious, 'more pair')} the order is plain or told already "
        f"(taking back, leaving a check), and {plain:,} only {verb(plain, 'lead')} elsewhere."
    )
    pinned = sum(bool(one.reminder) for one in made)
    if made:
        silent = len(made) - pinned
        yield from wrapped(
            f"{pinned or 'None'} of them {verb(max(pinned, 1), 'have')} a reminder of yours; "
            f"{silent:,} {verb(silent, 'have')} none. To pin one, begin a comment at the move with "
            "'First:'."
        )
    if found.left_out:
        yield f"{counted(found.left_out, 'further pair')} {verb(found.left_out, 'are')} left out.\n"
    yield from wrapped(
        "Captures are counted by exchanges on one square; look at each before you teach it."
    )


def _lesson(work: Workbook, lesson: Lesson, told: Told) -> Iterator[str]:
    book = work.book
    yield from wrapped(lesson.words, 2)
    seen: set[str] = set()
    for swap in lesson.swaps:
        before = line_text(book, book.parent[swap.first])
        where = chapter(book, swap.second)
        after = f"after {before}" if before else "at the start"
        text = f"{where}, {after} ({counted(told.lines_of([swap]), 'line')})"
        if text not in seen:
            seen.add(text)
            yield from wrapped(text, 6)
        if swap.played is not None:
            yield from wrapped(
                f"> but the repertoire plays {swap.other} there itself: "
                f"{chapter(book, swap.played)}, {line_text(book, swap.played)}",
                6,
            )
        pinned = told.reminder(swap)
        if pinned:
            yield from wrapped(f"reminder: {pinned}", 6)


def _rows(work: Workbook) -> Iterator[dict[str, Any]]:
    book = work.book
    found, told = move_orders_of(work), Told(work)
    for swap in found.swaps:
        also = None
        if swap.played is not None:
            also = "#".join(str(part) for part in place(book, swap.played).values())
        yield {
            "kind": swap.kind,
            "matters": swap.worth_telling,
            **place(book, swap.second),
            "chapter": book.game_of(swap.second).chapter,
            "first": numbered(book, swap.first),
            "reply": numbered(book, swap.reply),
            "second": numbered(book, swap.second),
            "other": swap.other or None,
            "why": swap.needs or None,
            "allows": [
                {
                    "move": allowed.move,
                    "kind": allowed.kind,
                    "gain": allowed.gain,
                    "structure": None if allowed.verdict is None else allowed.verdict.structure,
                    "holder": None if allowed.verdict is None else allowed.verdict.holder,
                }
                for allowed in swap.allows
            ],
            "gain": max((allowed.gain for allowed in swap.allows), default=None),
            "structure": None if swap.verdict is None else swap.verdict.structure,
            "holder": None if swap.verdict is None else swap.verdict.holder,
            "also_played": also,
            "lines": told.lines_of([swap]),
            "reminder": told.reminder(swap) or None,
            "moves": line_text(book, swap.second),
            "words": swap_words(book, swap, work.name_of),
        }
