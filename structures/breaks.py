"""Breaks: where a position's pawns can go, and how often the author's lines go there.

Everything here is bounded by the pawns: eight a side, two moves each, a few
ways to take back. Equal input gives equal output, in the same order.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import chess

from pawnlore.structures.break_on_board import (
    OnBoard,
    board_breaks,
    on_board,
    outcome_on_board,
)
from pawnlore.structures.break_practice import Practice, pawn_moves, practice
from pawnlore.structures.distinct_verdicts import DistinctVerdicts
from pawnlore.structures.motifs import passed
from pawnlore.structures.pawn_changes import pawn_changes
from pawnlore.structures.pawn_distance import FILE_WEIGHTS
from pawnlore.structures.pawn_levers import (
    CAPTURE,
    LEVER,
    PIECE,
    PUSH,
    PawnBreak,
    breaks_of,
    lever_squares,
    pawn_breaks,
)
from pawnlore.structures.query_position import QueryPosition
from pawnlore.structures.recaptures import Outcome, outcomes
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.skeleton import Skeleton, pack
from pawnlore.structures.verdict import HOLDERS, Classify, Verdict, Verdicts

__all__ = ["Branch", "BreakTree", "Prospect", "break_tree", "breaks_of", "lever_squares"]

_KINDS = (CAPTURE, LEVER, PUSH, PIECE)


@dataclass(frozen=True, slots=True)
class Branch:
    """One end of a break: the pawns then, what they are, and what is new in them.

    ``legal`` is none without a board. ``lines`` counts the author's lines that
    play the break and have exactly these pawns then or later; none without a
    repertoire.
    """

    outcome: Outcome
    verdict: Verdict
    changes: str
    legal: bool | None = None
    lines: int | None = None


@dataclass(frozen=True, slots=True)
class Prospect:
    """One break with everything that is known of it.

    ``backing`` holds the pawns of the same side that guard the landing square.
    ``played`` and ``structure_played`` count the author's lines that play it
    from these pawns, and from any position of the same structure; none without
    a repertoire. ``example`` is the first node that plays it.
    """

    pawn_break: PawnBreak
    backing: tuple[int, ...]
    board: OnBoard | None
    branches: tuple[Branch, ...]
    played: int | None = None
    structure_played: int | None = None
    example: int | None = None


@dataclass(frozen=True, slots=True)
class BreakTree:
    """All breaks of a position, those of the side to move first (else White's).

    ``lines`` and ``structure_lines`` are how many of the author's lines pass
    these pawns, and this structure; none without a repertoire, the second also
    where no structure is named.
    """

    skeleton: Skeleton
    verdict: Verdict
    board: chess.Board | None
    prospects: tuple[Prospect, ...]
    lines: int | None = None
    structure_lines: int | None = None


@dataclass
class _Draft:
    pawn_break: PawnBreak
    outcomes: tuple[Outcome, ...]
    rows: list[int] = field(default_factory=list)


def break_tree(
    query: QueryPosition,
    classify: Classify,
    book: Repertoire | None = None,
    verdicts: DistinctVerdicts | None = None,
) -> BreakTree:
    """Find the breaks of both sides and what they lead to.

    With a repertoire and its verdicts, the author's own lines are counted.
    Pushes without contact are kept only where they lead to another named
    structure, release a tension or step on with a passed pawn.

    >>> from pawnlore.structures.query_position import query_position
    >>> from pawnlore.structures.matcher import shipped_matcher
    >>> import numpy as np
    >>> def by_cores(masks):
    ...     found, zero = shipped_matcher().match(masks), np.zeros(len(masks))
    ...     none = np.full(len(masks), -1, dtype=np.int16)
    ...     return Verdicts(shipped_matcher().catalogue.ids, found.family, found.holder,
    ...         zero, found.family >= 0, none, found.holder * 0, zero)
    >>> tree = break_tree(query_position("8/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/8"), by_cores)
    >>> [p.pawn_break.text for p in tree.prospects]
    ['e3-e4', 'b2-b4-b5', '...c6-c5', '...f7-f5-f4']
    >>> after = tree.prospects[0].branches[1]
    >>> after.outcome.text, after.verdict.structure, after.changes
    ('exd5 ...cxd5', 'isolani-mirror', 'White: d4 isolated; Black: d5 isolated')
    """
    skeleton, board = query
    drafts = [_Draft(b, outcomes(skeleton, b)) for b in _all_breaks(query)]
    row_of: dict[Skeleton, int] = {skeleton: 0}
    for draft in drafts:
        for outcome in draft.outcomes:
            draft.rows.append(row_of.setdefault(outcome.skeleton, len(row_of)))
    masks = pack(row_of)
    found = classify(masks)
    changes = pawn_changes(masks[:1], masks)
    drafts = _worth_telling(drafts, found, row_of)
    drafts.sort(key=lambda draft: _order(draft.pawn_break, board))
    prospects = tuple(_prospect(draft, query, found, changes) for draft in drafts)
    tree = BreakTree(skeleton, found[0], board, prospects)
    if book is None or verdicts is None:
        return tree
    return _with_practice(tree, book, verdicts)


def _all_breaks(query: QueryPosition) -> list[PawnBreak]:
    found = list(pawn_breaks(query.skeleton))
    if query.board is not None:
        found += board_breaks(query.board)
    return found


def _worth_telling(
    drafts: list[_Draft], found: Verdicts, row_of: dict[Skeleton, int]
) -> list[_Draft]:
    """All but the pushes that change nothing."""
    white_passed, black_passed = _passed(next(iter(row_of)))
    at_stop: dict[tuple[int, ...], int] = {
        draft.pawn_break.path: draft.rows[0]
        for draft in drafts
        if draft.pawn_break.kind == PUSH and draft.pawn_break.moves == 1
    }
    kept = []
    for draft in drafts:
        told = draft.pawn_break
        if told.kind != PUSH:
            kept.append(draft)
            continue
        row, start = draft.rows[0], told.path[0]
        known = [0]
        if told.moves == 2:
            known += [at_stop[told.path[:2]]] if told.path[:2] in at_stop else []
        renamed = found.family[row] >= 0 and all(
            (found.family[row], found.holder[row]) != (found.family[k], found.holder[k])
            for k in known
        )
        passer = ((white_passed if told.color else black_passed) >> start) & 1
        one_step = told.moves == 1 and abs(told.landing - start) == 8
        if renamed or (told.leaves_tension and told.moves == 1) or (passer and one_step):
            kept.append(draft)
    return kept


def _passed(skeleton: Skeleton) -> tuple[int, int]:
    white, black = passed(pack([skeleton]))[0].tolist()
    return white, black


def _order(told: PawnBreak, board: chess.Board | None) -> tuple[object, ...]:
    """The side to move first; contact before pushes, the centre before the wings."""
    first = board.turn if board is not None else True
    weight = max((FILE_WEIGHTS[chess.square_file(square)] for square in told.hits), default=0.0)
    own = FILE_WEIGHTS[chess.square_file(told.path[0])]
    return (told.color != first, _KINDS.index(told.kind), -weight, -own, told.moves, told.path)


def _prospect(draft: _Draft, query: QueryPosition, found: Verdicts, changes: list[str]) -> Prospect:
    told, board = draft.pawn_break, query.board
    own = query.skeleton.white if told.color else query.skeleton.black
    guards = chess.BB_PAWN_ATTACKS[not told.color][told.landing] & own & ~(1 << told.path[0])
    branches = tuple(
        Branch(
            outcome,
            found[row],
            changes[row],
            None if board is None else outcome_on_board(board, told, outcome),
        )
        for outcome, row in zip(draft.outcomes, draft.rows, strict=True)
    )
    state = None if board is None else on_board(board, told)
    return Prospect(told, tuple(chess.scan_forward(guards)), state, branches)


def _with_practice(tree: BreakTree, book: Repertoire, verdicts: DistinctVerdicts) -> BreakTree:
    """The same tree with the author's lines counted."""
    breaks = [prospect.pawn_break for prospect in tree.prospects]
    ends = [[b.outcome.skeleton for b in prospect.branches] for prospect in tree.prospects]
    moves = pawn_moves(book)
    exact = (verdicts.masks == pack([tree.skeleton])[0]).all(axis=1)[verdicts.inverse]
    by_pawns = practice(book, exact, breaks, ends, moves)
    by_structure: Practice | None = None
    if tree.verdict.settled:
        found = verdicts.verdicts
        family = found.names.index(tree.verdict.structure)
        holder = HOLDERS.index(tree.verdict.holder)
        here = ((found.family == family) & (found.holder == holder))[verdicts.inverse]
        by_structure = practice(book, here, breaks, [()] * len(breaks), moves)
    prospects = []
    for index, prospect in enumerate(tree.prospects):
        reached = by_pawns.reached[index]
        branches = tuple(
            Branch(b.outcome, b.verdict, b.changes, b.legal, lines)
            for b, lines in zip(prospect.branches, reached, strict=True)
        )
        example = by_pawns.example[index]
        if example < 0 and by_structure is not None:
            example = by_structure.example[index]
        prospects.append(
            Prospect(
                prospect.pawn_break,
                prospect.backing,
                prospect.board,
                branches,
                by_pawns.played[index],
                None if by_structure is None else by_structure.played[index],
                example if example >= 0 else None,
            )
        )
    return BreakTree(
        tree.skeleton,
        tree.verdict,
        tree.board,
        tuple(prospects),
        by_pawns.lines,
        None if by_structure is None else by_structure.lines,
    )
