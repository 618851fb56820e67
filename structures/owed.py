"""What is owed: everything that a repertoire and its notes still lack.

The kinds and what each weighs stand in `pawnlore.structures.debt`. A move order
that joins another line is no gap, so it owes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

from pawnlore.structures.debt import SEVERITY, Debt
from pawnlore.structures.groups import Groups
from pawnlore.structures.line_text import Naming, family_name
from pawnlore.structures.owed_breaks import Breaks, break_debts
from pawnlore.structures.owed_lines import (
    answer_debts,
    contradiction_debts,
    doubt_debts,
    stop_debts,
    unsettled_debts,
)
from pawnlore.structures.owed_notes import note_debts
from pawnlore.structures.pawn_levers import lever_squares
from pawnlore.structures.plan_note import PlanNote
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_side import RepertoireSide
from pawnlore.structures.structure_paths import StructurePaths
from pawnlore.structures.transpositions import pointers
from pawnlore.structures.verdict import Verdicts

SURE = 0.7
"""A verdict of at least this probability is not in doubt."""


def owed(
    book: Repertoire,
    verdicts: Verdicts,
    paths: StructurePaths,
    groups: Groups,
    side: RepertoireSide,
    notes: Sequence[PlanNote] | None = None,
    *,
    breaks: Breaks = lever_squares,
    sure: float = SURE,
    name_of: Naming = family_name,
) -> list[Debt]:
    """All that is owed, the heaviest first; equal weights by kind, then in reading order.

    The repertoire must have been read with position keys; ``verdicts`` has one
    row a node. Without ``notes`` (none, not an empty list) nothing is said
    about plan notes. ``breaks`` finds the pawn breaks of a batch of skeletons;
    ``name_of`` is what the sentences call structures. The cost is linear in the nodes.
    """
    onward = pointers(book)
    debts = [
        *contradiction_debts(book, side),
        *stop_debts(book, side),
        *answer_debts(book, side, onward),
        *unsettled_debts(book, verdicts, paths, groups, onward, name_of),
        *doubt_debts(book, verdicts, paths, groups, onward, sure, name_of),
        *break_debts(book, paths, groups, side, breaks, name_of),
    ]
    if notes is not None:
        debts += note_debts(book, paths, groups, side, notes, name_of)
    kinds = {kind: place for place, kind in enumerate(SEVERITY)}
    debts.sort(key=lambda debt: (-debt.weight, kinds[debt.kind], debt.node, debt.what))
    return debts
