"""Where on a group's lines its plan notes begin to apply."""

from __future__ import annotations

from collections.abc import Iterable

import chess

from pawnlore.structures.groups import Group
from pawnlore.structures.plan_note import PlanNote, applies, by_specificity
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.structure_paths import StructurePaths


def notes_of_group(notes: Iterable[PlanNote], group: Group) -> list[PlanNote]:
    """The notes on a group's structure and holder, the most specific first."""
    return by_specificity(
        note
        for note in notes
        if note.structure == group.structure
        and (note.holder in ("any", group.holder) or group.holder == "both")
    )


def note_places(
    book: Repertoire, paths: StructurePaths, group: Group, notes: Iterable[PlanNote]
) -> dict[int, list[PlanNote]]:
    """The nodes of a group's lines where notes first apply, by node.

    A note is placed once on each line: where the structure settles, or at the
    first node after that, with the structure still there, at which the note's
    conditions hold. Conditions on the position need the repertoire's FENs;
    without them such notes are not placed.
    """
    wanted = notes_of_group(notes, group)
    if not wanted or not group.settled:
        return {}
    code = paths.code(group.structure, group.holder)
    carried, parent = paths.carried, book.parent
    starts: set[int] = set()
    nodes: set[int] = set()
    for leaf in group.lines:
        line = paths.index(leaf)
        if paths.middlegame[line] != code:
            continue  # a move order: its structure settles in the line that it leads into
        node, start = leaf, int(paths.settles_at[line])
        starts.add(start)
        while node != start:
            nodes.add(node)
            node = parent[node]
        nodes.add(start)
    told: dict[int, frozenset[int]] = {}
    places: dict[int, list[PlanNote]] = {}
    nothing: frozenset[int] = frozenset()
    for node in sorted(nodes):
        before = told.get(parent[node], nothing)
        told[node] = before
        if carried[node] != code or len(before) == len(wanted):
            continue
        board = None if book.fens is None else chess.Board(book.fens[node])
        chapter = book.game_of(node).chapter
        here = [
            index
            for index, note in enumerate(wanted)
            if index not in before
            and applies(note, group.structure, group.holder, board, chapter) is not None
        ]
        if here:
            places[node] = [wanted[index] for index in here]
            told[node] = before.union(here)
    return places
