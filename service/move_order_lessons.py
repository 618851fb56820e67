"""Move-order lessons: the swaps to remember, each once, with what the author has pinned already."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from pawnlore.service.workbook import Workbook
from pawnlore.structures.lines_below import lines_below
from pawnlore.structures.move_order import MoveOrders, Swap, move_orders, swap_words
from pawnlore.structures.reminders import reminders


@dataclass(frozen=True, slots=True)
class Lesson:
    """Swaps that are told in the same words.

    ``lines`` are the lines that pass one of them, and ``reminder`` is what is
    pinned to one of their moves, if anything.
    """

    kind: str
    words: str
    swaps: tuple[Swap, ...]
    lines: int
    reminder: str


class Told:
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


def move_orders_of(work: Workbook) -> MoveOrders:
    """The swaps of a repertoire, looked at once."""
    return work.once("move orders", lambda: move_orders(work.book, work.classify, work.side))


def lessons(work: Workbook, found: MoveOrders, told: Told) -> list[Lesson]:
    """The swaps to remember, in reading order."""
    same: dict[tuple[str, str], list[Swap]] = defaultdict(list)
    for swap in found.worth_telling():
        same[swap.kind, swap_words(work.book, swap, work.name_of)].append(swap)
    return [
        Lesson(
            kind,
            words,
            tuple(swaps),
            told.lines_of(swaps),
            next(filter(None, map(told.reminder, swaps)), ""),
        )
        for (kind, words), swaps in same.items()
    ]
