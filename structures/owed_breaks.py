"""The opponent's pawn breaks that no line answers."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterator
from typing import NamedTuple

import chess
import numpy as np

from pawnlore.structures.break_on_board import NOW, on_board
from pawnlore.structures.break_practice import NO_SQUARE, PawnMoves, pawn_moves
from pawnlore.structures.debt import UNMET_BREAK, Debt, counted, debt_at
from pawnlore.structures.distinct_verdicts import distinct_skeletons
from pawnlore.structures.exchange_value import best_gain
from pawnlore.structures.group_nodes import group_nodes
from pawnlore.structures.groups import Groups
from pawnlore.structures.line_text import Naming, family_name, numbered
from pawnlore.structures.pawn_levers import LEVER, SIDES, LeverSquares, PawnBreak, pawn_breaks
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_side import RepertoireSide
from pawnlore.structures.replay import Replay
from pawnlore.structures.skeleton import Masks, Skeleton
from pawnlore.structures.structure_paths import StructurePaths
from pawnlore.structures.typical_breaks import typical_breaks

Breaks = Callable[[Masks], LeverSquares]
"""Anything that finds the breaks of a batch of skeletons, ``uint64`` (N, 2)."""

_TRIED = 12
"""Positions in which a break is tried on the board at most, for each group and break."""


class _Chance(NamedTuple):
    """A break that some nodes of a group allow; each node has it in one pawn move."""

    group: int
    foe: int
    square: int


def break_debts(
    book: Repertoire,
    paths: StructurePaths,
    found: Groups,
    side: RepertoireSide,
    breaks: Breaks,
    name_of: Naming = family_name,
) -> Iterator[Debt]:
    """The breaks of the opponent that belong to a group's structure and that no line answers.

    A break belongs to the structure where its plans name it
    (`pawnlore.structures.typical_breaks`). It exists where the pawns allow it
    in one move in a position of the group's lines with the opponent to move,
    the move is legal there, and the exchange on its square wins the author
    nothing. It is answered where any line that has had the structure plays it
    and goes on. Of a sample of such positions, one is named in which the
    opponent's king has castled, if there is one, and most pieces back the break.
    """
    chances = _chances(book, paths, found, side, breaks)
    if not chances:
        return
    moves = pawn_moves(book)
    answered = _answered(book, paths, moves)
    open_: dict[_Chance, list[int]] = {}
    for chance, nodes in chances.items():
        group = found.groups[chance.group]
        code = paths.code(group.structure, group.holder)
        if (code, chance.foe, chance.square) not in answered:
            open_[chance] = nodes
    lines = _lines_with(book, paths, found, open_)
    replay = Replay(book)
    for chance, nodes in open_.items():
        played = _playable(book, replay, chance, nodes)
        if played is not None:
            yield _debt(book, found, chance, *played, lines[chance], name_of)


def _chances(
    book: Repertoire,
    paths: StructurePaths,
    found: Groups,
    side: RepertoireSide,
    breaks: Breaks,
) -> dict[_Chance, list[int]]:
    """Where the opponent to move can make each typical break, by the pawns alone."""
    masks, inverse = distinct_skeletons(book.masks)
    levers = breaks(masks).one
    ply = np.frombuffer(book.ply, dtype=np.int32) if len(book) else np.empty(0, dtype=np.int32)
    firsts = [game.first for game in book.games]
    chances: dict[_Chance, list[int]] = defaultdict(list)
    for place, (group, nodes) in enumerate(
        zip(found.groups, group_nodes(book, paths, found), strict=True)
    ):
        if not nodes:
            continue
        columns = np.array(nodes, dtype=np.intp)
        authors = {side.of_game(bisect_right(firsts, leaf) - 1) for leaf in group.lines}
        # Where a group holds games of both sides, its nodes' own games tell.
        for foe, (name, author) in enumerate(zip(SIDES, reversed(SIDES), strict=True)):
            if author not in authors:
                continue
            typical = typical_breaks(group.structure, group.holder, name)
            here = columns[ply[columns] % 2 == foe]
            allowed = levers[inverse[here], foe] & np.uint64(typical)
            rows = np.flatnonzero(allowed)
            for node, squares in zip(here[rows].tolist(), allowed[rows].tolist(), strict=True):
                if side.of_game(bisect_right(firsts, node) - 1) != author:
                    continue
                for square in chess.scan_forward(squares):
                    chances[_Chance(place, foe, square)].append(node)
    return chances


def _answered(
    book: Repertoire, paths: StructurePaths, moves: PawnMoves
) -> set[tuple[int, int, int]]:
    """Each structure code, side and square such that some line has it and goes on."""
    parents = book.parents
    goes_on = np.zeros(len(book), dtype=bool)
    goes_on[parents[parents >= 0]] = True
    straight = (moves.start & 7) == (moves.end & 7)
    # A position may go on elsewhere, where another line reaches it.
    if book.positions is not None and len(book):
        positions = np.frombuffer(book.positions, dtype=np.int32)
        known = np.zeros(len(book), dtype=bool)
        known[positions[goes_on]] = True
        goes_on = known[positions]
    pushes = (moves.end != NO_SQUARE) & straight & goes_on
    seen = _seen(book, paths)
    rows = np.flatnonzero(pushes)
    masks: dict[tuple[int, int], set[int]] = defaultdict(set)
    for node, square, white in zip(
        rows.tolist(), moves.end[rows].tolist(), moves.white[rows].tolist(), strict=True
    ):
        masks[0 if white else 1, square].add(seen[book.parent[node]])
    answered = set()
    for (foe, square), codes in masks.items():
        every = 0
        for mask in codes:
            every |= mask
        answered |= {(code, foe, square) for code in chess.scan_forward(every)}
    return answered


def _seen(book: Repertoire, paths: StructurePaths) -> list[int]:
    """The structure codes that each node's line has had so far, as a mask."""
    seen = [0] * len(book)
    for node, (above, code) in enumerate(zip(book.parent, paths.carried.tolist(), strict=True)):
        mask = seen[above] if above >= 0 else 0
        seen[node] = mask | 1 << code if code >= 0 else mask
    return seen


def _lines_with(
    book: Repertoire, paths: StructurePaths, found: Groups, chances: dict[_Chance, list[int]]
) -> dict[_Chance, int]:
    """How many of its group's lines allow each break, move orders left out."""
    order = list(chances)
    here: dict[int, int] = defaultdict(int)
    for bit, nodes in enumerate(chances.values()):
        for node in nodes:
            here[node] |= 1 << bit
    had = [0] * len(book)
    for node, above in enumerate(book.parent):
        mask = had[above] if above >= 0 else 0
        had[node] = mask | here[node] if node in here else mask
    count = dict.fromkeys(order, 0)
    by_group: dict[int, int] = defaultdict(int)
    for bit, chance in enumerate(order):
        by_group[chance.group] |= 1 << bit
    orders = [frozenset(group.move_orders) for group in found.groups]
    for line, leaf in enumerate(paths.leaves.tolist()):
        place = found.of_line[line]
        mask = had[leaf] & by_group.get(place, 0)
        if mask and leaf not in orders[place]:
            for bit in chess.scan_forward(mask):
                count[order[bit]] += 1
    return count


def _playable(
    book: Repertoire, replay: Replay, chance: _Chance, nodes: list[int]
) -> tuple[int, PawnBreak] | None:
    """The position in which the break can be played and is backed best, and the break."""
    best: tuple[int, PawnBreak] | None = None
    most: tuple[bool, int] | None = None
    for node in _sample(book, nodes):
        board = replay.board(node)
        for told in _breaks_at(Skeleton(*book.masks[node].tolist()), chance):
            if on_board(board, told).state == NOW and _sound(board, told):
                # A break is mostly played once the king is safe.
                good = (not board.has_castling_rights(told.color), _backing(board, told))
                if most is None or good > most:
                    best, most = (node, told), good
    return best


def _sample(book: Repertoire, nodes: list[int]) -> list[int]:
    """Some of the nodes, spread evenly by ply, each position once, in reading order."""
    first: dict[int, int] = {}
    for node in nodes:
        first.setdefault(node if book.positions is None else book.positions[node], node)
    by_ply = sorted(first.values(), key=lambda node: (book.ply[node], node))
    count = len(by_ply)
    if count > _TRIED:
        by_ply = [by_ply[index * (count - 1) // (_TRIED - 1)] for index in range(_TRIED)]
    return sorted(by_ply)


def _backing(board: chess.Board, told: PawnBreak) -> int:
    """How many more pieces of its own side than of the other look at where a break lands."""
    own = chess.popcount(board.attackers_mask(told.color, told.landing))
    return own - chess.popcount(board.attackers_mask(not told.color, told.landing))


def _breaks_at(skeleton: Skeleton, chance: _Chance) -> list[PawnBreak]:
    return [
        told
        for told in pawn_breaks(skeleton)
        if told.side == SIDES[chance.foe]
        and told.kind == LEVER
        and told.moves == 1
        and told.landing == chance.square
    ]


def _sound(board: chess.Board, told: PawnBreak) -> bool:
    """Whether taking the pawn that breaks wins nothing."""
    start, end = told.path[0], told.landing
    occupied = board.occupied ^ chess.BB_SQUARES[start] | chess.BB_SQUARES[end]
    return not best_gain(board, end, 1, not told.color, occupied)


def _debt(
    book: Repertoire,
    found: Groups,
    chance: _Chance,
    node: int,
    told: PawnBreak,
    lines: int,
    name_of: Naming,
) -> Debt:
    group = found.groups[chance.group]
    name = name_of(group.structure)
    foe = SIDES[chance.foe].capitalize()
    hits = ", ".join(chess.square_name(square) for square in told.hits)
    lines = max(1, lines)
    whose = "both sides'" if group.stance == "shared" else group.stance
    what = (
        f"“{name}” ({whose}): no line answers {foe}'s {told.text}, which hits {hits}; "
        f"{counted(lines, 'line')} {'allows' if lines == 1 else 'allow'} it."
    )
    move = f"{'' if told.color else '...'}{chess.square_name(told.landing)}"
    closes = f"Show {move} and our answer, for example after {numbered(book, node)}."
    return debt_at(book, UNMET_BREAK, node, lines, what, closes, group=chance.group)
