"""What is owed as rows of a page: what is wrong, why it weighs what it does, where to act."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pawnlore.service.exports.owed_table import TITLES
from pawnlore.service.note_index import NoteIndex
from pawnlore.service.pages.group_filter import chosen_games
from pawnlore.service.pages.line_view import MOST_PLAYED
from pawnlore.service.pages.paging import Paging, paging
from pawnlore.service.pages.shown_text import shown
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
from pawnlore.structures.line_text import numbered
from pawnlore.structures.owed import owed
from pawnlore.structures.replay import Replay

ROWS = 30
"""Debts on one page."""

WHY = {
    CONTRADICTION: "readers are told two things",
    STOPS_SHORT: "readers are told nothing, though another line has the answer",
    NO_ANSWER: "readers are told nothing",
    NO_NOTE: "readers have the moves and lack the idea behind them",
    NO_STRUCTURE: "readers do not learn what they play for",
    UNMET_BREAK: "readers could be told more",
    DOUBTFUL: "readers could be told more surely",
    UNUSED_NOTE: "no reader ever comes to it",
}
"""Why each kind weighs what it does for each line."""

_KEPT = "debts"
_ANSWERS = 4
_ROOM, _MOVES_ROOM, _NAME_ROOM = 700, 500, 160


@dataclass(frozen=True, slots=True)
class Act:
    """A way to the place where something can be done.

    ``node`` is a position of the repertoire; ``edit`` the id of a note;
    ``note`` the fields of a new one. One of them is there.
    """

    words: str
    node: int | None = None
    edit: str = ""
    note: Mapping[str, str] | None = None


@dataclass(frozen=True, slots=True)
class DebtRow:
    """A debt. ``weighs`` says in words how its weight comes about."""

    kind: str
    title: str
    weight: int
    weighs: str
    what: str
    closes: str
    chapter: str
    moves: str
    acts: tuple[Act, ...]


@dataclass(frozen=True, slots=True)
class DebtPage:
    """A page of debts; ``counts`` tells how many of each kind there are, and what they weigh."""

    rows: tuple[DebtRow, ...]
    paging: Paging
    counts: tuple[tuple[str, str, int, int], ...]
    total: int


def debts_of(work: Workbook, index: NoteIndex) -> list[Debt]:
    """All that is owed, found once for a repertoire and the notes as they are."""
    box: dict[str, tuple[NoteIndex, list[Debt]]] = work.once(_KEPT, dict)
    held = box.get(_KEPT)
    if held is None or held[0] is not index:
        notes = [known.note for known in index]
        verdicts, name_of = work.verdicts, work.name_of
        found = owed(
            work.book, verdicts, work.paths, work.groups, work.side, notes, name_of=name_of
        )
        held = box[_KEPT] = (index, found)
    return held[1]


def debt_page(
    work: Workbook,
    index: NoteIndex,
    *,
    kind: str = "",
    chapter: str = "",
    page: int = 1,
    may_write: bool = False,
) -> DebtPage:
    """The debts of a kind and a chapter, the heaviest first."""
    debts = debts_of(work, index)
    games = chosen_games(work, chapter)
    if games is not None:
        firsts = [game.first for game in work.book.games]
        debts = [
            debt
            for debt in debts
            if debt.node >= 0 and bisect_right(firsts, debt.node) - 1 in games
        ]
    counts, weights = Counter[str](), Counter[str]()
    for debt in debts:
        counts[debt.kind] += 1
        weights[debt.kind] += debt.weight
    chosen = [debt for debt in debts if debt.kind == kind] if kind else debts
    part = paging(len(chosen), page, ROWS)
    rows = chosen[part.start : part.end]
    acts = _Acts(work, index, may_write)
    return DebtPage(
        tuple(_row(debt, acts.of(debt)) for debt in rows),
        part,
        tuple((one, TITLES[one], counts[one], weights[one]) for one in TITLES if counts[one]),
        len(debts),
    )


def weighs(debt: Debt) -> str:
    """How a debt's weight comes about.

    >>> weighs(Debt(STOPS_SHORT, 12, 4, "", 1, "", "", 0, "", ""))
    '4 lines, times 3: readers are told nothing, though another line has the answer'
    """
    if not debt.lines:
        return WHY[debt.kind]
    return f"{counted(debt.lines, 'line')}, times {SEVERITY[debt.kind]}: {WHY[debt.kind]}"


def _closes(debt: Debt) -> str:
    """What would close a debt; the header of a note is for files, and here a form has it."""
    if debt.kind == NO_NOTE and debt.closes.startswith("Write a note:"):
        return "Write what to do there."
    return debt.closes


def _row(debt: Debt, acts: Sequence[Act]) -> DebtRow:
    return DebtRow(
        debt.kind,
        TITLES[debt.kind],
        debt.weight,
        weighs(debt),
        shown(debt.what, _ROOM),
        shown(_closes(debt), _ROOM),
        shown(debt.chapter, _NAME_ROOM),
        shown(debt.moves, _MOVES_ROOM),
        tuple(acts),
    )


class _Acts:
    """Finds where each debt can be closed."""

    def __init__(self, work: Workbook, index: NoteIndex, may_write: bool) -> None:
        self.work = work
        self.may_write = may_write
        self._replay = Replay(work.book)
        self._ids = {known.note.name: known.id for known in index if known.note.name}

    def of(self, debt: Debt) -> list[Act]:
        """The ways to act, the one that closes the debt first."""
        book = self.work.book
        if debt.kind == UNUSED_NOTE:
            id = self._ids.get(debt.file, "")
            return [Act("Change the note", edit=id)] if id and self.may_write else []
        board = Act("See it on the board", node=debt.node)
        if debt.kind == STOPS_SHORT:
            return [
                Act("Where the other line goes on", node=debt.also[0]),
                Act("Where this one stops", node=debt.node),
            ]
        if debt.kind == CONTRADICTION:
            answers = [
                Act(
                    shown(f"{numbered(book, node)} in “{book.game_of(node).chapter}”", _NAME_ROOM),
                    node=node,
                )
                for node in debt.also[:_ANSWERS]
            ]
            return [*answers, board]
        if debt.kind == NO_NOTE and self.may_write:
            return [Act("Write the note", note=self._note(debt)), board]
        return [board]

    def _note(self, debt: Debt) -> dict[str, str]:
        group = self.work.groups.groups[debt.group]
        fields = {
            "structure": group.structure,
            "holder": "any" if group.holder == "both" else group.holder,
            "side": "foe" if group.stance == "theirs" else "holder",
        }
        if self.work.book.ply[debt.node] <= MOST_PLAYED:
            fields["fen"] = self._replay.board(debt.node).fen()
        return fields
