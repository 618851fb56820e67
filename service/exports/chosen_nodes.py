"""The nodes of a repertoire with one structure, as rows: those of the table of nodes and more.

To the columns of `pawnlore.service.exports.node_table` come ``chapter`` and
``moves``, the line that leads to the node.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.service.exports import node_table
from pawnlore.service.workbook import Workbook
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.line_text import line_text
from pawnlore.structures.verdict import HOLDERS, NONE

COLUMNS = (*node_table.COLUMNS, "chapter", "moves")


def chosen_nodes(work: Workbook, structure: str = "", holder: str = "") -> npt.NDArray[np.intp]:
    """The nodes with a structure, a holder or both, in reading order; all where none is named.

    A structure or holder that no node has is no error: there are none then.
    """
    found = work.distinct.verdicts
    wanted = np.ones(len(found), dtype=bool)
    if structure:
        rank = {UNSETTLED: NONE, **{name: place for place, name in enumerate(found.names)}}
        # Families are numbered from 0, and -1 stands for none of them.
        wanted &= found.family == rank.get(structure, NONE - 1)
    if holder:
        wanted &= found.holder == (HOLDERS.index(holder) if holder in HOLDERS else -1)
    chosen: npt.NDArray[np.intp] = np.flatnonzero(wanted[work.distinct.inverse])
    return chosen


def node_rows(work: Workbook, nodes: npt.NDArray[np.intp]) -> Iterator[dict[str, Any]]:
    """A row for each of some nodes, with the keys of `COLUMNS`; none for what is missing."""
    book, found, inverse = work.book, work.distinct.verdicts, work.distinct.inverse
    for node in nodes.tolist():
        game = book.game_of(node)
        above = book.parent[node]
        verdict = found[int(inverse[node])]
        yield {
            "file": game.file,
            "game": game.number,
            "node": node - game.first,
            "parent": None if above < 0 else above - game.first,
            "ply": book.ply[node],
            "move": book.moves[node],
            "structure": verdict.structure,
            "holder": verdict.holder,
            "probability": round(verdict.probability, 4),
            "core": verdict.core,
            "chapter": game.chapter,
            "moves": line_text(book, node),
        }
