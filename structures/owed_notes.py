"""What is owed in words: types without a plan note, and notes that no line reaches."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator, Sequence

import numpy as np

from pawnlore.structures.debt import (
    NO_NOTE,
    SEVERITY,
    UNUSED_NOTE,
    Debt,
    counted,
    debt_at,
)
from pawnlore.structures.finer_lines import FinerLines
from pawnlore.structures.group_nodes import groups_through
from pawnlore.structures.groups import Group, Groups
from pawnlore.structures.line_text import Naming, family_name
from pawnlore.structures.note_places import is_on, plan_in_group
from pawnlore.structures.plan_note import PlanNote
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_side import RepertoireSide
from pawnlore.structures.replay import Replay
from pawnlore.structures.structure_paths import NO_STRUCTURE, StructurePaths
from pawnlore.structures.verdict import HOLDERS

_NAMED = 3
_SIDES = ("white", "black")


def note_debts(
    book: Repertoire,
    paths: StructurePaths,
    found: Groups,
    side: RepertoireSide,
    notes: Sequence[PlanNote],
    name_of: Naming = family_name,
) -> Iterator[Debt]:
    """Groups that no note for the author's side reaches, then notes that no line reaches."""
    reached = _reached(book, paths, found, notes)
    finer_lines = FinerLines(paths)
    firsts = [game.first for game in book.games]
    for place, group in enumerate(found.groups):
        if not group.settled:
            continue
        code = paths.code(group.structure, group.holder)
        games = {bisect_right(firsts, leaf) - 1 for leaf in group.lines}
        authors = {side.of_game(game) for game in games}
        for author in sorted(authors):
            ours = [
                note
                for index, note in enumerate(notes)
                if reached[index].groups >> place & 1 and _is_for(note, group, author)
            ]
            if any(note.structure == group.structure for note in ours):
                continue
            # A plan for a finer form leaves the type's other lines without one.
            planned = {
                paths.code(form.structure, form.holder)
                for form, _ in group.finer
                if any(is_on(note, form) for note in ours)
            }
            orders = set(group.move_orders)
            without = sum(
                planned.isdisjoint(finer_lines.beside(code, leaf))
                for leaf in group.lines
                if leaf not in orders
            )
            if without or not planned:
                lines = without if planned else 0
                yield _no_note(book, group, place, author, notes, lines, name_of)
    held = {code for codes in paths.held for code in codes}
    held |= set(paths.finer[np.isin(paths.carried, sorted(held))].tolist()) - {NO_STRUCTURE}
    for index, note in enumerate(notes):
        if not reached[index].nodes:
            yield _unused(paths, held, note, name_of)


class _Reach:
    """What a note reaches: the number of nodes looked at that it applies to, and groups."""

    __slots__ = ("groups", "nodes")

    def __init__(self) -> None:
        self.nodes = 0
        self.groups = 0


def _reached(
    book: Repertoire, paths: StructurePaths, found: Groups, notes: Sequence[PlanNote]
) -> list[_Reach]:
    """What each note reaches.

    A node is looked at only for notes that have not yet reached its groups, so
    nearly all boards are never set up.
    """
    reach = [_Reach() for _ in notes]
    by_code = _notes_by_code(paths, notes)
    held = {code for codes in paths.held for code in codes}
    through = groups_through(book, found)
    of_code: dict[int, int] = defaultdict(int)
    for place, group in enumerate(found.groups):
        if group.settled:
            of_code[paths.code(group.structure, group.holder)] |= 1 << place
    replay = Replay(book)
    masks = book.masks
    finer = paths.finer.tolist()
    for node, code in enumerate(paths.carried.tolist()):
        about = (*by_code.get(code, ()), *by_code.get(finer[node], ()))
        if not about or code not in held:
            continue
        here = through[node] & of_code[code]
        for index in about:
            known = reach[index]
            if known.nodes and not here & ~known.groups:
                continue
            if _applies(book, replay, masks[node].tolist(), node, notes[index]):
                known.nodes += 1
                known.groups |= here
    return reach


def _notes_by_code(paths: StructurePaths, notes: Sequence[PlanNote]) -> dict[int, list[int]]:
    by_code: dict[int, list[int]] = defaultdict(list)
    names = set(paths.names)
    for index, note in enumerate(notes):
        if note.structure not in names:
            continue
        for holder in HOLDERS:
            # What both sides hold, each of them holds.
            if note.holder in ("any", holder) or holder == "both":
                by_code[paths.code(note.structure, holder)].append(index)
    return by_code


def _applies(book: Repertoire, replay: Replay, pawns: list[int], node: int, note: PlanNote) -> bool:
    """Whether a note's conditions hold at a node; the cheap ones are asked first."""
    when = note.when
    if not when:
        return True
    if when.unmet_by_pawns(pawns[0], pawns[1]) is not None:
        return False
    if when.moves and not when.moves[0] <= book.ply[node] // 2 + 1 <= when.moves[1]:
        return False
    chapter = book.game_of(node).chapter
    if when.chapter and " ".join(when.chapter.split()) != " ".join(chapter.split()):
        return False
    if not (when.queens or when.castling or when.bishops):
        return True
    return when.unmet(replay.board(node), chapter) is None


def _is_for(note: PlanNote, group: Group, author: str) -> bool:
    """Whether a note tells the author's own plan; any does where nobody knows their side."""
    return author not in _SIDES or plan_in_group(note, group) in (author, "both")


def _no_note(
    book: Repertoire,
    group: Group,
    place: int,
    author: str,
    notes: Sequence[PlanNote],
    without: int,
    name_of: Naming,
) -> Debt:
    """A group without a plan for ``author``.

    Where finer forms of it have one, ``without`` counts the lines that come to none of these.
    """
    name = name_of(group.structure)
    lines = without or max(1, len(group.lines) - len(group.move_orders))
    about = [
        note
        for note in notes
        if note.structure == group.structure
        and (note.holder in ("any", group.holder) or group.holder == "both")
    ]
    ours = [note for note in about if _is_for(note, group, author)]
    whose = _whose(group)
    what = f"“{name}”{whose}: {counted(lines, 'line')} {'leads' if lines == 1 else 'lead'} there"
    if without:
        what += " without coming to a finer form that has a plan"
    note_side = "foe" if group.stance == "theirs" else "holder"
    if ours:
        titles = ", ".join(note.named() for note in ours[:_NAMED])
        what += f", but the conditions of {titles} hold in none of them."
        closes = "Widen the conditions, or write a second note for these lines."
    else:
        what += (
            ", and the notes tell only the other side's plan."
            if about
            else ", and no plan note tells what to do."
        )
        holder = "any" if group.holder == "both" else group.holder
        closes = (
            f'Write a note: structure = "{group.structure}", holder = "{holder}", '
            f'side = "{note_side}".'
        )
    return debt_at(
        book,
        NO_NOTE,
        group.earliest_node,
        lines,
        what,
        closes,
        also=(group.model_line,),
        group=place,
    )


def _whose(group: Group) -> str:
    if group.stance in ("ours", "theirs"):
        return f" ({group.stance})"
    return " (both sides')" if group.stance == "shared" else f" ({group.holder.capitalize()}'s)"


def _unused(paths: StructurePaths, held: set[int], note: PlanNote, name_of: Naming) -> Debt:
    name = name_of(note.structure)
    codes = _notes_by_code(paths, [note])
    if held.isdisjoint(codes):
        seen = {*paths.carried.tolist(), *paths.finer.tolist()}
        passes = any(code in codes for code in seen)
        only = " (some only pass it)" if passes else ""
        whose = "" if note.holder == "any" else f" for {note.holder.capitalize()}"
        what = f"The note “{note.title}” waits for lines: none holds “{name}”{whose}{only}."
        closes = "Add a line that leads there, or take the note out until it is needed."
    else:
        conditions = "; ".join(note.when.words())
        what = (
            f"The note “{note.title}” applies nowhere: lines hold “{name}”, but never with its "
            f"conditions ({conditions})."
        )
        closes = "Loosen the conditions, or add a line in which they hold."
    return Debt(
        kind=UNUSED_NOTE,
        weight=SEVERITY[UNUSED_NOTE],
        lines=0,
        file=note.name,
        game=-1,
        chapter=note.chapter,
        moves="",
        node=-1,
        what=what,
        closes=closes,
    )
