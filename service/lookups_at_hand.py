"""What lookups need, kept in memory and read anew when the store has changed."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from threading import Lock
from typing import Generic, TypeVar

from pawnlore.models.classifier import Classifier
from pawnlore.models.labels import Labels, learnt_labels
from pawnlore.service.labelled_verdicts import OwnLabels, own_verdict
from pawnlore.service.lookup import Lookup, lookup
from pawnlore.service.note_index import KnownNote, NoteIndex
from pawnlore.service.store.label_shelf import LabelShelf
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.service.store.store import Store
from pawnlore.service.verdict_memory import VerdictMemory
from pawnlore.structures.plan_note import NoteError
from pawnlore.structures.query_position import QueryPosition
from pawnlore.structures.skeleton import Skeleton
from pawnlore.structures.verdict import Verdict

Kept = TypeVar("Kept")


class KeptByState(Generic[Kept]):
    """A value that is read anew when a state number has changed."""

    def __init__(self, state: Callable[[], int], read: Callable[[], Kept]) -> None:
        self._state = state
        self._read = read
        self._lock = Lock()
        self._held: tuple[int, Kept] | None = None

    def __call__(self) -> Kept:
        """The value as it is now."""
        return self.at(self._state())

    def at(self, state: int) -> Kept:
        """The value, for a caller who has just asked for the state number."""
        held = self._held
        if held is not None and held[0] == state:
            return held[1]
        with self._lock:
            held = self._held
            if held is None or held[0] != state:
                # The state was asked for before the reading: a change in between
                # makes the next call read again, and none is missed.
                held = self._held = (state, self._read())
            return held[1]


class Lookups:
    """Answers lookups from a store's notes and labels and a classifier.

    It may be used by several threads. A lookup asks the store for a few small
    numbers, in one reading, and for nothing else while nothing changes.
    """

    def __init__(self, store: Store, classifier: Classifier) -> None:
        self.classifier = classifier
        self.memory = VerdictMemory(classifier.classify)
        self._store = store
        self._notes = NoteShelf(store)
        self._labels = LabelShelf(store)
        self.notes = KeptByState(self._notes.state, self._read_notes)
        self.labels = KeptByState(self._labels.state, self._read_labels)

    @cached_property
    def examples(self) -> Labels:
        """The labelled positions that explanations compare with."""
        return learnt_labels(self.classifier.catalogue)

    def verdict(self, skeleton: Skeleton) -> tuple[Verdict, str]:
        """The verdict, and who decided: ``label``, ``core`` or ``classifier``."""
        return _decided(self.labels(), skeleton, self.memory(skeleton))

    def lookup(
        self, position: QueryPosition, chapter: str = "", *, notes: NoteIndex | None = None
    ) -> tuple[Lookup, str]:
        """Look a position up among all notes, or among those that are given.

        The second value says who decided, as in `verdict`.
        """
        states = self._store.counters()
        labels = self.labels.at(states.get("labels", 0))
        held = self.memory(position.skeleton)
        verdict, by = _decided(labels, position.skeleton, held)
        if notes is None:
            notes = self.notes.at(states.get("notes", 0))
        return lookup(position, lambda _: verdict, notes, chapter, held=held), by

    def _read_notes(self) -> NoteIndex:
        known = []
        for stored in self._notes.list():
            try:
                note = stored.note()
            except NoteError:
                continue  # its family is known no more; the list of notes still has it
            known.append(KnownNote(note, stored.id, stored.revision, stored.published))
        return NoteIndex(known)

    def _read_labels(self) -> OwnLabels:
        return {
            Skeleton(*label.skeleton): (label.structure, label.holder)
            for label in self._labels.list()
        }


def _decided(labels: OwnLabels, skeleton: Skeleton, held: Verdict) -> tuple[Verdict, str]:
    """The author's verdict where there is one, else the one that is held; and who decided."""
    own = own_verdict(labels, skeleton, held)
    if own is not None:
        return own, "label"
    return held, "core" if held.core else "classifier"
