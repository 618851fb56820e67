"""The nodes of a repertoire with one structure, as rows: those of the table of nodes and more.

To the columns of `pawnlore.service.exports.node_table` come ``finer_form``, the
author's own family that stands beside the core there, and ``finer_holder``;
``chapter``; and ``moves``, the line that leads to the node.
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
from pawnlore.structures.structure_paths import NO_STRUCTURE, finer_codes
from pawnlore.structures.verdict import HOLDERS, NONE

COLUMNS = (*node_table.COLUMNS, "finer_form", "finer_holder", "chapter", "moves")


def chosen_nodes(work: Workbook, structure: str = "", holder: str = "") -> npt.NDArray[np.intp]:
    """The nodes with a structure, a holder or both, in reading order; all where none is named.

    A finer form that stands at a node is asked for as a structure is, with its own holder.
    A structure or holder that no node has is no error: there are none then.
    """
    found = work.distinct.verdicts
    named = np.ones(len(found), dtype=bool)
    beside = np.zeros(len(found), dtype=bool)
    if structure:
        rank = {UNSETTLED: NONE, **{name: place for place, name in enumerate(found.names)}}
        # Families are numbered from 0, and -1 stands for none of them.
        wanted_family = rank.get(structure, NONE - 1)
        named &= found.family == wanted_family
        beside = (finer_codes(found) != NO_STRUCTURE) & (found.second == wanted_family)
    if holder:
        wanted_holder = HOLDERS.index(holder) if holder in HOLDERS else -1
        named &= found.holder == wanted_holder
        beside &= found.second_holder == wanted_holder
    wanted = named | beside
    chosen: npt.NDArray[np.intp] = np.flatnonzero(wanted[work.distinct.inverse])
    return chosen


def node_rows(work: Workbook, nodes: npt.NDArray[np.intp]) -> Iterator[dict[str, Any]]:
    """A row for each of some nodes, with the keys of `COLUMNS`; none for what is missing."""
    book, found, inverse = work.book, work.distinct.verdicts, work.distinct.inverse
    for node in nodes.tolist():
        game = book.game_of(node)
        above = book.parent[node]
        verdict = found[int(inverse[node])]
        finer, finer_holder = verdict.finer or (None, None)
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
            "finer_form": finer,
            "finer_holder": finer_holder,
            "chapter": game.chapter,
            "moves": line_text(book, node),
        }
