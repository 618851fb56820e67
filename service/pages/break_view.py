"""Breaks for reading: what each side can break, whether now, and where it leads."""

from __future__ import annotations

from dataclasses import dataclass

from pawnlore.service.pages.group_keys import HOLDERS, heading
from pawnlore.structures.break_on_board import ILLEGAL, IN_THE_WAY, LATER, NEXT, NOW, OnBoard
from pawnlore.structures.breaks import Branch, BreakTree, Prospect
from pawnlore.structures.pawn_levers import CAPTURE, LEVER, PIECE, PUSH
from pawnlore.structures.skeleton import placement

_MOST, _MOST_ENDS = 8, 3

_KINDS = {
    CAPTURE: "takes",
    LEVER: "attacks a pawn",
    PUSH: "steps on",
    PIECE: "a pawn takes a piece",
}


@dataclass(frozen=True, slots=True)
class BreakEnd:
    """One way in which a break can end: the moves after it, and what stands then.

    ``fen`` is the placement of the pawns then.
    """

    moves: str
    name: str
    changes: str
    fen: str


@dataclass(frozen=True, slots=True)
class BreakLine:
    """One break; ``when`` says whether it can be played, empty where no board tells.

    ``played`` says how many of a repertoire's lines play it, where one was asked.
    """

    text: str
    kind: str
    when: str
    playable: bool
    played: str
    ends: tuple[BreakEnd, ...]


@dataclass(frozen=True, slots=True)
class SideBreaks:
    """The breaks of one side; ``more`` are left out."""

    side: str
    lines: tuple[BreakLine, ...]
    more: int


def break_view(tree: BreakTree) -> tuple[SideBreaks, ...]:
    """The breaks of both sides, White's first."""
    return tuple(_side(tree, side) for side in ("white", "black"))


def _side(tree: BreakTree, side: str) -> SideBreaks:
    own = [prospect for prospect in tree.prospects if prospect.pawn_break.side == side]
    lines = tuple(_line(prospect, tree) for prospect in own[:_MOST])
    return SideBreaks(side, lines, max(0, len(own) - _MOST))


def _line(prospect: Prospect, tree: BreakTree) -> BreakLine:
    told, board = prospect.pawn_break, prospect.board
    # What cannot be played out on this board is told only where nothing else is.
    ends = [branch for branch in prospect.branches if branch.legal is not False]
    ends = ends or list(prospect.branches)
    return BreakLine(
        told.text.replace("-", "–"),
        _KINDS[told.kind],
        "" if board is None else _when(board),
        board is not None and board.playable,
        _played(prospect, tree),
        tuple(_end(branch, tree) for branch in ends[:_MOST_ENDS]),
    )


def _played(prospect: Prospect, tree: BreakTree) -> str:
    if not tree.lines or not prospect.played:
        return ""
    verb = "plays" if prospect.played == 1 else "play"
    return f"{prospect.played:,} of your {tree.lines:,} lines here {verb} it"


def _when(board: OnBoard) -> str:
    if board.state == IN_THE_WAY:
        return f"{board.reason} is in the way" if board.reason else "a piece is in the way"
    if board.state == ILLEGAL:
        return board.reason or "not legal now"
    return {NOW: "can be played now", NEXT: "can be played next", LATER: "in two moves"}[
        board.state
    ]


def _end(branch: Branch, tree: BreakTree) -> BreakEnd:
    verdict = branch.verdict
    same = (verdict.structure, verdict.holder) == (tree.verdict.structure, tree.verdict.holder)
    if not verdict.settled:
        name = "no settled structure"
    elif same:
        name = "the same structure"
    else:
        name = f"{heading(verdict.structure)}, {HOLDERS[verdict.holder]}"
    return BreakEnd(branch.outcome.text, name, branch.changes, placement(branch.outcome.skeleton))
