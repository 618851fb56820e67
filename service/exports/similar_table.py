"""The nearest skeletons as tables: a page for reading, CSV and JSON Lines.

CSV and JSON Lines hold a row for every place where lines enter one of them:
``rank`` counts the skeletons from 1, the nearest first; ``game`` counts from 1
in its file and ``node`` from 0 in its game.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

from pawnlore.service.exports.break_table import count_of, structure_text, wrapped
from pawnlore.service.exports.line_text import Naming, family_name, line_text
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.similar import Neighbour
from pawnlore.structures.skeleton import Skeleton, placement, squares_in_words
from pawnlore.structures.verdict import Verdict, Verdicts

COLUMNS = (
    "rank",
    "distance",
    "mirrored",
    "pawns",
    "differences",
    "structure",
    "holder",
    "probability",
    "lines",
    "file",
    "game",
    "node",
    "chapter",
    "ply",
    "lines_here",
    "moves",
)
"""``pawns`` is the placement field of a FEN; ``differences`` are separated by ``; ``."""

_MOST_PLACES = 3


class Answer(NamedTuple):
    """What was asked and found; ``verdicts`` has the position's first, then a row each."""

    asked: Skeleton
    neighbours: Sequence[Neighbour]
    verdicts: Verdicts
    book: Repertoire
    lines_at: dict[int, int]
    """How many lines pass each entry."""
    skeletons: int
    name_of: Naming = family_name
    """What the page for reading calls structures."""


def csv_rows(answer: Answer) -> Iterator[str]:
    """The table as CSV (RFC 4180, with line feeds)."""
    yield ",".join(COLUMNS) + "\n"
    for row in _rows(answer):
        row["probability"] = f"{row['probability']:.4f}"
        row["mirrored"] = "yes" if row["mirrored"] else "no"
        row["differences"] = "; ".join(row["differences"])
        line = io.StringIO()
        csv.writer(line, lineterminator="\n").writerow([row[name] for name in COLUMNS])
        yield line.getvalue()


def json_lines(answer: Answer) -> Iterator[str]:
    """The table as JSON Lines: an object a row."""
    for row in _rows(answer):
        yield json.dumps(row, ensure_ascii=False) + "\n"


def _rows(answer: Answer) -> Iterator[dict[str, Any]]:
    book = answer.book
    for rank, near in enumerate(answer.neighbours, 1):
        verdict = answer.verdicts[rank]
        for node in near.entries:
            game = book.game_of(node)
            yield {
                "rank": rank,
                "distance": round(near.distance, 3),
                "mirrored": near.mirrored,
                "pawns": placement(near.skeleton),
                "differences": list(near.differences),
                "structure": verdict.structure,
                "holder": verdict.holder,
                "probability": round(verdict.probability, 4),
                "lines": near.lines,
                "file": game.file,
                "game": game.number,
                "node": node - game.first,
                "chapter": game.chapter,
                "ply": book.ply[node],
                "lines_here": answer.lines_at[node],
                "moves": line_text(book, node),
            }


def digest(answer: Answer) -> Iterator[str]:
    """The page for reading: the position, then each neighbour with the lines that lead there."""
    asked = answer.verdicts[0]
    told = structure_text(asked, answer.name_of)
    yield f"{told[:1].upper()}{told[1:]}.\n"
    white = squares_in_words(answer.asked.white) or "no pawns"
    black = squares_in_words(answer.asked.black) or "no pawns"
    yield f"White: {white}. Black: {black}.\n"
    yield from _summary(answer)
    for rank, near in enumerate(answer.neighbours, 1):
        yield from _neighbour(answer, rank, near, asked)


def _summary(answer: Answer) -> Iterator[str]:
    exact = [near for near in answer.neighbours if not near.distance]
    lines = sum(near.lines for near in exact)
    chapters = {answer.book.game_of(node).chapter for near in exact for node in near.entries}
    of = f"{answer.skeletons:,} different pawn positions"
    if exact:
        verb = "has" if lines == 1 else "have"
        yield (
            f"{count_of(lines, 'line')} in {count_of(len(chapters), 'chapter')} {verb} these pawns"
            f" exactly. Searched: {of}.\n"
        )
    else:
        yield f"No line has these pawns exactly. Searched: {of}.\n"


def _neighbour(answer: Answer, rank: int, near: Neighbour, asked: Verdict) -> Iterator[str]:
    book, verdict = answer.book, answer.verdicts[rank]
    reversed_ = ", colours reversed" if near.mirrored else ""
    head = "the same pawns" if not near.distance else "; ".join(near.differences)
    yield "\n"
    yield from wrapped(f"{rank}. {head}{reversed_} (distance {near.distance:.2f})", 0)
    short = None if near.mirrored else asked
    told = structure_text(verdict, answer.name_of, short=short)
    yield from wrapped(f"{told}; {_lines(near.lines)}", 3)
    places = sorted(near.entries, key=lambda node: (-answer.lines_at[node], node))
    for node in places[:_MOST_PLACES]:
        chapter = book.game_of(node).chapter
        yield from wrapped(f"{chapter} ({_lines(answer.lines_at[node])})", 3)
        yield from wrapped(line_text(book, node) or "from the start", 5)
    if len(places) > _MOST_PLACES:
        more = len(places) - _MOST_PLACES
        yield from wrapped(f"and by {count_of(more, 'other way')}", 3)


def _lines(number: int) -> str:
    return count_of(number, "line")
