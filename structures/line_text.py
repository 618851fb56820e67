"""Moves in words: one numbered move, a whole line, and a structure's name."""

from __future__ import annotations

from collections.abc import Sequence

from pawnlore.structures.catalogue import UNSETTLED, Catalogue, shipped_catalogue
from pawnlore.structures.repertoire import Repertoire


def numbered(book: Repertoire, node: int) -> str:
    """A node's move with its number: ``4.cxd5``, ``4...exd5``, or ``the start``."""
    above = book.parent[node]
    if above < 0:
        return "the start"
    half = book.ply[above]
    return numbered_moves((book.moves[node],), half)[0]


def numbered_moves(moves: Sequence[str], half: int = 0) -> list[str]:
    """Moves that follow one another, with their numbers where a book prints them.

    ``half`` counts the half-moves before the first one.

    >>> numbered_moves(("d4", "d5", "c4")), numbered_moves(("d5", "c4"), half=1)
    (['1.d4', 'd5', '2.c4'], ['1...d5', '2.c4'])
    """
    told = []
    for place, move in enumerate(moves, half):
        if place % 2 == 0:
            told.append(f"{place // 2 + 1}.{move}")
        else:
            told.append(move if told else f"{place // 2 + 1}...{move}")
    return told


def moves_text(book: Repertoire, nodes: Sequence[int]) -> str:
    """The moves of a line or of a part of one, in figures: ``1.d4 d5 2.c4``.

    >>> import io
    >>> from pawnlore.structures.pgn_reader import read_repertoire
    >>> book = read_repertoire([io.StringIO("1. d4 d5 2. c4 *")])
    >>> moves_text(book, book.line(3)), moves_text(book, [2, 3])
    ('1.d4 d5 2.c4', '1...d5 2.c4')
    """
    words: list[str] = []
    for node in nodes:
        above = book.parent[node]
        if above < 0:
            continue
        if not words or book.ply[above] % 2 == 0:
            words.append(numbered(book, node))
        else:
            words.append(book.moves[node])
    return " ".join(words)


def line_text(book: Repertoire, node: int) -> str:
    """The moves from the game's start to a node."""
    return moves_text(book, book.line(node))


def family_name(structure: str, catalogue: Catalogue | None = None) -> str:
    """A family's trade name; an id that is not in the catalogue stands for itself."""
    if structure == UNSETTLED:
        return "no structure settles"
    known = catalogue if catalogue is not None else shipped_catalogue()
    return _names(known).get(structure, structure)


def _names(catalogue: Catalogue) -> dict[str, str]:
    return {family.id: family.name for family in catalogue.families}
