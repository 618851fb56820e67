"""Load as tables: a page for an author, a comparison, CSV and JSON Lines.

A row is a part of the repertoire: the whole, a chapter, a group, or a branch,
which is one of several moves in a position with all that follows it. ``game``
counts from 1 in its file, ``node`` from 0 in its game.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

from pawnlore.service.exports.group_table import whose
from pawnlore.service.exports.line_text import line_text, numbered
from pawnlore.service.exports.table_text import (
    aligned,
    author_side,
    chapter,
    csv_row,
    marked,
    place,
    short,
    structure_words,
    to_move,
    verb,
    wrapped,
)
from pawnlore.service.workbook import Workbook
from pawnlore.structures.debt import counted
from pawnlore.structures.load import BranchLoad, Comparison, Load, LoadCounter
from pawnlore.structures.teaching_order import teaching_order
from pawnlore.structures.transpositions import pointers

WHOLE, CHAPTER, GROUP, BRANCH = "whole", "chapter", "group", "branch"
PARTS = (WHOLE, CHAPTER, GROUP, BRANCH)
"""Parts of a repertoire."""

COLUMNS = (
    "part",
    "file",
    "game",
    "node",
    "chapter",
    "structure",
    "holder",
    "stance",
    "after",
    "move",
    "whose",
    "cheapest",
    "lines",
    "to_remember",
    "new_to_remember",
    "transposed",
    "deepest",
    "mean_depth",
    "structure_count",
    "new_structure_count",
    "structures",
    "new_structures",
)
"""``to_remember`` counts moves of the author's; what is new is new next to the chapters
above, the groups taught before, or the repertoire without the position's branches.

``structure``, ``holder`` and ``stance`` name a group; ``after``, ``move`` and ``whose``
(``ours`` or ``theirs``) a branch, and ``cheapest`` tells whether it is cheaper to
teach than the other moves there. ``structures`` are separated by ``; ``, each as its
id and its holder.
"""

_NAME = 46
"""Characters of a name in a column."""
_CHOICES = 12
"""Places with a choice that the digest shows."""
_SIDE_BY_SIDE = 5
"""Alternatives that stand in columns; more of them stand in rows."""
_NAMED = 8


def csv_rows(work: Workbook, only: Comparison | None = None) -> Iterator[str]:
    """The parts as CSV, or the branches of one comparison alone."""
    yield csv_row(COLUMNS)
    for row in _rows(work, only):
        for name in ("structures", "new_structures"):
            row[name] = "; ".join(f"{one['structure']} {one['holder']}" for one in row[name])
        yield csv_row(row[name] for name in COLUMNS)


def json_lines(work: Workbook, only: Comparison | None = None) -> Iterator[str]:
    """The parts as JSON Lines; structures are lists of objects."""
    for row in _rows(work, only):
        yield json.dumps(row, ensure_ascii=False) + "\n"


def digest(work: Workbook) -> Iterator[str]:
    """What an author wants to see first: how much it all is, and what costs most."""
    counter = counter_of(work)
    yield from _summary(work, counter)
    yield from _chapters(work, counter)
    comparisons = list(counter.branchings())
    yield from _choices(work, comparisons)
    yield from _first_branching(work, comparisons)
    yield from _groups(work, counter)


def comparison(work: Workbook, found: Comparison) -> Iterator[str]:
    """Alternatives in one position side by side, and which is cheapest to teach."""
    book, node = work.book, found.node
    mover = _mover(work, node)
    whose_move = {"ours": ", our move", "theirs": ", the opponent's move"}.get(mover, "")
    after = _after(work, node)
    yield from wrapped(f"{after[:1].upper()}{after[1:]}{whose_move}:")
    yield "\n"
    yield from _side_by_side(work, found.branches)
    yield "\n"
    leaning = _leaning(work, found)
    for number, branch in enumerate(found.branches):
        new = _structures(work, branch.load.new_structures)
        yield from wrapped(
            f"{marked(book, branch.node)}: " + (f"new: {new}" if new else "no new structure")
        )
        chapters = dict.fromkeys(chapter(book, one) for one in branch.nodes)
        yield from wrapped(f"in {'; '.join(chapters)}", 4)
        known = branch.load.moves - branch.load.new_moves
        if known:
            yield from wrapped(
                f"{known:,} of its {counted(branch.load.moves, 'move')} {verb(known, 'stand')} in "
                "the rest of the repertoire anyway",
                4,
            )
        for other, count in leaning.get(number, {}).items():
            # Such a branch is not as cheap as it looks.
            move = marked(book, found.branches[other].node)
            yield from wrapped(
                f"{counted(count, 'line')} of it {verb(count, 'stop')} where {move} goes on, so it "
                "needs that one too",
                4,
            )
    yield "\n"
    yield from wrapped(_advice(work, found, mover))


def counter_of(work: Workbook) -> LoadCounter:
    """What counts the loads of a workbook."""
    return LoadCounter(work.book, work.paths, work.side)


def moves_from(work: Workbook, node: int) -> str:
    """What is played in the position of a node where there is no choice, in words."""
    book = work.book
    places = [
        other
        for other, number in enumerate(book.positions or ())
        if book.positions is not None and number == book.positions[node]
    ]
    moves = {numbered(book, child) for other in places for child in book.children(other)}
    return f"only {', '.join(sorted(moves))} is played" if moves else "all lines end there"


def _summary(work: Workbook, counter: LoadCounter) -> Iterator[str]:
    whole = counter.whole()
    unknown = sum(work.side.of_game(game) == "mixed" for game in range(len(work.book.games)))
    if unknown:
        yield from wrapped(
            f"Nobody knows whose side {counted(unknown, 'chapter')} {verb(unknown, 'take')}, so "
            "no moves to remember are counted there; --side says it."
        )
    yield from wrapped(
        f"{counted(whole.moves, 'move')} of ours to remember in {counted(whole.lines, 'line')}, "
        f"{counted(len(whole.structures), 'structure')} to know."
    )
    if not whole.moves:
        return
    yield from wrapped(
        f"The mean one comes at move {whole.mean_depth:.0f}, the last at move {whole.deepest}; "
        f"{counted(whole.transposed, 'position')} ({whole.shared:.0%}) "
        f"{verb(whole.transposed, 'are')} reached by more than one order of moves and counted once."
    )
    loads = counter.chapters()
    if len(loads) < 2:
        return
    most = max(loads, key=lambda one: one.load.new_moves)
    yield from wrapped(
        f"The heaviest chapter is “{chapter(work.book, work.book.games[most.game].first)}” with "
        f"{counted(most.load.new_moves, 'new move')}, {most.load.new_moves / whole.moves:.0%} "
        "of all."
    )
    known = [
        chapter(work.book, work.book.games[one.game].first)
        for one in loads
        if one.load.new_moves and not one.load.new_structures
    ]
    if known:
        yield from wrapped(
            f"New moves but no new structure in {_listed(known)}: the plans are known by then."
        )


def _chapters(work: Workbook, counter: LoadCounter) -> Iterator[str]:
    rows = [_HEAD]
    for one in counter.chapters():
        name = chapter(work.book, work.book.games[one.game].first)
        rows.append((short(name, _NAME), *_numbers(one.load)))
    if len(rows) > 1:
        yield (
            "\nChapters in their order: moves of ours to remember, and structures to know. New is "
            "what no\nchapter above has; shared is what several orders of moves lead to.\n"
        )
        yield from aligned(rows, right=range(1, len(_HEAD)), indent=2)


_HEAD: tuple[str, ...] = ("", "lines", "moves", "new", "shared", "deepest", "structures", "new")


def _numbers(load: Load) -> tuple[str, ...]:
    return (
        f"{load.lines:,}",
        f"{load.moves:,}",
        f"{load.new_moves:,}",
        f"{load.shared:.0%}",
        str(load.deepest) if load.moves else "-",
        str(len(load.structures)),
        str(len(load.new_structures)),
    )


def _groups(work: Workbook, counter: LoadCounter) -> Iterator[str]:
    found = work.groups
    rows, single = [_HEAD], list[int]()
    for one in counter.groups(found, _order(work)):
        group = found.groups[one.group]
        name = work.name_of(group.structure) + (f", {whose(group)}" if group.settled else "")
        rows.append((short(name, _NAME), *_numbers(one.load)))
        if group.settled and len(group.lines) == 1:
            single.append(one.load.new_moves)
    if len(rows) > 1:
        yield "\nMiddlegame types in an order to teach them; new is what no type above has\n"
        if single:
            yield from wrapped(
                f"{counted(len(single), 'type')} with one line only {verb(len(single), 'cost')} "
                f"{counted(sum(single), 'new move')}."
            )
        yield from aligned(rows, right=range(1, len(_HEAD)), indent=2)


def _choices(work: Workbook, comparisons: Sequence[Comparison]) -> Iterator[str]:
    """The positions in which the author's side has a choice."""
    ours = [one for one in comparisons if _mover(work, one.node) == "ours"]
    # What most lines pass through is worth a choice most.
    ours.sort(key=lambda one: -sum(branch.load.lines for branch in one.branches))
    if ours:
        yield "\nWhere we have a choice: what each move costs\n"
    for one in ours[:_CHOICES]:
        yield from wrapped(_after(work, one.node), 2)
        yield from aligned(_branch_rows(work, one), right=range(1, 5), indent=4)
    more = len(ours) - _CHOICES
    if more > 0:
        yield from wrapped(f"and {counted(more, 'more place')}; --format csv has all of them", 2)
    if ours:
        yield from wrapped(
            f"> side by side: --show load --compare '{line_text(work.book, ours[0].node)}'", 4
        )


def _first_branching(work: Workbook, comparisons: Sequence[Comparison]) -> Iterator[str]:
    """What the opponent's first alternatives cost."""
    theirs = [one for one in comparisons if _mover(work, one.node) == "theirs"]
    if not theirs:
        return
    # The fewest half-moves first; of several starting positions, the one with most lines.
    first = min(
        theirs,
        key=lambda one: (
            work.book.ply[one.node],
            -sum(branch.load.lines for branch in one.branches),
        ),
    )
    yield "\n"
    yield from wrapped(f"What each move of the opponent's costs, {_after(work, first.node)}")
    yield from aligned(_branch_rows(work, first), right=range(1, 5), indent=2)


def _branch_rows(work: Workbook, found: Comparison) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = [("", "lines", "moves", "new", "new structures", "")]
    ours = _mover(work, found.node) == "ours"
    for number, branch in enumerate(found.branches):
        rows.append(
            (
                marked(work.book, branch.node),
                f"{branch.load.lines:,}",
                f"{branch.load.moves:,}",
                f"{branch.load.new_moves:,}",
                str(len(branch.load.new_structures)),
                "the cheapest" if number == found.cheapest and ours else "",
            )
        )
    return rows


def _side_by_side(work: Workbook, branches: Sequence[BranchLoad]) -> Iterator[str]:
    loads = [branch.load for branch in branches]
    rows: list[tuple[str, ...]] = [
        ("", *(marked(work.book, branch.node) for branch in branches)),
        ("lines", *(f"{load.lines:,}" for load in loads)),
        ("moves to remember", *(f"{load.moves:,}" for load in loads)),
        ("new moves", *(f"{load.new_moves:,}" for load in loads)),
        ("reached by transposition", *(f"{load.shared:.0%}" for load in loads)),
        ("deepest move", *(str(load.deepest) if load.moves else "-" for load in loads)),
        ("mean move", *(f"{load.mean_depth:.1f}" if load.moves else "-" for load in loads)),
        ("structures", *(str(len(load.structures)) for load in loads)),
        ("new structures", *(str(len(load.new_structures)) for load in loads)),
    ]
    if len(branches) > _SIDE_BY_SIDE:
        heads = ("", "lines", "moves", "new", "shared", "deepest", "mean", "structures", "new")
        headed = [(head, *row[1:]) for head, row in zip(heads, rows, strict=True)]
        rows = list(zip(*headed, strict=True))
    yield from aligned(rows, right=range(1, len(rows[0])), indent=2)


def _leaning(work: Workbook, found: Comparison) -> dict[int, dict[int, int]]:
    """How many lines of each branch stop where another branch goes on."""
    start_of = {node: number for number, one in enumerate(found.branches) for node in one.nodes}
    leaning: dict[int, dict[int, int]] = {}
    for leaf, target in pointers(work.book).items():
        own = _branch_at(work, leaf, start_of)
        other = _branch_at(work, target, start_of)
        if own is not None and other is not None and own != other:
            counts = leaning.setdefault(own, {})
            counts[other] = counts.get(other, 0) + 1
    return leaning


def _branch_at(work: Workbook, node: int, start_of: dict[int, int]) -> int | None:
    while node >= 0:
        if node in start_of:
            return start_of[node]
        node = work.book.parent[node]
    return None


def _advice(work: Workbook, found: Comparison, mover: str) -> str:
    if not mover:
        return "Nobody knows whose side it is, so no moves to remember are counted; --side says it."
    if found.cheapest is None:
        return "Nothing tells them apart: both new moves and new structures are as many."
    best = found.branches[found.cheapest]
    name, cost = marked(work.book, best.node), _cost(best.load)
    others = [one for number, one in enumerate(found.branches) if number != found.cheapest]
    against = "; ".join(f"{marked(work.book, one.node)}: {_cost(one.load)}" for one in others[:4])
    if mover == "theirs":
        return (
            f"The opponent chooses here, so all of them have to be taught. The least work is "
            f"{name}: {cost}."
        )
    return f"The cheapest to teach is {name}: {cost}, next to {against}."


def _cost(load: Load) -> str:
    structures = len(load.new_structures)
    return (
        f"{counted(load.new_moves, 'new move')}, "
        f"{counted(structures, 'new structure') if structures else 'no new structure'}"
    )


def _structures(work: Workbook, structures: Sequence[Any]) -> str:
    named = [structure_words(work, one) for one in structures]
    return _listed(named)


def _listed(parts: Sequence[str]) -> str:
    more = f" and {len(parts) - _NAMED:,} more" if len(parts) > _NAMED else ""
    return "; ".join(parts[:_NAMED]) + more


def _after(work: Workbook, node: int) -> str:
    moves = line_text(work.book, node)
    if moves:
        return f"after {moves}"
    game = work.book.game_of(node)
    return f"at the start of “{chapter(work.book, node)}”" if game.fen else "at the start"


def _mover(work: Workbook, node: int) -> str:
    return to_move(work.book, node, author_side(work, node))


def _order(work: Workbook) -> list[int]:
    """The groups in an order of teaching, and those without a structure at the end."""
    order = [step.group for step in teaching_order(work.paths, work.groups)]
    return order + [place for place in range(len(work.groups)) if place not in set(order)]


def _rows(work: Workbook, only: Comparison | None) -> Iterator[dict[str, Any]]:
    if only is not None:
        yield from _comparison_rows(work, only)
        return
    book, counter = work.book, counter_of(work)
    yield _row(WHOLE, counter.whole())
    for one in counter.chapters():
        game = book.games[one.game]
        yield _row(CHAPTER, one.load, **place(book, game.first), chapter=game.chapter)
    for load in counter.groups(work.groups, _order(work)):
        group = work.groups.groups[load.group]
        yield _row(
            GROUP,
            load.load,
            structure=group.structure,
            holder=group.holder,
            stance=group.stance,
        )
    for found in counter.branchings():
        yield from _comparison_rows(work, found)


def _comparison_rows(work: Workbook, found: Comparison) -> Iterator[dict[str, Any]]:
    book = work.book
    for number, branch in enumerate(found.branches):
        yield _row(
            BRANCH,
            branch.load,
            **place(book, branch.node),
            chapter=book.game_of(branch.node).chapter,
            after=line_text(book, found.node),
            move=numbered(book, branch.node),
            whose=_mover(work, found.node) or None,
            cheapest=number == found.cheapest,
        )


def _row(part: str, load: Load, **more: Any) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(COLUMNS)
    row.update(more)
    row.update(
        part=part,
        lines=load.lines,
        to_remember=load.moves,
        new_to_remember=load.new_moves,
        transposed=load.transposed,
        deepest=load.deepest if load.moves else None,
        mean_depth=round(load.mean_depth, 2) if load.moves else None,
        structure_count=len(load.structures),
        new_structure_count=len(load.new_structures),
        structures=[{"structure": s.structure, "holder": s.holder} for s in load.structures],
        new_structures=[
            {"structure": s.structure, "holder": s.holder} for s in load.new_structures
        ],
    )
    return row
