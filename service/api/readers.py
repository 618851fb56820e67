"""What the caller of a request may read: everything, or as a student what one repertoire teaches.

A student is told what the author teaches, which is a structure and its holder,
wherever it comes from: a core, the classifier or the author's own label. How
sure a verdict is, what decided it and what came second are told to nobody but
authors, whether a label stands behind a verdict or not. So nothing but the
verdict itself can tell a labelled position from another one, and an answer to
a student stays the same, byte for byte, when a label that changes no verdict
is made or taken away.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from threading import Lock

from flask import current_app

from pawnlore.service.access.caller import caller
from pawnlore.service.api.lookups import lookups
from pawnlore.service.api.repertoires_at_hand import repertoires
from pawnlore.service.labelled_verdicts import OwnLabels
from pawnlore.service.lookup import Lookup
from pawnlore.service.note_index import NoteIndex
from pawnlore.service.store.note_shelf import StoredNote
from pawnlore.service.store.repertoire_shelf import StoredRepertoire
from pawnlore.service.syllabus import Syllabus, syllabus_of
from pawnlore.structures.plan_note import NoteError
from pawnlore.structures.query_position import QueryPosition

MOST = 500
"""Repertoires whose syllabuses and notes are kept in memory; each takes some thousand bytes."""

_NAME = "pawnlore_readers"


@dataclass
class _Kept:
    """What was found for one repertoire, and from which upload, side, labels and notes."""

    stored: StoredRepertoire
    labels: OwnLabels
    syllabus: Syllabus
    index: NoteIndex | None = None
    shown: NoteIndex | None = None


class Readers:
    """Knows what students may read; it may be used by several threads."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._kept: dict[str, _Kept] = {}

    def syllabus(self, repertoire: str) -> Syllabus:
        """The syllabus of a repertoire as it is now; raises `NotFound`."""
        return self._of(repertoire).syllabus

    def notes(self, repertoire: str) -> NoteIndex:
        """The published notes that belong to a repertoire."""
        kept, index = self._of(repertoire), lookups().notes()
        if kept.index is not index or kept.shown is None:
            kept.shown, kept.index = kept.syllabus.notes(index), index
        return kept.shown

    def _of(self, repertoire: str) -> _Kept:
        desk = repertoires().desk
        stored, labels = desk.shelf.get(repertoire), desk.labels()
        kept = self._kept.get(repertoire)
        if kept is not None and _current(kept, stored, labels):
            return kept
        # One at a time: a class that opens its links at once shares what the first one finds.
        with self._lock:
            kept = self._kept.get(repertoire)
            if kept is None or not _current(kept, stored, labels):
                opened = desk.open(repertoire)
                kept = _Kept(opened.stored, labels, syllabus_of(opened.work))
                self._kept.pop(repertoire, None)
                self._kept[repertoire] = kept
                while len(self._kept) > MOST:
                    del self._kept[next(iter(self._kept))]
        return kept


def _current(kept: _Kept, stored: StoredRepertoire, labels: OwnLabels) -> bool:
    # Labels are the same object until one of them changes.
    known = (kept.stored.upload, kept.stored.side, kept.stored.model)
    return kept.labels is labels and known == (stored.upload, stored.side, stored.model)


def tells_how_sure() -> bool:
    """Whether the caller is told how sure a verdict is, and who decided it."""
    return not caller().student


def readers_notes() -> NoteIndex:
    """The notes that the caller may read: all, or a student's."""
    repertoire = caller().repertoire
    return lookups().notes() if repertoire is None else _readers().notes(repertoire)


def readable(notes: Iterable[StoredNote]) -> list[StoredNote]:
    """Those of some notes of the store that the caller may read."""
    repertoire = caller().repertoire
    if repertoire is None:
        return list(notes)
    syllabus = _readers().syllabus(repertoire)
    return [stored for stored in notes if _belongs(stored, syllabus)]


def _belongs(stored: StoredNote, syllabus: Syllabus) -> bool:
    if not stored.published or stored.deleted is not None:
        return False
    try:
        return syllabus.covers(stored.note())
    except NoteError:
        return False  # Its family is known no more.


def look_up(position: QueryPosition, chapter: str = "") -> tuple[Lookup, str]:
    """Look a position up for the caller, with who decided; a student is not told that."""
    if caller().student:
        found, _ = lookups().lookup(position, chapter, notes=readers_notes())
        return found, ""
    return lookups().lookup(position, chapter)


def _readers() -> Readers:
    found = current_app.extensions.setdefault(_NAME, Readers())
    assert isinstance(found, Readers)
    return found
