"""Where in a repertoire the nodes of a list of changes stand now."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from pawnlore.service.store.repertoire_shelf import NodeChange
from pawnlore.structures.repertoire import Repertoire

NOWHERE = -1
"""The place of a node that is not there."""


def places(rows: Iterable[NodeChange], book: Repertoire) -> Iterator[int]:
    """Each changed node's place in a repertoire as it is now; -1 for one that is gone.

    A node is known by its chapter and the moves that lead there; where several
    games have both, the first one is meant.
    """
    rows = tuple(rows)
    chapters = {row.chapter for row in rows if row.what != "gone"}
    steps: dict[tuple[object, str], int] = {}
    for game in book.games:
        if game.chapter not in chapters:
            continue
        # Nodes that the same moves reach are one: the first of them.
        first = [0] * game.count
        for node in game.nodes:
            above = book.parent[node]
            step = (
                (game.chapter, "") if above < 0 else (first[above - game.first], book.moves[node])
            )
            first[node - game.first] = steps.setdefault(step, node)
    for row in rows:
        place: int | None = steps.get((row.chapter, "")) if row.what != "gone" else None
        for move in row.moves.split():
            if place is None:
                break
            place = steps.get((place, move))
        yield NOWHERE if place is None else place
