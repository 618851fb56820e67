"""Move orders as tables: a page for an author, CSV and JSON Lines.

A row is a pair of the author's consecutive moves and what comes of playing the
second one first. The place is that of the second move: ``game`` counts from 1
in its file, ``node`` from 0 in its game.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator
from typing import Any

from pawnlore.service.exports.line_text import line_text, numbered
from pawnlore.service.exports.table_text import chapter, csv_row, place, verb, wrapped
from pawnlore.service.workbook import Workbook
from pawnlore.structures.debt import counted
from pawnlore.structures.lines_below import lines_below
from pawnlore.structures.move_order import (
    ALLOWS,
    ILLEGAL,
    OTHER,
    REPLY,
    STRUCTURE,
    TRANSPOSES,
    MoveOrders,
    Swap,
    move_orders,
    swap_words,
)
from pawnlore.structures.reminders import reminders

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
    found = move_orders(work.book, work.classify, work.side)
    told = _Told(work)
    lessons = _lessons(work, found)
    yield from _summary(work, found, lessons, told)
    for kind, title in (
        (STRUCTURE, "The other order can lead to another structure"),
        (ALLOWS, "The other order gives the opponent a break or a capture"),
    ):
        # What most lines pass is needed most often.
        here = sorted(
            (swaps for swaps in lessons if swaps[0].kind == kind),
            key=lambda swaps: -told.lines_of(swaps),
        )
        if here:
            yield f"\n{title}\n"
        for swaps in here:
            yield from _lesson(work, swaps, told)


class _Told:
    """What the author has pinned already, and how many lines pass a pair."""

    def __init__(self, work: Workbook) -> None:
        self.book = work.book
        self._below = lines_below(work.book)
        self._pinned: dict[int, str] = {}
        positions = self.book.positions
        self._position = positions if positions is not None else range(len(self.book))
        for reminder in reminders(work.book):
            self._pinned.setdefault(self._position[reminder.node], reminder.text)

    def lines_of(self, swaps: list[Swap]) -> int:
        """The lines that pass these pairs."""
        return sum(self._below[node] for node in {swap.second for swap in swaps})

    def reminder(self, swap: Swap) -> str:
        """What is pinned to either of the moves, if anything."""
        first = self._pinned.get(self._position[swap.first], "")
        return first or self._pinned.get(self._position[swap.second], "")


def _lessons(work: Workbook, found: MoveOrders) -> list[list[Swap]]:
    """The swaps to remember; those that are told in the same words are one lesson."""
    same: dict[tuple[str, str], list[Swap]] = defaultdict(list)
    for swap in found.worth_telling():
        same[swap.kind, swap_words(work.book, swap)].append(swap)
    return list(same.values())


def _summary(
    work: Workbook, found: MoveOrders, lessons: list[list[Swap]], told: _Told
) -> Iterator[str]:
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
        f"{counted(len(lessons), 'order')} {verb(len(lessons), 'have')} to be remembered. "
        f"In {counted(obvious, 'more pair')} the order is plain or told already "
        f"(taking back, leaving a check), and {plain:,} only {verb(plain, 'lead')} elsewhere."
    )
    pinned = sum(any(told.reminder(swap) for swap in swaps) for swaps in lessons)
    if lessons:
        silent = len(lessons) - pinned
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


def _lesson(work: Workbook, swaps: list[Swap], told: _Told) -> Iterator[str]:
    book = work.book
    yield from wrapped(swap_words(book, swaps[0]), 2)
    seen: set[str] = set()
    for swap in swaps:
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
    found = move_orders(book, work.classify, work.side)
    told = _Told(work)
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
            "words": swap_words(book, swap),
        }
