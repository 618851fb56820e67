"""A line of a repertoire with one of its positions: board, path, moves, variations."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

from pawnlore.service.exports.booklet_lines import main_end
from pawnlore.service.pages.elsewhere import Elsewhere, elsewhere
from pawnlore.service.pages.group_keys import GroupKey, group_keys
from pawnlore.service.pages.line_moves import (
    COMMENT_ROOM,
    LineMoves,
    glyph_signs,
    line_moves,
    node_comments,
)
from pawnlore.service.pages.line_steps import Step, line_steps
from pawnlore.service.pages.shown_text import shown, size_of
from pawnlore.service.workbook import Workbook
from pawnlore.structures.line_text import moves_text, numbered
from pawnlore.structures.reminders import reminders_in
from pawnlore.structures.replay import Replay
from pawnlore.structures.skeleton import Skeleton
from pawnlore.structures.verdict import Verdict

MOST_PLAYED = 2_000
"""Half-moves of a line that are played to set up its board; beyond, the pawns are shown."""

_VARIATIONS = 10
_REMINDERS = 5
_CHAPTER_ROOM = 240
_VARIATION_ROOM = 200
_REMINDER_ROOM = 400
_COMMENT_ROOM = 5_000
_AHEAD = 8


@dataclass(frozen=True, slots=True)
class Variation:
    """A move at the position that is shown: the line that goes on with it.

    ``walked`` tells whether it is the one on the line that is walked.
    """

    node: int
    leaf: int
    text: str
    moves: str
    walked: bool


@dataclass(frozen=True, slots=True)
class LineView:
    """A position of a line.

    ``leaf`` is the last node of the line that is walked. ``fen`` is none where
    the line is too long to be played. ``move`` is the move that led here, with
    its number and signs. ``side`` is ours, empty where nobody knows. ``before``,
    ``after`` and ``first`` are where the arrows lead. ``group`` is the line's
    group. ``comment`` is all that is said at this move, and ``comment_cut`` tells
    that the moves have less of it.
    """

    node: int
    leaf: int
    chapter: str
    move: str
    fen: str | None
    skeleton: Skeleton
    orientation: str
    side: str
    verdict: Verdict
    group: GroupKey
    steps: tuple[Step, ...]
    more_steps: int
    moves: LineMoves
    comment: str
    comment_cut: bool
    reminders: tuple[tuple[str, str], ...]
    before: int | None
    after: int | None
    first: int
    variations: tuple[Variation, ...]
    more_variations: int
    elsewhere: tuple[Elsewhere, ...]
    more_elsewhere: int
    number: int
    length: int


def line_view(work: Workbook, node: int, leaf: int | None = None) -> LineView:
    """The view of a node on the line that ends with ``leaf``.

    Where the leaf is none, or ends no line through the node, the main line goes
    on from there. Raises `IndexError` for a node that there is not.
    """
    book = work.book
    if not 0 <= node < len(book):
        raise IndexError(node)
    leaf = leaf_of(work, node, leaf)
    path = work.paths.path(work.paths.index(leaf))
    line = path.nodes
    at = line.index(node)
    game = book.game_of(node)
    place = work.groups.of_line[work.paths.index(leaf)]
    steps, more_steps = line_steps(work, path, node)
    below = book.children(node)
    walked = line[at + 1] if at + 1 < len(line) else None
    others, more = elsewhere(work, node)
    close, apart = glyph_signs(book, node)
    comment = node_comments(book, node, _COMMENT_ROOM)
    side = work.side.of_game(bisect_right(book.games, node, key=lambda one: one.first) - 1)
    side = side if side in ("white", "black") else ""
    return LineView(
        node=node,
        leaf=leaf,
        chapter=shown(game.chapter, _CHAPTER_ROOM),
        move=" ".join((numbered(book, node) + close, apart)).strip() if at else "",
        fen=Replay(book).board(node).fen() if at <= MOST_PLAYED else None,
        skeleton=Skeleton(book.pawns[2 * node], book.pawns[2 * node + 1]),
        orientation=side or "white",
        side=side,
        verdict=work.distinct.verdicts[int(work.distinct.inverse[node])],
        group=group_keys(work.groups)[place],
        steps=steps,
        more_steps=more_steps,
        moves=line_moves(book, line, node, path.settles_at),
        comment=comment,
        comment_cut=size_of(comment) > COMMENT_ROOM,
        reminders=_reminders(work, node),
        before=line[at - 1] if at else None,
        after=walked,
        first=line[0],
        variations=tuple(
            _variation(work, one, leaf if one == walked else None) for one in below[:_VARIATIONS]
        ),
        more_variations=max(0, len(below) - _VARIATIONS),
        elsewhere=others,
        more_elsewhere=more,
        number=at,
        length=len(line) - 1,
    )


def leaf_of(work: Workbook, node: int, leaf: int | None) -> int:
    """The last node of the line to walk: ``leaf`` where its line passes the node."""
    book = work.book
    if leaf is not None and node <= leaf < len(book) and not book.children(leaf):
        above = leaf
        # Nodes are numbered in reading order, so none above has a larger number.
        while above > node:
            above = book.parent[above]
        if above == node:
            return leaf
    return main_end(book, node)


def _variation(work: Workbook, node: int, leaf: int | None) -> Variation:
    book = work.book
    ahead = [node]
    while len(ahead) < _AHEAD and (below := book.children(ahead[-1])):
        ahead.append(below[0])
    text = numbered(book, node) + glyph_signs(book, node)[0]
    rest = moves_text(book, ahead[1:])
    # The first move is written already; Black's answer to it needs no number.
    black_answers = len(ahead) > 1 and book.ply[node] % 2
    return Variation(
        node=node,
        leaf=main_end(book, node) if leaf is None else leaf,
        text=text,
        moves=shown(rest.split("...", 1)[1] if black_answers else rest, _VARIATION_ROOM),
        walked=leaf is not None,
    )


def _reminders(work: Workbook, node: int) -> tuple[tuple[str, str], ...]:
    found = [
        (kind, shown(text, _REMINDER_ROOM))
        for comment in work.book.comments.get(node, ())
        for kind, text, _ in reminders_in(comment.text)
    ]
    return tuple(found[:_REMINDERS])
