"""The pawns that stand for a group: those with which most of its lines settle."""

from __future__ import annotations

from collections import Counter

from pawnlore.structures.groups import Groups
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.skeleton import Skeleton
from pawnlore.structures.structure_paths import StructurePaths


def group_skeletons(
    book: Repertoire, paths: StructurePaths, found: Groups
) -> tuple[Skeleton | None, ...]:
    """For every group the skeleton with which most of its lines settle; the first at a tie.

    Lines that only lead into another one do not count. There is none where no
    line settles.
    """
    counts: list[Counter[tuple[int, int]]] = [Counter() for _ in found.groups]
    codes = [
        paths.code(group.structure, group.holder) if group.settled else None
        for group in found.groups
    ]
    pawns = book.pawns
    for place, code, node in zip(
        found.of_line, paths.middlegame.tolist(), paths.settles_at.tolist(), strict=True
    ):
        if code == codes[place] and node >= 0:
            counts[place][pawns[2 * node], pawns[2 * node + 1]] += 1
    return tuple(Skeleton(*count.most_common(1)[0][0]) if count else None for count in counts)
