"""What is owed as tables: a page for an author, CSV and JSON Lines.

``game`` counts from 1 in its file, ``node`` from 0 in its game. A note that no
line reaches has its own name as ``file`` and neither game nor node.
"""

from __future__ import annotations

import csv
import io
import json
import textwrap
from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Any

from pawnlore.service.workbook import Workbook
from pawnlore.structures.debt import (
    CONTRADICTION,
    DOUBTFUL,
    NO_ANSWER,
    NO_NOTE,
    NO_STRUCTURE,
    SEVERITY,
    STOPS_SHORT,
    UNMET_BREAK,
    UNUSED_NOTE,
    Debt,
    counted,
)

COLUMNS = (
    "kind",
    "weight",
    "lines",
    "file",
    "game",
    "node",
    "chapter",
    "structure",
    "holder",
    "moves",
    "what",
    "closes",
)
"""``structure`` and ``holder`` are those of the middlegame type concerned, where there is one."""

TITLES = {
    CONTRADICTION: "Different answers in one position",
    STOPS_SHORT: "Lines that stop with us to move where another line goes on",
    NO_ANSWER: "Lines that end with the opponent's move",
    NO_NOTE: "Middlegame types without a plan note of ours",
    NO_STRUCTURE: "Lines that end before a structure settles",
    UNMET_BREAK: "Pawn breaks of the opponent that no line answers",
    DOUBTFUL: "Middlegame types that rest on doubtful verdicts",
    UNUSED_NOTE: "Plan notes that no line reaches",
}
"""The kinds in words, the most severe first."""

_WIDTH = 96
_SHOWN = 5
"""Debts of one kind that the digest shows in full."""
_NAMED = 6
"""Names that stand for the others."""


def csv_rows(work: Workbook, debts: Sequence[Debt]) -> Iterator[str]:
    """The debts as CSV, the heaviest first."""
    yield _csv(COLUMNS)
    for row in _rows(work, debts):
        yield _csv(["" if row[name] is None else row[name] for name in COLUMNS])


def json_lines(work: Workbook, debts: Sequence[Debt]) -> Iterator[str]:
    """The debts as JSON Lines: an object a debt, null where CSV has nothing."""
    for row in _rows(work, debts):
        yield json.dumps(row, ensure_ascii=False) + "\n"


def digest(
    work: Workbook, debts: Sequence[Debt], notes: int | None = None, *, every: bool = False
) -> Iterator[str]:
    """What an author wants to see first: how much is owed, then the debts by kind.

    ``notes`` is the number of plan notes that were read, none where no folder
    was named. With ``every``, no debt is left out.
    """
    by_kind: dict[str, list[Debt]] = defaultdict(list)
    for debt in debts:
        by_kind[debt.kind].append(debt)
    yield from _summary(work, by_kind, notes)
    left_out = 0
    for kind, title in TITLES.items():
        found = by_kind.get(kind, [])
        if not found:
            continue
        shown = found if every else found[:_SHOWN]
        yield f"\n{title}\n"
        for debt in shown:
            yield from _debt(debt)
        rest = found[len(shown) :]
        left_out += len(rest)
        if rest:
            yield from _rest(work, rest)
    if left_out:
        yield f"\n--all shows those {left_out} in full as well.\n"
    if notes is None:
        yield (
            "\nNo plan notes were named: --notes DIR also tells which types lack one and which "
            "notes\nno line reaches.\n"
        )


def _summary(work: Workbook, by_kind: dict[str, list[Debt]], notes: int | None) -> Iterator[str]:
    lines, chapters = len(work.paths), len(work.book.games)
    read = f"{counted(lines, 'line')} in {counted(chapters, 'chapter')}"
    if notes is not None:
        read += f" and {counted(notes, 'plan note')}"
    total = sum(len(found) for found in by_kind.values())
    if not total:
        yield f"{read}: nothing is owed.\n"
        return
    yield f"{read}: {counted(total, 'thing')} {'is' if total == 1 else 'are'} owed.\n\n"
    width = max(len(TITLES[kind]) for kind in by_kind)
    yield f"{'what is owed':<{width}}  count  weight\n"
    for kind, title in TITLES.items():
        if kind in by_kind:
            weight = sum(debt.weight for debt in by_kind[kind])
            yield f"{title:<{width}}  {len(by_kind[kind]):>5,}  {weight:>6,}\n"
    yield (
        "\nThe weight is the number of lines concerned, times "
        f"{SEVERITY[CONTRADICTION]} where readers are told two things,\n"
        f"{SEVERITY[STOPS_SHORT]} or {SEVERITY[NO_NOTE]} where they are told nothing, "
        "1 where they could be told more.\n"
    )


def _debt(debt: Debt) -> Iterator[str]:
    yield from _wrapped(debt.what, f"{debt.weight:>5,}  ")
    if debt.moves:
        yield from _wrapped(f"{debt.chapter}: {debt.moves}", " " * 7)
    else:
        place = " in ".join(
            part for part in (debt.file, debt.chapter and f"“{debt.chapter}”") if part
        )
        if debt.node >= 0:
            place += ", at the start"
        yield from _wrapped(place, " " * 7)
    yield from _wrapped(f"> {debt.closes}", " " * 7)


def _rest(work: Workbook, rest: Sequence[Debt]) -> Iterator[str]:
    """The debts that are not shown, by what they are about, in a few words."""
    names = dict.fromkeys(_about(work, debt) for debt in rest)
    named = list(names)[: _NAMED if len(names) > _NAMED + 1 else None]
    more = f"; {len(names) - len(named):,} others" if len(named) < len(names) else ""
    yield from _wrapped(f"and {len(rest):,} more: {'; '.join(named)}{more}", "       ")


def _about(work: Workbook, debt: Debt) -> str:
    if debt.group >= 0 and work.groups.groups[debt.group].settled:
        return work.name_of(work.groups.groups[debt.group].structure)
    return debt.file if debt.kind == UNUSED_NOTE else debt.chapter


def _rows(work: Workbook, debts: Sequence[Debt]) -> Iterator[dict[str, Any]]:
    for debt in debts:
        group = work.groups.groups[debt.group] if debt.group >= 0 else None
        placed = debt.node >= 0
        yield {
            "kind": debt.kind,
            "weight": debt.weight,
            "lines": debt.lines,
            "file": debt.file,
            "game": debt.game if placed else None,
            "node": debt.node - work.book.game_of(debt.node).first if placed else None,
            "chapter": debt.chapter,
            "structure": None if group is None else group.structure,
            "holder": None if group is None else group.holder,
            "moves": debt.moves,
            "what": debt.what,
            "closes": debt.closes,
        }


def _csv(values: Sequence[Any]) -> str:
    line = io.StringIO()
    csv.writer(line, lineterminator="\n").writerow(values)
    return line.getvalue()


def _wrapped(text: str, head: str) -> Iterator[str]:
    for line in textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=head,
        subsequent_indent=" " * (len(head) + 2),
        break_on_hyphens=False,
    ):
        yield line + "\n"
