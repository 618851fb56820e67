"""Notes by the structure that they are on, so that a lookup sees few of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from pawnlore.service.note_text import note_html
from pawnlore.structures.plan_note import PlanNote


@dataclass(frozen=True)
class KnownNote:
    """A note with what it is known by where it is kept: both are empty for one in a folder."""

    note: PlanNote
    id: str = ""
    revision: int = 0
    published: bool = True

    @cached_property
    def html(self) -> str:
        """The body as HTML that may stand in a page."""
        return note_html(self.note.body)

    @cached_property
    def value(self) -> dict[str, Any]:
        """What is told of the note where it applies, as plain values; not to be changed."""
        note = self.note
        return {
            "id": self.id,
            "revision": self.revision,
            "title": note.title,
            "structure": note.structure,
            "holder": note.holder,
            "side": note.side,
            "when": list(note.when.words()),
            "squares": list(note.squares),
            "moves": list(note.moves),
            "model_line": list(note.model_line),
            "chapter": note.chapter,
            "markdown": note.body,
            "html": self.html,
        }

    @property
    def order(self) -> tuple[int, str, str, str]:
        """Sorts the most specific first; equal ones by title, then by name."""
        return (-self.note.specificity, self.note.title, self.note.name, self.id)


class NoteIndex:
    """Some notes, by structure, the most specific first."""

    def __init__(self, notes: Iterable[KnownNote]) -> None:
        self._by_structure: dict[str, list[KnownNote]] = defaultdict(list)
        for known in notes:
            self._by_structure[known.note.structure].append(known)
        for listed in self._by_structure.values():
            listed.sort(key=lambda known: known.order)

    @classmethod
    def of(cls, notes: Iterable[PlanNote]) -> NoteIndex:
        """An index of notes that are not in a store, such as those of a folder."""
        return cls(KnownNote(note) for note in notes)

    def __len__(self) -> int:
        return sum(map(len, self._by_structure.values()))

    def __iter__(self) -> Iterator[KnownNote]:
        for listed in self._by_structure.values():
            yield from listed

    def on(self, structure: str) -> tuple[KnownNote, ...]:
        """The notes on one structure, the most specific first."""
        return tuple(self._by_structure.get(structure, ()))

    @cached_property
    def published(self) -> NoteIndex:
        """Only the notes that students may read."""
        return NoteIndex(known for known in self if known.published)
