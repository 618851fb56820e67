"""How many lines pass each node of a repertoire."""

from __future__ import annotations

from pawnlore.structures.repertoire import Repertoire


def lines_below(book: Repertoire) -> list[int]:
    """The number of lines that pass each node, by node.

    >>> import io
    >>> from pawnlore.structures.pgn_reader import read_repertoire
    >>> lines_below(read_repertoire([io.StringIO("1. d4 d5 (1... Nf6) (1... f5) 2. c4 *")]))
    [3, 3, 1, 1, 1, 1]
    """
    count = [0] * len(book)
    for leaf in book.leaves.tolist():
        count[leaf] = 1
    # A node stands behind its parent, so the last one is finished first.
    for node in range(len(count) - 1, -1, -1):
        above = book.parent[node]
        if above >= 0:
            count[above] += count[node]
    return count
