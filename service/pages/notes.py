"""``/notes``: the author's plans, to find, to read, and as they were before."""

from __future__ import annotations

from collections import Counter
from contextlib import suppress
from typing import Any

from flask import Blueprint, Response, request
from markupsafe import Markup

from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs, students_may
from pawnlore.service.api.lookups import lookups
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.readers import readable, readers_notes
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.note_text import note_html
from pawnlore.service.pages.group_keys import heading
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.look_up_view import SameStructure, groups_on
from pawnlore.service.pages.note_picture import (
    NotePicture,
    example_of,
    model_example,
    picture,
    plan_colour,
)
from pawnlore.service.pages.plan_view import model_line_text
from pawnlore.service.running import running
from pawnlore.service.store.errors import NotFound, StoreError
from pawnlore.service.store.note_shelf import SEARCH_LENGTH, NoteShelf, StoredNote
from pawnlore.service.text_comparison import comparison
from pawnlore.structures.plan_note import NoteError, PlanNote
from pawnlore.structures.skeleton import skeleton_from_fen

pages = Blueprint("notes", __name__)
pages.record(provide_repertoires)

ROWS = 40
"""Notes on one page of the list."""

MOST_REVISIONS = 200
"""Revisions that are listed, the newest ones."""

HOLDERS = {
    "white": "White holds it",
    "black": "Black holds it",
    "any": "whoever holds it",
}
"""Whose the structure is, as a note tells it."""

STATES = {"": "All", "drafts": "Drafts", "published": "Published", "deleted": "Deleted"}
"""Which notes the list can show to the author."""

_MOST_REPERTOIRES = 9


def shelf() -> NoteShelf:
    """The notes of the service at hand."""
    return NoteShelf(running().store)


def author_side() -> str:
    """Our side, ``white`` or ``black``, where all repertoires at hand are that side's."""
    known, at_hand = caller(), repertoires()
    if known.repertoire is not None:
        listed = [at_hand.shelf.get(known.repertoire)]
    else:
        listed = at_hand.shelf.list(limit=_MOST_REPERTOIRES)
    sides = {one.side for one in listed}
    if sides == {""} and len(listed) == 1:
        # Nobody said so; then its lines tell. Of many that would take long.
        with suppress(StoreError):
            sides = {at_hand.desk.open(listed[0].id).work.side.side}
    return sides.pop() if len(sides) == 1 and sides <= {"white", "black"} else ""


def may_write() -> bool:
    """Whether the reader of the page at hand may change notes."""
    return caller().may(WRITE) and not caller().student


@pages.get("/notes")
@students_may()
@needs(READ)
def list_of_notes() -> Response:
    """The notes, those with some words, on one structure, or in one state."""
    student = caller().student
    asked = request.args.get("q", "")[:SEARCH_LENGTH].strip()
    structure = request.args.get("structure", "")[:200]
    state = request.args.get("state", "")
    state = state if state in STATES and not student else ""
    after = _number(request.args.get("after"))
    published = True if student else {"drafts": False, "published": True}.get(state)
    found = shelf().list(
        search=asked,
        structure=structure,
        published=published,
        deleted=state == "deleted",
        after=after,
        limit=None if student else ROWS + 1,
    )
    found = readable(found)
    more = found[ROWS - 1].number if len(found) > ROWS else 0
    in_use = (
        Counter(known.note.structure for known in readers_notes())
        if student
        else shelf().structures_in_use()
    )
    names = sorted((heading(one), one, count) for one, count in in_use.items())
    return page(
        "notes/list.html",
        rows=[(one, *_summary(one)) for one in found[:ROWS]],
        asked=asked,
        structure=structure,
        state=state,
        states=STATES,
        names=names,
        name=heading(structure) if structure else "",
        after=after,
        more=more,
        may_write=may_write(),
        student=student,
        any_notes=bool(in_use),
    )


@pages.get("/notes/<id>")
@students_may()
@needs(READ)
def read(id: str) -> Response:
    """One note, with a position that it fits."""
    stored = shelf().get(id, deleted=True)
    student = caller().student
    if not readable([stored]):
        raise NotFound("there is no such note")
    try:
        note, fault = stored.note(), ""
    except NoteError as error:
        note, fault = None, "; ".join(error.messages)
    side = author_side()
    drawn = picture_of(note, side) if note is not None else None
    return page(
        "notes/read.html",
        stored=stored,
        note=note,
        fault=fault,
        name=heading(stored.structure),
        holder=HOLDERS.get(stored.holder, stored.holder),
        body=Markup(note_html(note.body, heading=2)) if note is not None else "",
        model_line=model_line_text(note.model_line) if note is not None else "",
        drawn=drawn,
        side=side,
        student=student,
        may_write=may_write(),
        set_aside=0 if student else len(shelf().set_aside(id)),
        saved=request.args.get("saved") is not None,
        stands=_stands(stored) if may_write() and "saved" in request.args else (),
        draft=request.args.get("draft", "")[:60],
    )


def _stands(stored: StoredNote) -> tuple[SameStructure, ...]:
    """Where the repertoires at hand have what a note is on."""
    desk, listed = repertoires().desk, repertoires().shelf.list(limit=_MOST_REPERTOIRES)
    found = groups_on(map(desk.open, (one.id for one in listed)), stored.structure)
    return tuple(
        one for one in found if stored.holder in ("any", one.holder) or one.holder == "both"
    )


@pages.get("/notes/<id>/revisions")
@needs(READ)
def revisions(id: str) -> Response:
    """Every revision, and two of them compared."""
    stored = shelf().get(id, deleted=True)
    listed = shelf().revisions(id)
    aside = shelf().set_aside(id)
    newest = listed[-1].revision
    to = _number(request.args.get("to")) or newest
    from_ = _number(request.args.get("from")) or max(1, to - 1)
    by_number = {one.revision: one for one in listed}
    if from_ not in by_number or to not in by_number:
        raise Problem(404, f"There is no such revision; there are 1 to {newest}.")
    late = _number(request.args.get("aside"))
    if late > len(aside):
        raise Problem(404, "That text is not kept any more.")
    if late:
        old, new = by_number[newest], None
        compared = comparison(old.text, aside[late - 1].text)
    else:
        old, new = by_number[from_], by_number[to]
        compared = comparison(old.text, new.text)
    return page(
        "notes/revisions.html",
        stored=stored,
        listed=list(reversed(listed))[:MOST_REVISIONS],
        left_out=max(0, len(listed) - MOST_REVISIONS),
        aside=aside,
        old=old,
        new=new,
        late=late,
        stale=request.args.get("stale") is not None,
        compared=compared,
        newest=newest,
        may_write=may_write(),
    )


def picture_of(note: PlanNote, side: str) -> NotePicture:
    """The diagram beside a note."""
    judge, catalogue = _judge(), running().classifier.catalogue
    example = example_of(note, judge, catalogue)
    found = judge(skeleton_from_fen(example.fen.split(None, 1)[0]))
    holder = found.holder_of(note.structure)
    colour = plan_colour(note.holder, note.side, holder)
    return picture(example, note.squares, note.moves, colour, side)


def _judge() -> Any:
    known = lookups()
    return lambda skeleton: known.verdict(skeleton)[0]


def _summary(stored: StoredNote) -> tuple[str, str, Any]:
    """A note of the list: its structure's name, its conditions in words, its model's pawns."""
    try:
        told = " and ".join(stored.note().when.words())
    except NoteError:
        told = "its structure is not known any more"
    example = model_example(stored.structure, stored.holder, running().classifier.catalogue)
    pawns = skeleton_from_fen(example.fen) if example.caption else None
    return heading(stored.structure), told, pawns


def _number(text: str | None) -> int:
    if text and text.isascii() and text.isdecimal() and len(text) < 10:
        return int(text)
    return 0
