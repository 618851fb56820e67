"""What single lines owe: answers, a structure to play for, and one voice."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator

from pawnlore.structures.debt import (
    CONTRADICTION,
    DOUBTFUL,
    NO_ANSWER,
    NO_STRUCTURE,
    STOPS_SHORT,
    Debt,
    counted,
    debt_at,
)
from pawnlore.structures.groups import Groups
from pawnlore.structures.line_text import Naming, family_name, numbered
from pawnlore.structures.lines_below import lines_below
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_side import RepertoireSide
from pawnlore.structures.structure_paths import StructurePaths
from pawnlore.structures.transpositions import contradictions, stopped_short
from pawnlore.structures.verdict import Verdicts

_BAD = frozenset((2, 4, 6))
"""Glyphs of a move that is shown so that it is not played (`?`, `??`, `?!`)."""

_ASSESSED = frozenset(range(10, 22))
"""Glyphs that judge the position, which is an answer of a kind (from memory)."""

_NAMED = 4
"""Places that are named in a sentence at most."""

_LIKELY = 0.2
"""A runner-up is worth telling from here on."""


def contradiction_debts(book: Repertoire, side: RepertoireSide) -> Iterator[Debt]:
    """The positions in which different lines give the author's side different moves.

    Moves that are marked as bad are shown, not recommended.
    """
    below: list[int] | None = None
    for found in contradictions(book, side):
        answers = [node for node in found.answers if _BAD.isdisjoint(book.glyphs.get(node, ()))]
        if not found.apart or len({book.parent[node] for node in answers}) < 2:
            continue
        if below is None:
            below = lines_below(book)
        told = [
            f"{numbered(book, node)} in “{book.game_of(node).chapter}” "
            f"({counted(below[node], 'line')})"
            for node in answers[:_NAMED]
        ]
        more = len(answers) - len(told)
        what = f"The answer is {_listed(told, more)}."
        closes = (
            "Choose one answer and change the other line, or mark the one that is given up with ?!."
        )
        yield debt_at(
            book,
            CONTRADICTION,
            found.node,
            sum(below[node] for node in answers),
            what,
            closes,
            also=tuple(answers),
        )


def stop_debts(book: Repertoire, side: RepertoireSide) -> Iterator[Debt]:
    """The lines that end with the author to move where another line has the answer."""
    for stop in stopped_short(book, side):
        if not stop.author_to_move:
            continue
        answer = next(iter(book.children(stop.goes_on)))
        chapter = book.game_of(stop.goes_on).chapter
        where = "the same chapter" if chapter == book.game_of(stop.leaf).chapter else f"“{chapter}”"
        what = (
            f"The line ends with us to move; {where} goes on from this position with "
            f"{numbered(book, answer)}."
        )
        closes = f"Add {numbered(book, answer)}, or a remark that names where the line goes on."
        yield debt_at(book, STOPS_SHORT, stop.leaf, 1, what, closes, also=(stop.goes_on,))


def answer_debts(
    book: Repertoire, side: RepertoireSide, pointers: dict[int, int]
) -> Iterator[Debt]:
    """The lines that end with the author to move, with no answer anywhere.

    None where most lines end that way, since that is then how the author
    writes; nor after a mate or where a glyph judges the position.
    """
    firsts = [game.first for game in book.games]
    turns = {"white": 0, "black": 1}
    ends, known = [], 0
    for leaf in book.leaves.tolist():
        turn = turns.get(side.of_game(bisect_right(firsts, leaf) - 1))
        if turn is None or book.parent[leaf] < 0:
            continue
        known += 1
        if book.ply[leaf] % 2 == turn:
            ends.append(leaf)
    if 2 * len(ends) > known:
        return
    for leaf in ends:
        if leaf in pointers or book.moves[leaf].endswith("#"):
            continue
        glyphs = book.glyphs.get(leaf, ())
        if not _ASSESSED.isdisjoint(glyphs):
            continue
        move = numbered(book, leaf)
        what = f"The line ends with {move}, and nothing says what we play."
        closes = f"Add our answer to {move}, or a sign that judges the position."
        yield debt_at(book, NO_ANSWER, leaf, 1, what, closes)


def unsettled_debts(
    book: Repertoire,
    verdicts: Verdicts,
    paths: StructurePaths,
    found: Groups,
    pointers: dict[int, int],
    name_of: Naming = family_name,
) -> Iterator[Debt]:
    """The lines that end before any structure settles; move orders go on elsewhere."""
    for place, group in enumerate(found.groups):
        if group.settled:
            continue
        for leaf in group.lines:
            if leaf in pointers or book.parent[leaf] < 0:
                continue
            yield _unsettled(book, verdicts, paths, leaf, place, name_of)


def _unsettled(
    book: Repertoire,
    verdicts: Verdicts,
    paths: StructurePaths,
    leaf: int,
    place: int,
    name_of: Naming,
) -> Debt:
    path = paths.path(paths.index(leaf))
    passed = [name_of(structure) for structure in path.passed]
    what = f"The line ends after {numbered(book, leaf)} and no structure has settled"
    if passed:
        what += f"; it only passes {_listed(passed[:_NAMED], len(passed) - _NAMED)}"
    near = verdicts[leaf]
    if near.second_probability >= _LIKELY and near.second != near.structure:
        what += f"; nearest at its end is {name_of(near.second)}"
    closes = (
        "Go on until the pawns have settled, or say in a remark what we play for without a "
        "known structure."
    )
    return debt_at(book, NO_STRUCTURE, leaf, 1, what + ".", closes, group=place)


def doubt_debts(
    book: Repertoire,
    verdicts: Verdicts,
    paths: StructurePaths,
    found: Groups,
    pointers: dict[int, int],
    sure: float,
    name_of: Naming = family_name,
) -> Iterator[Debt]:
    """The lines whose middlegame type rests on doubtful verdicts alone.

    A line is beyond doubt where its structure has at least the probability
    ``sure`` at any of its nodes.
    """
    parent = book.parent
    sure_of = [0] * len(book)
    codes = paths.carried.tolist()
    for node, (code, good) in enumerate(
        zip(codes, (verdicts.probability >= sure).tolist(), strict=True)
    ):
        above = parent[node]
        known = sure_of[above] if above >= 0 else 0
        sure_of[node] = known | 1 << code if good and code >= 0 else known
    lines: dict[tuple[int, int], list[int]] = defaultdict(list)
    settles, own = paths.settles_at.tolist(), paths.middlegame.tolist()
    for line, leaf in enumerate(paths.leaves.tolist()):
        code = own[line]
        if code >= 0 and leaf not in pointers and not sure_of[leaf] >> code & 1:
            lines[settles[line], found.of_line[line]].append(leaf)
    for (node, place), leaves in lines.items():
        verdict = verdicts[node]
        name = name_of(found.groups[place].structure)
        second = name_of(verdict.second)
        what = (
            f"“{name}”: {counted(len(leaves), 'line')} {'counts' if len(leaves) == 1 else 'count'} "
            f"as this on a doubtful verdict, {verdict.probability:.0%} after "
            f"{numbered(book, node)}; the runner-up is “{second}” with "
            f"{verdict.second_probability:.0%}."
        )
        closes = "Look at the pawns and decide what you call them, then label the position so."
        yield debt_at(
            book, DOUBTFUL, node, len(leaves), what, closes, also=tuple(leaves), group=place
        )


def _listed(parts: list[str], more: int) -> str:
    if more > 0:
        return f"{', '.join(parts)} and {more:,} more"
    return " and ".join((", ".join(parts[:-1]), parts[-1])) if len(parts) > 1 else parts[0]
