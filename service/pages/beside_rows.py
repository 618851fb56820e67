"""A survey beside a repertoire as rows of a page, with the nodes and groups that they lead to."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pawnlore.service.pages.group_keys import GroupKey, group_keys
from pawnlore.service.pages.paging import Paging, paging
from pawnlore.service.pages.shown_text import shown
from pawnlore.service.pages.survey_rows import (
    THIN,
    Measure,
    measure,
    of_hundred,
    with_holder,
)
from pawnlore.service.store.survey_shelf import KeptTable
from pawnlore.service.workbook import Workbook

Row = Mapping[str, Any]

PARTS = {
    "groups": "What your students will meet",
    "unanswered_structures": "Structures that no line has",
    "unanswered_moves": "Moves that no line answers",
    "unplayed_lines": "Lines that nobody plays",
    "chapters": "Chapter by chapter",
}
"""The tables beside a repertoire, and what they are called."""

SOME, MANY = 8, 40
"""Rows of a table beside others, and on a page of its own."""

_NAME_ROOM, _MOVES_ROOM = 160, 300


@dataclass(frozen=True, slots=True)
class MetRow:
    """A structure that games meet: a group of the repertoire's (``key``) or none of them."""

    label: str
    key: GroupKey | None
    structure: str
    holder: str
    lines: int
    met: Measure
    score: Measure
    games: int
    thin: bool


@dataclass(frozen=True, slots=True)
class MoveRow:
    """A move that no line answers; ``node`` is the position before it, none where it is gone."""

    node: int | None
    move: str
    line: str
    chapters: str
    games: int
    reached: int
    met: Measure
    score: Measure
    thin: bool
    leads_to: str
    leads_games: int


@dataclass(frozen=True, slots=True)
class LineRow:
    """A line to whose end no game comes; ``played`` of its half-moves are played."""

    node: int | None
    line: str
    chapter: str
    half_moves: int
    played: int
    games: int


@dataclass(frozen=True, slots=True)
class ChapterRow:
    """What games come to that leave the repertoire in one chapter.

    ``place`` is the same for all rows of a chapter, and ``thin`` tells that it
    has few games.
    """

    chapter: str
    label: str
    taught: bool
    games: int
    of: int
    met: Measure
    thin: bool
    place: tuple[str, int]


@dataclass(frozen=True, slots=True)
class BesidePart:
    """A table, or some of it."""

    name: str
    title: str
    rows: tuple[Any, ...]
    paging: Paging
    left_out: int

    @property
    def more(self) -> int:
        """How many rows are on other pages."""
        return self.paging.total - len(self.rows)


class Nodes:
    """Finds nodes by file, game and number; none in a workbook of another content."""

    def __init__(self, work: Workbook | None) -> None:
        self._firsts: dict[tuple[str, int], tuple[int, int] | None] = {}
        self._keys: dict[tuple[str, str, str], GroupKey] = {}
        if work is None:
            return
        for game in work.book.games:
            place = (game.file, game.number)
            # Of two files with one name it cannot be told which is meant.
            known = None if place in self._firsts else (game.first, game.count)
            self._firsts[place] = known
        for key in group_keys(work.groups):
            group = work.groups.groups[key.place]
            self._keys[group.structure, group.holder, group.stance] = key
            # Whose it is may have been found out otherwise since.
            self._keys.setdefault((group.structure, group.holder, ""), key)

    def node(self, row: Row) -> int | None:
        """The node of a row."""
        found = self._firsts.get((row["file"], row["game"]))
        return found[0] + row["node"] if found and 0 <= row["node"] < found[1] else None

    def key(self, row: Row) -> GroupKey | None:
        """The group of a row."""
        what = row["structure"], row["holder"]
        return self._keys.get((*what, row["stance"])) or self._keys.get((*what, ""))


def beside_part(name: str, table: KeptTable, nodes: Nodes, *, page: int = 0) -> BesidePart:
    """A table: its first rows, or a page of its own."""
    rows: Sequence[Row] = table.rows
    if name == "groups":
        rows = sorted(rows, key=lambda row: -row["games"])
    elif name == "unplayed_lines":
        rows = sorted(rows, key=lambda row: (row["played"], row["games"]))
    paged = paging(len(rows), page or 1, MANY if page else SOME)
    found = tuple(_ROW[name](row, nodes) for row in rows[paged.start : paged.end])
    return BesidePart(name, PARTS[name], found, paged, table.left_out)


def _met(row: Row, nodes: Nodes) -> MetRow:
    return MetRow(
        with_holder(row["structure"], row["holder"]),
        nodes.key(row) if "stance" in row else None,
        row["structure"],
        row["holder"],
        row.get("lines", 0),
        measure(row, "in_a_hundred", hundred=True),
        measure(row, "score"),
        row["games"],
        row["decided"] < THIN,
    )


def _move(row: Row, nodes: Nodes) -> MoveRow:
    return MoveRow(
        nodes.node(row),
        row["move"],
        shown(row["line"], _MOVES_ROOM),
        shown(row["chapters"], _NAME_ROOM),
        row["games"],
        row["reached"],
        measure(row, "in_a_hundred", hundred=True),
        measure(row, "score"),
        row["decided"] < THIN,
        with_holder(row["structure"], row["holder"]) if row["structure"] != "unsettled" else "",
        row["structure_games"],
    )


def _line(row: Row, nodes: Nodes) -> LineRow:
    return LineRow(
        nodes.node(row),
        shown(row["line"], _MOVES_ROOM),
        shown(row["chapter"], _NAME_ROOM),
        row["half_moves"],
        row["played"],
        row["games"],
    )


def _chapter(row: Row, _nodes: Nodes) -> ChapterRow:
    return ChapterRow(
        shown(row["chapter"], _NAME_ROOM),
        with_holder(row["structure"], row["holder"]),
        row["taught"],
        row["games"],
        row["of"],
        measure(row, "in_a_hundred", hundred=True),
        row["of"] < THIN,
        (row["file"], row["game"]),
    )


_ROW: dict[str, Callable[[Row, Nodes], Any]] = {
    "groups": _met,
    "unanswered_structures": _met,
    "unanswered_moves": _move,
    "unplayed_lines": _line,
    "chapters": _chapter,
}


def followed_in_words(followed: int, games: int) -> str:
    """How many games go with a repertoire.

    >>> followed_in_words(8584, 145629)
    '8,584 of 145,629 games (5.9 in a hundred)'
    """
    share = of_hundred(100 * followed / games) if games else "0"
    return f"{followed:,} of {games:,} games ({share} in a hundred)"
