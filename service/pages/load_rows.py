"""What a repertoire asks of a student as rows of a page: chapters, types and choices."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pawnlore.service.exports.table_text import author_side, marked, to_move
from pawnlore.service.pages.group_filter import chosen_games
from pawnlore.service.pages.group_keys import GroupKey, group_keys
from pawnlore.service.pages.paging import Paging, paging
from pawnlore.service.pages.shown_text import shown
from pawnlore.service.workbook import Workbook
from pawnlore.structures.debt import counted
from pawnlore.structures.line_text import line_text
from pawnlore.structures.load import Comparison, Load, LoadCounter
from pawnlore.structures.teaching_order import teaching_order

CHAPTERS, TYPES, CHOICES = "chapters", "types", "choices"

PARTS = {
    CHAPTERS: "by chapter",
    TYPES: "by middlegame type",
    CHOICES: "where we have a choice",
}
"""How the load can be looked at."""

ROWS = {CHAPTERS: 50, TYPES: 50, CHOICES: 20}
"""Rows of each on one page."""

_BRANCHES = 8
_NAME_ROOM, _MOVES_ROOM = 160, 400


@dataclass(frozen=True, slots=True)
class LoadRow:
    """The load of one chapter or type: ``node`` is where a chapter begins, ``key`` a group's."""

    name: str
    node: int | None
    key: GroupKey | None
    load: Load


@dataclass(frozen=True, slots=True)
class Branch:
    """One of our moves in a position, and what it costs to teach."""

    node: int
    move: str
    load: Load
    cheapest: bool


@dataclass(frozen=True, slots=True)
class Choice:
    """A position in which we have several moves."""

    node: int
    after: str
    chapter: str
    lines: int
    branches: tuple[Branch, ...]
    more: int


@dataclass(frozen=True, slots=True)
class LoadPage:
    """A page of one part; only one of ``rows`` and ``choices`` is filled."""

    whole: Load
    rows: tuple[LoadRow, ...]
    choices: tuple[Choice, ...]
    paging: Paging
    mixed: int

    @property
    def summary(self) -> str:
        """What it all asks, in one sentence."""
        load = self.whole
        if not load.moves:
            return "Nobody knows whose repertoire this is, so no moves to remember are counted."
        return (
            f"{counted(load.moves, 'move')} of ours to remember in {counted(load.lines, 'line')}, "
            f"and {counted(len(load.structures), 'structure')} to know. The mean one comes at move "
            f"{load.mean_depth:.0f}, the last at move {load.deepest}."
        )


def load_page(work: Workbook, part: str, *, chapter: str = "", page: int = 1) -> LoadPage:
    """One part of the load; ``chapter`` keeps those choices that a chapter has."""
    counter = work.once("load counter", lambda: LoadCounter(work.book, work.paths, work.side))
    whole = work.once("whole load", counter.whole)
    mixed = sum(work.side.of_game(game) == "mixed" for game in range(len(work.book.games)))
    if part == CHOICES:
        places = _ours(work, counter, chapter)
        shown_part = paging(len(places), page, ROWS[part])
        return LoadPage(
            whole,
            (),
            tuple(
                _choice(work, counter, node, lines)
                for node, lines in places[shown_part.start : shown_part.end]
            ),
            shown_part,
            mixed,
        )
    rows = _types(work, counter) if part == TYPES else _chapters(work, counter, chapter)
    shown_part = paging(len(rows), page, ROWS[part])
    return LoadPage(whole, tuple(rows[shown_part.start : shown_part.end]), (), shown_part, mixed)


def _chapters(work: Workbook, counter: LoadCounter, chapter: str) -> Sequence[LoadRow]:
    loads = work.once("chapter loads", counter.chapters)
    games = chosen_games(work, chapter)
    return [
        LoadRow(
            shown(one.chapter, _NAME_ROOM) or "a chapter without a name",
            work.book.games[one.game].first,
            None,
            one.load,
        )
        for one in loads
        if games is None or one.game in games
    ]


def _types(work: Workbook, counter: LoadCounter) -> Sequence[LoadRow]:
    def made() -> list[LoadRow]:
        order = [step.group for step in teaching_order(work.paths, work.groups)]
        order += [place for place in range(len(work.groups)) if place not in set(order)]
        keys = group_keys(work.groups)
        return [
            LoadRow(keys[one.group].name, None, keys[one.group], one.load)
            for one in counter.groups(work.groups, order)
        ]

    return work.once("type loads", made)


def _ours(work: Workbook, counter: LoadCounter, chapter: str) -> Sequence[tuple[int, int]]:
    """The positions in which our side has several moves; what most lines pass first."""

    def made() -> list[tuple[int, int]]:
        book = work.book
        ours = [
            (node, lines)
            for node, lines in counter.places()
            if to_move(book, node, author_side(work, node)) == "ours"
        ]
        return sorted(ours, key=lambda one: (-one[1], one[0]))

    places = work.once("our choices", made)
    games = chosen_games(work, chapter)
    if games is None:
        return places
    inside = [work.book.games[game] for game in games]
    kept = {node for game in inside for node in game.nodes}
    return [one for one in places if one[0] in kept]


def _choice(work: Workbook, counter: LoadCounter, node: int, lines: int) -> Choice:
    """A choice, compared once: the first ones of a repertoire have most of it below them."""
    made: dict[int, Choice] = work.once("compared choices", dict)
    if node not in made:
        made[node] = _compared(work, counter.compare_everywhere(node), lines)
    return made[node]


def _compared(work: Workbook, found: Comparison, lines: int) -> Choice:
    book = work.book
    branches = tuple(
        Branch(
            branch.node,
            shown(marked(book, branch.node), _NAME_ROOM),
            branch.load,
            number == found.cheapest,
        )
        for number, branch in enumerate(found.branches[:_BRANCHES])
    )
    return Choice(
        found.node,
        shown(line_text(book, found.node), _MOVES_ROOM),
        shown(book.game_of(found.node).chapter, _NAME_ROOM),
        lines,
        branches,
        max(0, len(found.branches) - _BRANCHES),
    )
