"""The plan notes on a group of lines, for its page."""

from __future__ import annotations

from dataclasses import replace

import chess

from pawnlore.service.lookup import AppliedNote, Lookup, lookup
from pawnlore.service.note_index import KnownNote, NoteIndex
from pawnlore.service.pages.group_keys import heading
from pawnlore.service.pages.plan_view import PlanView, plan_view
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.groups import Group
from pawnlore.structures.note_places import notes_of_group, plan_in_group, structures_of_group
from pawnlore.structures.query_position import QueryPosition
from pawnlore.structures.skeleton import Skeleton, placement
from pawnlore.structures.verdict import Verdict


def known_notes_of_group(index: NoteIndex, group: Group) -> list[KnownNote]:
    """The notes on what a group's lines hold, the most specific first."""
    held = dict.fromkeys(known.structure for known in structures_of_group(group))
    listed = [known for structure in held for known in index.on(structure)]
    by_note = {id(known.note): known for known in listed}
    return [by_note[id(note)] for note in notes_of_group([one.note for one in listed], group)]


def plans_of_group(
    index: NoteIndex, group: Group, skeleton: Skeleton | None, side: str
) -> PlanView:
    """The plans of a group: all notes on it, or what the catalogue says.

    Notes on finer forms of its structure leave its other positions to the
    catalogue. All are drawn on the pawns that stand for the group. ``side`` is
    ours, or empty where nobody knows.
    """
    verdict = Verdict(group.structure, group.holder, 1.0, True, UNSETTLED, "both", 0.0)
    applied = tuple(
        AppliedNote(known, _when(known, group), plan_in_group(known.note, group))
        for known in known_notes_of_group(index, group)
    )
    found = Lookup(verdict, applied, ())
    on_all = any(one.known.note.structure == group.structure for one in applied)
    if not on_all and group.settled:
        # Pawns are asked for by name here, so which ones they are does not matter.
        position = QueryPosition(skeleton or Skeleton(0, 0), None)
        found = replace(
            found, next_best=lookup(position, lambda _: verdict, NoteIndex(())).next_best
        )
    board = chess.BaseBoard(placement(skeleton) if skeleton else None)
    return plan_view(found, board, side)


def _when(known: KnownNote, group: Group) -> str:
    """When a note applies, in words; empty where it always does."""
    note = known.note
    told = []
    if note.structure != group.structure:
        told.append(f"only where {heading(note.structure)} stands")
    words = " and ".join(note.when.words())
    return ", ".join([*told, f"when {words}"] if words else told)
