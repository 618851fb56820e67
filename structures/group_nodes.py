"""Which nodes belong to which groups."""

from __future__ import annotations

from collections import defaultdict

from pawnlore.structures.groups import Groups
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.structure_paths import StructurePaths


def groups_through(book: Repertoire, found: Groups) -> list[int]:
    """For every node the groups that have a line through it, as a mask of their places."""
    through = [0] * len(book)
    for place, group in enumerate(found.groups):
        for leaf in group.lines:
            through[leaf] |= 1 << place
    parent = book.parent
    for node in range(len(through) - 1, -1, -1):
        above = parent[node]
        if above >= 0:
            through[above] |= through[node]
    return through


def group_nodes(book: Repertoire, paths: StructurePaths, found: Groups) -> list[list[int]]:
    """For every group the nodes of its lines where its structure stands, in reading order."""
    by_code: dict[int, list[int]] = defaultdict(list)
    for place, group in enumerate(found.groups):
        if group.settled:
            by_code[paths.code(group.structure, group.holder)].append(place)
    nodes: list[list[int]] = [[] for _ in found.groups]
    for node, (code, mask) in enumerate(
        zip(paths.carried.tolist(), groups_through(book, found), strict=True)
    ):
        for place in by_code.get(code, ()):
            if mask >> place & 1:
                nodes[place].append(node)
    return nodes
