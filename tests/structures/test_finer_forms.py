"""Finer forms: families of the author's own that stand where a core names the pawns."""

from __future__ import annotations

from collections import Counter

import numpy as np
from hypothesis import given
from repertoires import by_cores, random_texts, read

from pawnlore.structures.distinct_verdicts import distinct_verdicts
from pawnlore.structures.groups import Groups, groups
from pawnlore.structures.note_places import (
    note_places,
    notes_of_group,
    plan_in_group,
    structures_of_group,
)
from pawnlore.structures.owed import owed
from pawnlore.structures.plan_note import PlanNote, parse_note
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_side import given_side
from pawnlore.structures.skeleton import Masks
from pawnlore.structures.structure_paths import NO_STRUCTURE, StructurePaths, structure_paths
from pawnlore.structures.verdict import BLACK, WHITE, Verdict, Verdicts

OWN = "own/moved"
E3 = np.uint64(1 << 20)
H6 = np.uint64(1 << 47)


def moved(masks: Masks) -> Verdicts:
    """The cores' verdicts; a finer form stands where White has a pawn on e3 or Black on h6."""
    found = by_cores(masks)
    white, black = (masks[:, 0] & E3) != 0, (masks[:, 1] & H6) != 0
    stands = white | black
    return Verdicts(
        (*found.names, OWN),
        found.family,
        found.holder,
        found.probability,
        found.core,
        np.where(stands, len(found.names), found.second).astype(np.int16),
        np.where(white, WHITE, BLACK).astype(np.int8),
        np.where(stands, 0.4, 0.0),
    )


def grouped(book: Repertoire) -> tuple[Verdicts, StructurePaths, Groups]:
    verdicts = distinct_verdicts(book, moved).every_node()
    paths = structure_paths(book, verdicts)
    return verdicts, paths, groups(book, verdicts, paths, given_side(book, "white"))


def note(structure: str, side: str = "holder", holder: str = "any", when: str = "") -> PlanNote:
    return parse_note(
        f'+++\nstructure = "{structure}"\nholder = "{holder}"\nside = "{side}"\n'
        f'title = "A plan for {structure}"\n{when}+++\nWords.\n'
    )


def test_a_finer_form_stands_only_beside_a_core() -> None:
    near = Verdict("maroczy-bind", "white", 0.9, False, OWN, "white", 0.8)
    assert near.finer is None and near.holder_of(OWN) == ""
    met = Verdict("maroczy-bind", "white", 1.0, True, OWN, "black", 0.8)
    assert met.finer == (OWN, "black")
    assert (met.holder_of("maroczy-bind"), met.holder_of(OWN)) == ("white", "black")
    assert met.holder_of("hedgehog") == ""
    unlikely = Verdict("maroczy-bind", "white", 1.0, True, OWN, "white", 0.0)
    assert unlikely.finer is None
    runner_up = Verdict("maroczy-bind", "white", 1.0, True, "hedgehog", "black", 0.2)
    assert runner_up.finer is None


@given(random_texts)
def test_lines_are_counted_as_a_walk_along_each_counts_them(text: str) -> None:
    book = read(text)
    verdicts, paths, found = grouped(book)
    for node in range(len(book)):
        finer = verdicts[node].finer
        if paths.finer[node] != NO_STRUCTURE:
            assert finer == paths.structure(int(paths.finer[node]))
    for group in found.groups:
        counted: Counter[tuple[str, str]] = Counter()
        for leaf in group.lines:
            beside = set()
            for node in book.line(leaf):
                named = paths.structure(int(paths.carried[node]))
                known = paths.structure(int(paths.finer[node]))
                if named == (group.structure, group.holder) and known is not None:
                    beside.add(known)
            counted.update(beside)
        assert dict(group.finer) == counted
        lines = [lines for _, lines in group.finer]
        assert lines == sorted(lines, reverse=True)


@given(random_texts)
def test_without_own_families_there_is_none(text: str) -> None:
    book = read(text)
    verdicts = distinct_verdicts(book, by_cores).every_node()
    paths = structure_paths(book, verdicts)
    assert (paths.finer == NO_STRUCTURE).all()
    found = groups(book, verdicts, paths, given_side(book, "white"))
    assert all(group.finer == () for group in found.groups)


CARLSBAD = (
    '[Event "One"]\n\n1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 c6 6. e3 Be7 7. Bd3 O-O '
    "8. Qc2 Nbd7 9. Nf3 Re8 *\n\n"
    '[Event "Two"]\n\n1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 c6 6. Qc2 Be7 7. Nf3 O-O '
    "8. Rc1 Nbd7 9. Bf4 Re8 *\n\n"
)


def test_notes_on_it_come_first_and_stand_where_it_does() -> None:
    book = read(CARLSBAD)
    _, paths, found = grouped(book)
    (group,) = (one for one in found.groups if one.structure == "carlsbad")
    assert group.finer == (((OWN, "white"), 1),)
    assert structures_of_group(group) == ((OWN, "white"), ("carlsbad", "white"))
    plain, finer = note("carlsbad"), note(OWN)
    other = note(OWN, holder="black")
    assert notes_of_group([plain, other, finer], group) == [finer, plain]
    assert plan_in_group(note(OWN, "foe"), group) == "black"
    placed = note_places(book, paths, group, [plain, finer])
    (first,) = (node for node, notes in placed.items() if finer in notes)
    assert book.moves[first] == "e3" and placed[first] == [finer]
    assert sum(plain in notes for notes in placed.values()) == 2, "once in each game"


def test_a_note_on_it_is_used_but_leaves_the_types_other_lines_without_a_plan() -> None:
    book = read(CARLSBAD)
    verdicts, paths, found = grouped(book)

    def debts(*notes: PlanNote) -> list[str]:
        side = given_side(book, "white")
        kinds = ("no-note", "unused-note")
        told = owed(book, verdicts, paths, found, side, notes)
        return sorted(
            one.kind for one in told if one.kind in kinds and "no structure" not in one.what
        )

    assert debts() == ["no-note"]
    assert debts(note(OWN)) == ["no-note"], "the second game comes to none"
    assert debts(note("carlsbad"), note(OWN)) == []
    assert debts(note("carlsbad"), note(OWN, holder="black")) == ["unused-note"]
    never = 'when = { queens = "off" }\n'
    assert debts(note("carlsbad"), note(OWN, when=never)) == ["unused-note"]


def owed_plans(text: str, *notes: PlanNote) -> list[tuple[str, int, str]]:
    """What is owed on the Carlsbad: kind, lines and words."""
    book = read(text)
    verdicts, paths, found = grouped(book)
    told = owed(book, verdicts, paths, found, given_side(book, "white"), notes)
    return [
        (one.kind, one.lines, one.what)
        for one in told
        if one.kind == "no-note" and "“Carlsbad" in one.what
    ]


def test_a_plan_is_owed_only_for_the_lines_that_come_to_no_form_with_one() -> None:
    ((kind, lines, what),) = owed_plans(CARLSBAD, note(OWN))
    assert (kind, lines) == ("no-note", 1)
    assert "1 line leads there without coming to a finer form that has a plan, and" in what
    ((kind, lines, what),) = owed_plans(CARLSBAD)
    assert (kind, lines) == ("no-note", 2) and "finer" not in what
    # Black's plan against it is not White's.
    ((_, lines, what),) = owed_plans(CARLSBAD, note(OWN, "foe"))
    assert lines == 2 and "finer" not in what
    first = CARLSBAD[: CARLSBAD.index('[Event "Two"]')]
    assert [kind for kind, _, _ in owed_plans(first)] == ["no-note"]
    assert owed_plans(first, note(OWN)) == []
