"""Where on a group's lines its plan notes begin to apply."""

from __future__ import annotations

from collections.abc import Iterable

import chess

from pawnlore.structures.groups import Group
from pawnlore.structures.plan_note import PlanNote, applies, by_specificity
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.structure_paths import Structure, StructurePaths


def structures_of_group(group: Group) -> tuple[Structure, ...]:
    """What a group's lines hold: the finer families of the author's first, then its structure."""
    finer = tuple(known for known, _ in group.finer)
    return (*finer, Structure(group.structure, group.holder))


def notes_of_group(notes: Iterable[PlanNote], group: Group) -> list[PlanNote]:
    """The notes on what a group's lines hold, the most specific first.

    Those on a finer family of the author's come before those on the structure.
    """
    wanted = structures_of_group(group)
    of_finer: list[PlanNote] = []
    plain: list[PlanNote] = []
    for note in notes:
        if any(is_on(note, held) for held in wanted):
            (plain if note.structure == group.structure else of_finer).append(note)
    return by_specificity(of_finer) + by_specificity(plain)


def is_on(note: PlanNote, held: Structure) -> bool:
    """Whether a note is on a structure, whose conditions aside."""
    fits = note.holder in ("any", held.holder) or held.holder == "both"
    return note.structure == held.structure and fits


def plan_in_group(note: PlanNote, group: Group) -> str:
    """Whose plan a note holds in a group: ``white``, ``black`` or ``both``."""
    return note.plan_of(group.holder_of(note.structure) or "both")


def note_places(
    book: Repertoire, paths: StructurePaths, group: Group, notes: Iterable[PlanNote]
) -> dict[int, list[PlanNote]]:
    """The nodes of a group's lines where notes first apply, by node.

    A note is placed once on each line: where the structure settles, or at the
    first node after that, with the structure still there, at which the note's
    conditions hold and, if it is on a finer family, that one stands. Conditions
    on the position need the repertoire's FENs; without them such notes are not
    placed.
    """
    wanted = notes_of_group(notes, group)
    if not wanted or not group.settled:
        return {}
    code = paths.code(group.structure, group.holder)
    carried, finer, parent = paths.carried, paths.finer, book.parent
    named = Structure(group.structure, group.holder)
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
    about: dict[str, list[int]] = {}
    for index, note in enumerate(wanted):
        about.setdefault(note.structure, []).append(index)
    told: dict[int, frozenset[int]] = {}
    places: dict[int, list[PlanNote]] = {}
    nothing: frozenset[int] = frozenset()
    for node in sorted(nodes):
        before = told.get(parent[node], nothing)
        told[node] = before
        if carried[node] != code or len(before) == len(wanted):
            continue
        beside = paths.structure(int(finer[node]))
        untold = [
            (index, held)
            for held in ((named,) if beside is None else (beside, named))
            for index in about.get(held.structure, ())
            if index not in before
        ]
        if not untold:
            continue
        board = None if book.fens is None else chess.Board(book.fens[node])
        chapter = book.game_of(node).chapter
        here = sorted(
            index
            for index, held in untold
            if applies(wanted[index], held.structure, held.holder, board, chapter) is not None
        )
        if here:
            places[node] = [wanted[index] for index in here]
            told[node] = before.union(here)
    return places
