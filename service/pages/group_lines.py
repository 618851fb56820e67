"""The lines of a group in pages; each begins where it leaves the line before it."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

from pawnlore.service.pages.group_filter import chosen_games
from pawnlore.service.pages.group_keys import HOLDERS, heading
from pawnlore.service.pages.paging import ROWS, Paging, paging
from pawnlore.service.pages.shown_text import shown
from pawnlore.service.workbook import Workbook
from pawnlore.structures.groups import Group
from pawnlore.structures.line_text import moves_text, numbered

_CHAPTER_ROOM = 140
_MOVES_ROOM = 440


@dataclass(frozen=True, slots=True)
class LineRow:
    """One line of a group.

    ``number`` counts the lines that are asked for. ``chapter`` is empty where
    it is that of the row before. ``leaves`` tells that ``moves`` begin where
    the line leaves the row before it. Its structure settles with the move
    ``settles``. ``node`` is where a reader should begin: where the structure
    settles, else at the end. A move order goes on at the node ``onward``.
    """

    number: int
    leaf: int
    node: int
    chapter: str
    leaves: bool
    moves: str
    settles: str
    onward: int | None
    onward_chapter: str
    ends_in: str


@dataclass(frozen=True, slots=True)
class LinePage:
    """A page of lines."""

    rows: tuple[LineRow, ...]
    paging: Paging


def group_lines(
    work: Workbook, group: Group, *, chapter: str = "", page: int = 1, rows: int = ROWS
) -> LinePage:
    """A page of a group's lines in reading order, of one chapter or of all."""
    book = work.book
    leaves = _leaves(work, group, chosen_games(work, chapter))
    paged = paging(len(leaves), page, rows)
    told: list[LineRow] = []
    before: tuple[int, ...] = ()
    chapter_before = -1
    for number, leaf in enumerate(leaves[paged.start : paged.end], paged.start + 1):
        game = book.game_of(leaf)
        line = tuple(book.line(leaf))
        new_chapter = game.first != chapter_before
        chapter_before = game.first
        shared = 0 if new_chapter else _shared(before, line)
        before = line
        path = work.paths.path(work.paths.index(leaf))
        onward = work.onward.get(leaf)
        settles = path.settles_at
        ends = ""
        if path.ending is not None and path.ending != path.middlegame:
            ends = f"{heading(path.ending.structure)}, {HOLDERS[path.ending.holder]}"
        told.append(
            LineRow(
                number=number,
                leaf=leaf,
                node=leaf if settles is None or onward is not None else settles,
                chapter=shown(game.chapter, _CHAPTER_ROOM) if new_chapter else "",
                leaves=shared > 1,
                moves=shown(moves_text(book, line[shared : shared + _MOVES_ROOM]), _MOVES_ROOM),
                settles="" if settles is None else numbered(book, settles),
                onward=onward,
                onward_chapter=(
                    ""
                    if onward is None or book.game_of(onward) is game
                    else shown(book.game_of(onward).chapter, _CHAPTER_ROOM)
                ),
                ends_in=ends,
            )
        )
    return LinePage(tuple(told), paged)


def _leaves(work: Workbook, group: Group, games: frozenset[int] | None) -> list[int]:
    leaves = list(group.lines)
    if games is None:
        return leaves
    chosen: list[int] = []
    for game in sorted(games):
        nodes = work.book.games[game].nodes
        chosen += leaves[bisect_left(leaves, nodes.start) : bisect_left(leaves, nodes.stop)]
    return chosen


def _shared(one: tuple[int, ...], other: tuple[int, ...]) -> int:
    """How many nodes two lines have in common from their start."""
    count = 0
    for first, second in zip(one, other, strict=False):
        if first != second:
            break
        count += 1
    return count
