"""One position on several lines, as tables: a page for an author, CSV and JSON Lines.

Each row sets two places of one position side by side: ``file``, ``game`` and
``node``, and the same with ``other_``. ``game`` counts from 1 in its file,
``node`` from 0 in its game.
"""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from pawnlore.service.exports.line_text import line_text, moves_text, numbered
from pawnlore.service.exports.table_text import (
    aligned,
    apart,
    author_side,
    chapter,
    csv_row,
    marked,
    place,
    short,
    to_move,
    verb,
    wrapped,
)
from pawnlore.service.exports.tag_comments import is_tag
from pawnlore.service.workbook import Workbook
from pawnlore.structures.debt import counted
from pawnlore.structures.lines_below import lines_below
from pawnlore.structures.pointer_remark import only_points_elsewhere
from pawnlore.structures.repertoire import Comment
from pawnlore.structures.transpositions import (
    Contradiction,
    DoubleComment,
    Join,
    NoPositions,
    Stop,
    contradictions,
    double_comments,
    joins,
    stopped_short,
)

JOINS, STOPS, ANSWERS, CHOICE, COMMENTS = (
    "joins",
    "stops-short",
    "two-answers",
    "alternatives",
    "two-comments",
)
KINDS = (JOINS, STOPS, ANSWERS, CHOICE, COMMENTS)
"""Kinds of rows: a line reaches another by other moves; it stops where another goes on;
different lines give different answers of ours; one place gives several answers of ours;
different comments explain one position."""

COLUMNS = (
    "kind",
    "file",
    "game",
    "node",
    "chapter",
    "move",
    "moves",
    "other_file",
    "other_game",
    "other_node",
    "other_chapter",
    "other_move",
    "other_moves",
    "to_move",
    "ends",
    "text",
    "other_text",
)
"""``to_move`` tells whose move it is in the position, ``ours`` or ``theirs``; ``ends``
whether the line stops there; ``text`` and ``other_text`` are two comments."""

_NAME = 42
"""Characters of a chapter's name in a column."""

_BAD = frozenset((2, 4, 6))
"""Glyphs of a move that is shown so that it is not played."""


@dataclass(frozen=True)
class _Found:
    joins: list[Join]
    stops: list[Stop]
    contradictions: list[Contradiction]
    comments: list[DoubleComment]
    explained: list[DoubleComment]
    """Those of ``comments`` of which more than one says something."""


def csv_rows(work: Workbook) -> Iterator[str]:
    """The rows as CSV."""
    yield csv_row(COLUMNS)
    for row in _rows(work):
        yield csv_row(row[name] for name in COLUMNS)


def json_lines(work: Workbook) -> Iterator[str]:
    """The rows as JSON Lines; keys as the CSV's columns, null where it has nothing."""
    for row in _rows(work):
        yield json.dumps(row, ensure_ascii=False) + "\n"


def digest(work: Workbook) -> Iterator[str]:
    """What an author wants to see first: what is wrong, then where lines and chapters meet."""
    found = _found(work)
    yield from _summary(work, found)
    yield from _answers(work, found)
    yield from _stops(work, found)
    yield from _explained_twice(work, found)
    yield from _chapters(work, found)
    yield from _joins(work, found)


def _found(work: Workbook) -> _Found:
    book = work.book
    return _Found(
        joins(book),
        stopped_short(book, work.side),
        contradictions(book, work.side),
        double_comments(book, is_tag),
        double_comments(book, _says_nothing),
    )


def _says_nothing(comment: Comment) -> bool:
    return is_tag(comment) or only_points_elsewhere(comment)


def _recommended(work: Workbook, found: Contradiction) -> list[int]:
    """The answers that are not marked as bad."""
    glyphs = work.book.glyphs
    return [node for node in found.answers if _BAD.isdisjoint(glyphs.get(node, ()))]


def _clash(work: Workbook, found: Contradiction) -> bool:
    parents = {work.book.parent[node] for node in _recommended(work, found)}
    return found.apart and len(parents) > 1


def _summary(work: Workbook, found: _Found) -> Iterator[str]:
    lines = len(work.paths)
    if not (found.joins or found.stops or found.contradictions or found.explained):
        yield f"{counted(lines, 'line')}: none meets another, and none contradicts another.\n"
        return
    ways = len(found.joins)
    yield (
        f"{counted(ways, 'time')} a line comes by other moves to a position that an earlier line "
        "has.\n"
    )
    ours = sum(stop.author_to_move for stop in found.stops)
    stops = len(found.stops)
    yield (
        f"{stops:,} of {counted(lines, 'line')} {verb(stops, 'stop')} where another line goes on, "
        f"{ours or 'none'} of them with us to move.\n"
    )
    clashes = sum(_clash(work, one) for one in found.contradictions)
    twice = len(found.explained)
    if clashes or twice:
        yield (
            f"{counted(clashes, 'position')} {verb(clashes, 'have')} two answers of ours; "
            f"{counted(twice, 'position')} {verb(twice, 'are')} explained twice.\n"
        )
    unknown = sum(work.side.of_game(game) == "mixed" for game in range(len(work.book.games)))
    if unknown:
        yield from wrapped(
            f"Nobody knows whose side {counted(unknown, 'chapter')} {verb(unknown, 'take')}, so "
            "answers of ours cannot be told there; --side says it."
        )


def _answers(work: Workbook, found: _Found) -> Iterator[str]:
    book = work.book
    clashes = [one for one in found.contradictions if _clash(work, one)]
    below: list[int] = []
    same: dict[tuple[int, int], list[int]] = {}
    if clashes:
        # One answer may stand on many lines.
        same = {_way(work, node): [] for one in clashes for node in one.answers}
        for node, above in enumerate(book.parent):
            if above >= 0 and _way(work, node) in same:
                same[_way(work, node)].append(node)
        below = lines_below(book)
        yield "\nTwo answers of ours in one position: choose one\n"
    for one in clashes:
        yield from wrapped(_after(line_text(book, one.node)), 2)
        rows = []
        for node in _recommended(work, one):
            nodes = same[_way(work, node)]
            chapters = {book.game_of(other).first for other in nodes}
            more = f" and {counted(len(chapters) - 1, 'other')}" if len(chapters) > 1 else ""
            lines = counted(sum(below[other] for other in nodes), "line")
            rows.append((marked(book, node), chapter(book, node) + more, f"({lines})"))
        yield from aligned(rows, indent=4)
    if clashes:
        path = line_text(book, clashes[0].node)
        yield from wrapped(f"> which is cheaper to teach: --show load --compare '{path}'", 4)
    choices = [
        one
        for one in found.contradictions
        if not _clash(work, one) and len(_recommended(work, one)) > 1
    ]
    if choices:
        yield "\nAlternatives of ours at one place, given side by side\n"
    for one in choices:
        moves = ", ".join(marked(book, node) for node in _recommended(work, one))
        yield from wrapped(f"{_after(line_text(book, one.node))}: {moves}", 2)


def _way(work: Workbook, node: int) -> tuple[int, int]:
    """The positions before and after a move."""
    positions = work.book.positions
    if positions is None:
        raise NoPositions("read the repertoire with position keys first")
    return positions[work.book.parent[node]], positions[node]


def _stops(work: Workbook, found: _Found) -> Iterator[str]:
    book = work.book
    short = [stop for stop in found.stops if stop.author_to_move]
    if short:
        yield "\nLines that stop with us to move, though another line has the answer\n"
    for stop in short:
        answer = book.children(stop.goes_on)[0]
        yield from wrapped(f"{chapter(book, stop.leaf)}: {line_text(book, stop.leaf)}", 2)
        yield from wrapped(f"> add {numbered(book, answer)}, from {_where(work, stop)}", 4)


def _where(work: Workbook, stop: Stop) -> str:
    there = chapter(work.book, stop.goes_on)
    if work.book.game_of(stop.goes_on) is work.book.game_of(stop.leaf):
        return "the same chapter"
    return f"“{there}”"


def _explained_twice(work: Workbook, found: _Found) -> Iterator[str]:
    book = work.book
    if found.explained:
        yield "\nOne position, two explanations: do they say the same?\n"
    for one in found.explained:
        yield from wrapped(_after(line_text(book, one.nodes[0])), 2)
        for node in one.nodes:
            yield from wrapped(f"{chapter(book, node)}: “{_text(work, node)}”", 4)
    silent = len(found.comments) - len(found.explained)
    if silent:
        yield from wrapped(
            f"{counted(silent, 'position')} more {verb(silent, 'have')} one explanation, and "
            "elsewhere a remark that says no more than 'another move order'.",
            2,
        )


def _chapters(work: Workbook, found: _Found) -> Iterator[str]:
    """Which chapters run into which others."""
    book = work.book
    first: dict[tuple[int, int], Join] = {}
    count: Counter[tuple[int, int]] = Counter()
    for join in found.joins:
        pair = book.game_of(join.node).first, book.game_of(join.earlier).first
        if pair[0] != pair[1]:
            count[pair] += 1
            first.setdefault(pair, join)
    if not count:
        return
    yield "\nChapters that run into another one: teach the later one as a short cut\n"
    rows: list[tuple[str, ...]] = [("chapter", "joins", "times", "first at")]
    for pair, times in sorted(count.items(), key=lambda item: (-item[1], item[0])):
        one = first[pair]
        names = (short(chapter(book, node), _NAME) for node in (one.node, one.earlier))
        rows.append((*names, str(times), numbered(book, one.node)))
    yield from aligned(rows, right=(2,), indent=2)


def _joins(work: Workbook, found: _Found) -> Iterator[str]:
    book = work.book
    if not found.joins:
        return
    yield "\nWhere lines meet, chapter by chapter\n"
    by_game: dict[int, list[Join]] = defaultdict(list)
    for join in found.joins:
        by_game[book.game_of(join.node).first].append(join)
    ends = _stops_below(work, found)
    for first, here in by_game.items():
        yield from wrapped(chapter(book, first), 2)
        for join in here:
            shared, ours, theirs = apart(book, join.node, join.earlier)
            there = ""
            if book.game_of(join.earlier).first != first:
                there = f"   in “{chapter(book, join.earlier)}”"
            yield from wrapped(_after(moves_text(book, shared)), 4)
            yield from wrapped(moves_text(book, ours), 6, hanging=12, first="here:    ")
            yield from wrapped(moves_text(book, theirs) + there, 6, hanging=12, first="earlier: ")
            yield from _ends(work, join, ends)


def _ends(work: Workbook, join: Join, ends: dict[int, list[Stop]]) -> Iterator[str]:
    """Which of the two ways stops where, and so which one goes on."""
    book = work.book
    here = ", ".join(numbered(book, stop.leaf) for stop in ends.get(join.node, ()))
    earlier = ", ".join(numbered(book, stop.leaf) for stop in ends.get(join.earlier, ()))
    if join.stops:
        yield from wrapped("this line stops there; the earlier one goes on", 6)
    elif here:
        yield from wrapped(f"this line stops after {here}; the earlier one goes on", 6)
    elif earlier:
        yield from wrapped(f"the earlier line stops after {earlier}; this one goes on", 6)


def _stops_below(work: Workbook, found: _Found) -> dict[int, list[Stop]]:
    """The lines that stop short, by the last place above their end where lines meet."""
    parent = work.book.parent
    meeting = {node for join in found.joins for node in (join.node, join.earlier)}
    below: dict[int, list[Stop]] = defaultdict(list)
    for stop in found.stops:
        node = stop.leaf
        while node >= 0 and node not in meeting:
            node = parent[node]
        if node >= 0:
            below[node].append(stop)
    return below


def _after(moves: str) -> str:
    return f"after {moves}" if moves else "from the start"


def _text(work: Workbook, node: int) -> str:
    """What an author says at a node, on one line."""
    return " ".join(
        " ".join(comment.text.split())
        for comment in work.book.comments.get(node, ())
        if not comment.before and not is_tag(comment)
    ).strip()


def _rows(work: Workbook) -> Iterator[dict[str, Any]]:
    found = _found(work)
    book = work.book
    ends = frozenset(book.leaves.tolist())
    for join in found.joins:
        yield _row(work, JOINS, join.node, join.earlier, ends=join.stops)
    for stop in found.stops:
        yield _row(work, STOPS, stop.leaf, stop.goes_on, ends=True)
    for clash in found.contradictions:
        kind = ANSWERS if clash.apart else CHOICE
        first, *others = clash.answers
        for node in others:
            yield _row(work, kind, node, first, ends=node in ends)
    for double in found.comments:
        first, *others = double.nodes
        for node in others:
            yield {
                **_row(work, COMMENTS, node, first, ends=node in ends),
                "text": _text(work, node),
                "other_text": _text(work, first),
            }


def _row(work: Workbook, kind: str, node: int, other: int, *, ends: bool) -> dict[str, Any]:
    book = work.book
    # Answers are compared in the position before them.
    here = book.parent[node] if kind in (ANSWERS, CHOICE) else node
    return {
        "kind": kind,
        **place(book, node),
        "chapter": book.game_of(node).chapter,
        "move": numbered(book, node),
        "moves": line_text(book, node),
        **place(book, other, "other_"),
        "other_chapter": book.game_of(other).chapter,
        "other_move": numbered(book, other),
        "other_moves": line_text(book, other),
        "to_move": to_move(book, here, author_side(work, node)),
        "ends": ends,
        "text": None,
        "other_text": None,
    }
