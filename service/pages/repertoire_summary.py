"""A repertoire in a few numbers, for the head of its page."""

from __future__ import annotations

from dataclasses import dataclass

from pawnlore.service.workbook import Workbook

SIDES = {
    "white": "A repertoire for White",
    "black": "A repertoire for Black",
    "mixed": "A repertoire for both sides",
}


@dataclass(frozen=True, slots=True)
class RepertoireSummary:
    """What a repertoire is: whose, and how many lines lead to how many middlegame types.

    The first ``few`` types hold half of all lines; none where no such number
    tells anything. ``single`` types have one line only. ``reason`` says why we
    think that it is this side's.
    """

    side: str
    reason: str
    lines: int
    chapters: int
    types: int
    move_orders: int
    few: int | None
    single: int


def repertoire_summary(work: Workbook) -> RepertoireSummary:
    """The numbers of a repertoire."""
    return work.once("summary", lambda: _summary(work))


def _summary(work: Workbook) -> RepertoireSummary:
    settled = [group for group in work.groups.groups if group.settled]
    lines = len(work.paths)
    covered, few = 0, None
    for count, group in enumerate(settled, 1):
        covered += len(group.lines)
        if 2 * covered >= lines:
            few = count if count < len(settled) else None
            break
    return RepertoireSummary(
        side=SIDES[work.side.side],
        reason=work.side.reason,
        lines=lines,
        chapters=len(work.book.games),
        types=len(settled),
        move_orders=sum(len(group.move_orders) for group in work.groups.groups),
        few=few,
        single=sum(len(group.lines) == 1 for group in settled),
    )
