"""The syllabus of a repertoire: which structures it teaches, and so which notes belong to it.

A student link opens one repertoire. A published note on a structure that no
line of that repertoire comes to is for the readers of another one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pawnlore.service.note_index import NoteIndex
from pawnlore.service.workbook import Workbook
from pawnlore.structures.plan_note import PlanNote

_BOTH = "both"
_ANY = "any"


@dataclass(frozen=True)
class Syllabus:
    """What one repertoire teaches.

    ``holders`` gives, for every structure that some line holds, the sides that
    hold it; the middlegame types and the endings of its groups are among them,
    and the author's own families that are finer forms of one.
    ``chapters`` are its chapters' names.
    """

    holders: Mapping[str, frozenset[str]]
    chapters: frozenset[str]

    def covers(self, note: PlanNote) -> bool:
        """Whether a note is on something that the repertoire teaches.

        Both plans of a structure belong to it, the holder's and the other
        side's: whoever studies meets both. A note that names a chapter belongs
        to the repertoire that has it.

        >>> teaches = Syllabus({"carlsbad": frozenset({"white"})}, frozenset({"The Exchange"}))
        >>> note = PlanNote("", "carlsbad", "white", "foe", "", "")
        >>> teaches.covers(note)
        True
        >>> teaches.covers(PlanNote("", "carlsbad", "black", "foe", "", ""))
        False
        """
        held = self.holders.get(note.structure)
        if held is None or not (note.holder == _ANY or note.holder in held or _BOTH in held):
            return False
        return all(
            _plain(chapter) in self.chapters
            for chapter in (note.chapter, note.when.chapter)
            if chapter
        )

    def notes(self, index: NoteIndex) -> NoteIndex:
        """The published notes that belong to it."""
        return NoteIndex(known for known in index.published if self.covers(known.note))


def syllabus_of(work: Workbook) -> Syllabus:
    """The syllabus of a repertoire whose lines have been followed."""
    holders: dict[str, set[str]] = {}
    paths = work.paths
    codes = np.unique([code for held in paths.held for code in held])
    finer = paths.finer[np.isin(paths.carried, codes)]
    for code in np.unique(np.concatenate([codes, finer])):
        found = paths.structure(int(code))
        if found is not None:
            holders.setdefault(found.structure, set()).add(found.holder)
    return Syllabus(
        {structure: frozenset(held) for structure, held in holders.items()},
        frozenset(_plain(game.chapter) for game in work.book.games),
    )


def _plain(chapter: str) -> str:
    """As conditions compare chapters: space at the ends and between words is no difference."""
    return " ".join(chapter.split())
