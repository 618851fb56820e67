"""Moves in words: one numbered move, a whole line, and a structure's name."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

from pawnlore.structures.catalogue import UNSETTLED, shipped_catalogue
from pawnlore.structures.repertoire import Repertoire

Naming = Callable[[str], str]
"""What a structure is called, by its id."""

NO_NAMES: Mapping[str, str] = MappingProxyType({})
"""The names of the author's own families where there are none, or nobody knows them."""


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


def family_name(structure: str, own: Mapping[str, str] = NO_NAMES) -> str:
    """A family's trade name; ``own`` are the author's names for families of their own, by id.

    An id that neither the catalogue nor the author named stands for itself.

    >>> family_name("carlsbad"), family_name("own/clamp")
    ('Carlsbad structure', 'own/clamp')
    >>> family_name("own/clamp", {"own/clamp": "The clamp"})
    'The clamp'
    """
    if structure == UNSETTLED:
        return "no structure settles"
    try:
        return shipped_catalogue()[structure].name
    except KeyError:
        return own.get(structure) or structure


def naming(own: Mapping[str, str]) -> Naming:
    """What structures are called by an author who has these names for their own families."""
    return lambda structure: family_name(structure, own)
