"""What lookups need, kept in memory and read anew when the store has changed."""

from __future__ import annotations

from functools import cached_property
from threading import Lock

from pawnlore.models.classifier import Classifier
from pawnlore.models.labels import Labels, learnt_labels
from pawnlore.service.kept_by_state import KeptByState
from pawnlore.service.labelled_verdicts import OwnLabels, own_verdict
from pawnlore.service.lookup import Lookup, lookup
from pawnlore.service.model_in_use import ModelInUse
from pawnlore.service.note_index import KnownNote, NoteIndex
from pawnlore.service.store.family_shelf import FamilyShelf
from pawnlore.service.store.label_shelf import LabelShelf
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.service.store.store import Store
from pawnlore.service.verdict_memory import VerdictMemory
from pawnlore.structures.plan_note import NoteError
from pawnlore.structures.query_position import QueryPosition
from pawnlore.structures.skeleton import Skeleton
from pawnlore.structures.verdict import Verdict


class Lookups:
    """Answers lookups from a store's notes and labels and a classifier.

    It may be used by several threads. A lookup asks the store for a few small
    numbers, in one reading, and for nothing else while nothing changes.
    """

    def __init__(self, store: Store, model: Classifier | ModelInUse) -> None:
        self._model = model
        self._lock = Lock()
        self._remembered: tuple[Classifier, VerdictMemory] | None = None
        self._store = store
        self._notes = NoteShelf(store)
        self._labels = LabelShelf(store)
        self.notes = KeptByState(self._notes.state, self._read_notes)
        self.labels = KeptByState(self._labels.state, self._read_labels)
        families = FamilyShelf(store)
        self.parents = KeptByState(families.state, families.parents)

    @property
    def classifier(self) -> Classifier:
        """The classifier in use."""
        return self._model if isinstance(self._model, Classifier) else self._model.now()

    @property
    def memory(self) -> VerdictMemory:
        """The remembered verdicts of the classifier in use."""
        return self._memory_of(self.classifier)

    def _memory_of(self, classifier: Classifier) -> VerdictMemory:
        held = self._remembered
        if held is not None and held[0] is classifier:
            return held[1]
        with self._lock:
            held = self._remembered
            if held is None or held[0] is not classifier:
                held = self._remembered = (classifier, VerdictMemory(classifier.classify))
            return held[1]

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
        classifier = self._model
        if not isinstance(classifier, Classifier):
            classifier = classifier.at(states.get("models", 0))
        held = self._memory_of(classifier)(position.skeleton)
        verdict, by = _decided(labels, position.skeleton, held)
        if notes is None:
            notes = self.notes.at(states.get("notes", 0))
        parents = self.parents.at(states.get("families", 0))
        return lookup(position, lambda _: verdict, notes, chapter, held=held, parents=parents), by

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
