"""What the last upload of a repertoire changed, in pages."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from dataclasses import asdict, dataclass

from pawnlore.service.pages.changed_nodes import places
from pawnlore.service.pages.group_keys import HOLDERS, heading
from pawnlore.service.pages.paging import Paging, paging
from pawnlore.service.pages.shown_text import shown
from pawnlore.service.store.repertoire_shelf import Changes
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.line_text import numbered_moves
from pawnlore.structures.repertoire import Repertoire

KINDS = ("added", "gone", "moved")
"""What can become of a node."""

ROWS = 40
"""Changed nodes on one page."""

_CHAPTER_ROOM, _MOVES_ROOM = 200, 500


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """One changed node: its chapter, the moves that lead there, what it was and what it is."""

    what: str
    chapter: str
    moves: str
    before: str
    now: str
    node: int
    """Its place in the repertoire, -1 where it is gone."""


@dataclass(frozen=True, slots=True)
class ChangePage:
    """A page of changed nodes of one kind or of all.

    ``counts`` has the number of all nodes of each kind; of very many only the
    first ``kept`` are told one by one.
    """

    rows: tuple[ChangeRow, ...]
    paging: Paging
    counts: dict[str, int]
    kept: int

    @property
    def changed(self) -> int:
        """How many nodes changed."""
        return sum(self.counts.values())


def packed_changes(changes: Changes, book: Repertoire) -> list[str]:
    """Changes as lines of text that can be kept: the counts, then a line for each node.

    ``book`` is the repertoire as it is now, to which the nodes' places belong.
    """
    counts = {"added": changes.added, "gone": changes.gone, "moved": changes.moved}
    rows = zip(changes.rows, places(changes.rows, book), strict=True)
    return [json.dumps(counts), *(json.dumps({**asdict(row), "node": node}) for row, node in rows)]


def change_page(
    packed: Sequence[str], what: str = "", page: int = 1, *, placed: Collection[str] = ()
) -> ChangePage:
    """A page of packed changes; ``what`` is one of `KINDS`, or empty for all.

    ``placed`` are the chapters that start from a position of their own: their
    moves cannot be numbered.
    """
    rows = packed[1:]
    if what:
        head = f'{{"what": "{what}"'
        rows = [row for row in rows if row.startswith(head)]
    paged = paging(len(rows), page, ROWS)
    told = []
    for row in map(json.loads, rows[paged.start : paged.end]):
        moves = row["moves"]
        if row["chapter"] not in placed:
            moves = " ".join(numbered_moves(moves.split()))
        told.append(
            ChangeRow(
                row["what"],
                shown(row["chapter"], _CHAPTER_ROOM),
                shown(moves, _MOVES_ROOM),
                _structure(row["structure_before"], row["holder_before"]),
                _structure(row["structure"], row["holder"]),
                row["node"],
            )
        )
    return ChangePage(tuple(told), paged, json.loads(packed[0]), len(packed) - 1)


def _structure(structure: str, holder: str) -> str:
    if structure in ("", UNSETTLED):
        return "no structure" if structure else ""
    return f"{heading(structure)}, {HOLDERS.get(holder, '')}"
