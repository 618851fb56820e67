"""What the writers of tables have in common: rows, columns, wrapped text, places."""

from __future__ import annotations

import csv
import io
import re
import textwrap
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from pawnlore.service.exports.line_text import moves_text
from pawnlore.service.workbook import Workbook
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.structure_paths import Structure

WIDTH = 96
"""Columns of a wrapped line."""

_MARKS = {1: "!", 2: "?", 3: "!!", 4: "??", 5: "!?", 6: "?!"}
_OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f]")


def shown(pages: Iterable[str]) -> Iterator[str]:
    r"""Pages without the characters that a terminal obeys; tabs and line feeds stay.

    >>> list(shown(["red\x1b[31m\n"]))
    ['red�[31m\n']
    """
    for page in pages:
        yield _OBEYED.sub("\N{REPLACEMENT CHARACTER}", page)


def csv_row(values: Iterable[Any]) -> str:
    """A row of CSV; nothing is written for none, and ``yes`` or ``no`` for truth."""
    line = io.StringIO()
    csv.writer(line, lineterminator="\n").writerow([_cell(value) for value in values])
    return line.getvalue()


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value


def verb(number: int, several: str) -> str:
    """A verb for one thing or several: ``stop`` or ``stops``.

    >>> verb(1, "stop"), verb(2, "stop"), verb(1, "have"), verb(1, "are")
    ('stops', 'stop', 'has', 'is')
    """
    if number != 1:
        return several
    return {"have": "has", "are": "is"}.get(several, several + "s")


def wrapped(text: str, indent: int = 0, *, hanging: int = 2, first: str = "") -> Iterator[str]:
    """Text in lines of at most `WIDTH` columns; ``first`` stands at its head."""
    head = " " * indent
    for line in textwrap.wrap(
        text,
        WIDTH,
        initial_indent=head + first,
        subsequent_indent=head + " " * hanging,
        break_on_hyphens=False,
    ):
        yield line + "\n"


def aligned(
    rows: Sequence[Sequence[str]], *, right: Iterable[int] = (), indent: int = 0
) -> Iterator[str]:
    """Rows of equal length in columns, some of them to the right."""
    if not rows:
        return
    to_the_right = frozenset(right)
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        cells = [
            cell.rjust(width) if column in to_the_right else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        yield (" " * indent + "  ".join(cells)).rstrip() + "\n"


def place(book: Repertoire, node: int, prefix: str = "") -> dict[str, Any]:
    """Where a node stands: file, game (from 1), node (from 0 in its game)."""
    game = book.game_of(node)
    return {
        f"{prefix}file": game.file,
        f"{prefix}game": game.number,
        f"{prefix}node": node - game.first,
    }


def chapter(book: Repertoire, node: int) -> str:
    """A node's chapter on one line, or its file where it has no name."""
    game = book.game_of(node)
    return " ".join(game.chapter.split()) or game.file


def short(text: str, most: int) -> str:
    """Text for a column: what is longer than ``most`` characters is cut.

    >>> short("Exchange Variation", 9)
    'Exchange…'
    """
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def author_side(work: Workbook, node: int) -> str:
    """The author's side in the game of a node; ``mixed`` where nobody knows."""
    return work.side.of_game(bisect_right(work.book.games, node, key=lambda g: g.first) - 1)


def marked(book: Repertoire, node: int) -> str:
    """A node's move with its number and the mark that judges it: ``6.cxd5?!``."""
    text = moves_text(book, [node])
    marks = [_MARKS[glyph] for glyph in book.glyphs.get(node, ()) if glyph in _MARKS]
    return text + (marks[0] if marks else "")


def structure_words(work: Workbook, structure: Structure) -> str:
    """A structure's name and whose it is, seen from the author where the side is known."""
    name, side = work.name_of(structure.structure), work.side.side
    if structure.holder == "both":
        return f"{name} (both sides')"
    if side not in ("white", "black"):
        return f"{name} ({structure.holder.capitalize()}'s)"
    return f"{name} ({'ours' if structure.holder == side else 'theirs'})"


def to_move(book: Repertoire, node: int, side: str) -> str:
    """Who is to move at a node: ``ours``, ``theirs``, or nothing where nobody knows."""
    if side not in ("white", "black"):
        return ""
    return "ours" if side == ("black" if book.ply[node] % 2 else "white") else "theirs"


def apart(book: Repertoire, node: int, other: int) -> tuple[list[int], list[int], list[int]]:
    """Two lines to their nodes: the moves that they share, and those of each after that."""
    one, two = book.line(node), book.line(other)
    same = 0
    if book.game_of(node).fen == book.game_of(other).fen:
        same = 1
        while same < min(len(one), len(two)) and book.moves[one[same]] == book.moves[two[same]]:
            same += 1
    return one[1:same], one[max(same, 1) :], two[max(same, 1) :]
