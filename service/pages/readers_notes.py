"""The plan notes that the reader of a page may see."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from markupsafe import Markup, escape

from pawnlore.service.note_index import KnownNote, NoteIndex
from pawnlore.service.note_text import note_paragraphs
from pawnlore.service.pages.shown_text import shown
from pawnlore.structures.groups import Group
from pawnlore.structures.note_places import notes_of_group

MOST = 6
"""Notes that are shown in full on one page; the others are linked to."""

ROOM = 36_000
"""Bytes that the texts of all notes of one page may take."""

_LEAST = 400


@dataclass(frozen=True, slots=True)
class ShownNote:
    """A note on a page: whose plan it is here, why it applies, and its text.

    ``body`` is HTML; where it would take too much room it is the beginning of
    the text, and ``whole`` is false.
    """

    known: KnownNote
    plan_of: str
    reason: str
    body: Markup
    whole: bool


def shown_notes(notes: Iterable[tuple[KnownNote, str, str]]) -> list[ShownNote]:
    """The first notes of some, each with whose plan it is and why it applies, in bounded room."""
    left, told = ROOM, []
    for known, plan_of, reason in list(notes)[:MOST]:
        size = len(known.html.encode())
        whole = size <= left
        if whole:
            # Our own renderer made it, and lets no HTML of the note's through.
            body = Markup(known.html)
        else:
            text = shown(" ".join(note_paragraphs(known.note.body)), max(left, _LEAST))
            size, body = left, Markup("<p>{}</p>").format(escape(text))
        left -= min(size, left)
        told.append(ShownNote(known, plan_of, reason, body, whole))
    return told


def known_notes_of_group(index: NoteIndex, group: Group) -> list[KnownNote]:
    """The notes on a group's structure and holder, the most specific first."""
    listed = index.on(group.structure)
    by_note = {id(known.note): known for known in listed}
    return [by_note[id(note)] for note in notes_of_group([one.note for one in listed], group)]
