"""Writing plan notes: new, changed, merged with what somebody else saved, deleted, restored."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import chess
from flask import Blueprint, Response, jsonify, redirect, request
from markupsafe import Markup

from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import WRITE, needs
from pawnlore.service.api.lookups import lookups
from pawnlore.service.api.repertoires_at_hand import provide_repertoires
from pawnlore.service.note_text import note_html
from pawnlore.service.note_writing import (
    NoteFields,
    fields_of,
    rewritten_note,
    written_note,
)
from pawnlore.service.pages.board import diagram
from pawnlore.service.pages.group_keys import heading
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.note_form import (
    BISHOPS,
    FILE_STATES,
    FILES,
    NoteForm,
    faults_by_field,
    fields_of_form,
    fits_the_form,
    form_of,
    words,
)
from pawnlore.service.pages.note_picture import (
    Example,
    NotePicture,
    example_of,
    model_example,
    picture,
    plan_colour,
    readable,
)
from pawnlore.service.pages.notes import author_side, shelf
from pawnlore.service.pages.own_names import own_names
from pawnlore.service.position_lines import LINE_LIMIT
from pawnlore.service.running import running
from pawnlore.service.store.errors import NotFound, Stale
from pawnlore.service.store.note_shelf import StoredNote
from pawnlore.service.text_comparison import comparison
from pawnlore.service.text_merge import merged
from pawnlore.structures.plan_moves import board_after, plan_move
from pawnlore.structures.plan_note import NOTE_LENGTH, NoteError, PlanNote, parse_note
from pawnlore.structures.prose_mirror import told_for
from pawnlore.structures.skeleton import skeleton_from_fen

pages = Blueprint("note-editor", __name__)
pages.record(provide_repertoires)

_HOLDERS = (("white", "White"), ("black", "Black"), ("any", "either side"))
_SIDES = (("holder", "the side that has it"), ("foe", "the side against it"))
_NAMES = (
    "title",
    "structure",
    "holder",
    "side",
    "squares",
    "moves",
    "model_line",
    "chapter",
    "body",
    "when_queens",
    "when_castling",
    "when_chapter",
    "when_pawns_white",
    "when_pawns_black",
    "when_from",
    "when_to",
    *(f"when_file_{one}" for one in FILES),
)
_DRAFT = re.compile(r"[a-z0-9-]{1,60}")


@pages.get("/notes/new")
@needs(WRITE)
def new() -> Response:
    """An empty editor, or one that knows what the note is on."""
    asked = request.args
    holder = asked.get("holder", "")
    fields = NoteFields(
        structure=asked.get("structure", "")[:200],
        holder={"both": "any"}.get(holder, holder if holder in ("white", "black") else "any"),
        side="foe" if asked.get("side") == "foe" else "holder",
    )
    form = form_of(fields, fen=_fen(asked.get("fen", "")))
    if asked.get("as") == "text":
        form = replace(form, as_text=True, text=written_note(fields))
    return _editor(form)


@pages.post("/notes/new")
@needs(WRITE)
def create() -> Response:
    """Keep a new note, or show how it would look."""
    form = _titled(_given())
    text = _text_of(form, "")
    if _act() != "save":
        return _not_saved(form, text)
    try:
        stored = shelf().create(text, author=caller().name, published=form.published)
    except NoteError as error:
        return _editor(form, messages=error.messages)
    return _saved(stored, form)


@pages.get("/notes/<id>/edit")
@needs(WRITE)
def edit(id: str) -> Response:
    """A note in the editor; ``as=text`` shows its file, ``aside`` a text that came too late."""
    stored = shelf().get(id)
    text = stored.text
    late = request.args.get("aside", "")
    kept = shelf().set_aside(id) if late else []
    if late.isdecimal() and 0 < int(late[:6]) <= len(kept):
        text = kept[int(late[:6]) - 1].text
    as_text = request.args.get("as") == "text"
    form = _form_of_text(text, stored, as_text=as_text)
    return _editor(form, stored=stored, forced=form.as_text and not as_text)


@pages.post("/notes/<id>/edit")
@needs(WRITE)
def change(id: str) -> Response:
    """Keep a changed note as its next revision, or show how it would look."""
    form = _given()
    try:
        stored = shelf().get(id)
    except NotFound:
        # What was typed must not go with the note.
        text = _text_of(form, "")
        kept = replace(form, as_text=True, text=text, revision=0)
        return _editor(
            kept,
            status=410,
            messages=[
                "This note was deleted in between. What you wrote stands below, and can be "
                "saved as a new note."
            ],
        )
    text = _text_of(form, _base(stored, form))
    if _act() != "save":
        return _not_saved(form, text, stored)
    if (text, form.published, form.revision) == (stored.text, stored.published, stored.revision):
        return _saved(stored, form)
    try:
        changed = shelf().change(
            id,
            text,
            expected_revision=form.revision,
            author=caller().name,
            published=form.published,
        )
    except NoteError as error:
        return _editor(form, stored=stored, messages=error.messages)
    except Stale as error:
        return _clash(form, text, error.current)
    return _saved(changed, form)


@pages.post("/notes/preview")
@needs(WRITE)
def preview() -> Response:
    """How a note would look, for the editor's script."""
    form = _given()
    shown = _shown(form)
    return jsonify(
        html=str(shown["html"]),
        faults=list(shown["messages"]),
        when=list(shown["when"]),
    )


@pages.post("/notes/drawing")
@needs(WRITE)
def drawing() -> Response:
    """The diagram with what is drawn on it, for the editor's script; ``arrow`` adds a move."""
    form = _given()
    arrow = request.form.get("arrow", "")
    said, moves = "", words(form["moves"])
    drawn = _picture(form)
    if len(arrow) == 4 and arrow[:2] in chess.SQUARE_NAMES and arrow[2:] in chess.SQUARE_NAMES:
        san, said = _move_of(arrow, drawn, moves)
        if san:
            moves.append(san)
            form = replace(form, values={**form.values, "moves": " ".join(moves)})
            drawn = _picture(form)
    return jsonify(
        svg=str(_svg(drawn)),
        fen=drawn.fen,
        orientation=drawn.orientation,
        legend=str(drawn.legend),
        caption=drawn.caption,
        moves=" ".join(moves),
        said=said,
        not_drawn=list(drawn.not_drawn),
    )


@pages.post("/notes/<id>/delete")
@needs(WRITE)
def delete(id: str) -> Response:
    """Delete a note; it can be restored."""
    stored = shelf().get(id)
    try:
        shelf().delete(id, expected_revision=_revision(), author=caller().name)
    except Stale as error:
        return redirect(f"/notes/{error.current.id}/revisions?stale=1", 303)  # type: ignore[return-value]
    return redirect(f"/notes/{stored.id}", 303)  # type: ignore[return-value]


@pages.post("/notes/<id>/restore")
@needs(WRITE)
def restore(id: str) -> Response:
    """Bring a revision, or a deleted note, back as the next revision."""
    wanted = request.form.get("from", "")
    number = int(wanted) if wanted.isascii() and wanted.isdecimal() and len(wanted) < 10 else None
    try:
        stored = shelf().restore(
            id, revision=number, expected_revision=_revision(), author=caller().name
        )
    except Stale as error:
        return redirect(f"/notes/{error.current.id}/revisions?stale=1", 303)  # type: ignore[return-value]
    return redirect(f"/notes/{stored.id}?saved={stored.revision}", 303)  # type: ignore[return-value]


def _act() -> str:
    return request.form.get("act", "save")


def _titled(form: NoteForm) -> NoteForm:
    """The form with a title: a note on a known structure can do without one of its own."""
    known = form["structure"] in running().classifier.catalogue.ids
    if _act() != "save" or form.as_text or form["title"].strip() or not known:
        return form
    colour = plan_colour(form["holder"], form["side"], "")
    whose = f"{colour.capitalize()}’s plan" if colour in chess.COLOR_NAMES else "the plan"
    title = f"{heading(form['structure'])}: {whose}"
    return replace(form, values={**form.values, "title": title})


def _catalogue_says(form: NoteForm) -> tuple[tuple[str, str], ...]:
    """What the catalogue says of both sides, for an author who begins."""
    catalogue = running().classifier.catalogue
    if form["structure"] not in catalogue.ids:
        return ()
    family, holder = catalogue[form["structure"]], form["holder"]
    sides = ("Black", "White") if holder == "black" else ("White", "Black")
    told = (told_for(family.plan_holder, holder), told_for(family.plan_foe, holder))
    return tuple(pair for pair in zip(sides, told, strict=True) if pair[1])


def _revision() -> int:
    text = request.form.get("revision", "")
    return int(text) if text.isascii() and text.isdecimal() and len(text) < 10 else 0


def _given() -> NoteForm:
    """What was sent, as typed."""
    sent = request.form
    draft = sent.get("draft", "")
    return NoteForm(
        values={name: sent.get(name, "")[: NOTE_LENGTH + 1] for name in _NAMES},
        bishops=tuple(one for one in sent.getlist("bishops") if one in BISHOPS),
        published=sent.get("published") == "yes",
        as_text=sent.get("mode") == "text",
        text=sent.get("text", "")[: 2 * NOTE_LENGTH],
        revision=_revision(),
        fen=_fen(sent.get("fen", "")),
        draft=draft if _DRAFT.fullmatch(draft) else "",
    )


def _fen(text: str) -> str:
    """A position to draw on; empty where the text is none."""
    text = text.strip()[:LINE_LIMIT]
    return text if text and readable(text) else ""


def _text_of(form: NoteForm, before: str) -> str:
    """The note that the form stands for; ``before`` is the text that it was made from."""
    if form.text:
        text = form.text.replace("\r\n", "\n").replace("\r", "\n")
        # A browser changes every line end; the note's own come back.
        text = text.replace("\n", "\r\n") if "\r\n" in before else text
        if form.as_text:
            return text
        before = text
    elif form.as_text:
        return ""
    fields = fields_of_form(form)
    return rewritten_note(before, fields) if before else written_note(fields)


def _base(stored: StoredNote, form: NoteForm) -> str:
    """The text that the author began with, whose layout is kept."""
    if form.revision in (0, stored.revision):
        return stored.text
    found = [one.text for one in shelf().revisions(stored.id) if one.revision == form.revision]
    return found[0] if found else stored.text


def _form_of_text(text: str, stored: StoredNote, *, as_text: bool) -> NoteForm:
    more: dict[str, Any] = {
        "published": stored.published,
        "revision": stored.revision,
        "fen": _fen(request.args.get("fen", "")),
        "text": text,
    }
    try:
        fields = fields_of(parse_note(text, structures=_known(stored.structure)))
    except NoteError:
        return NoteForm(as_text=True, **more)
    as_text = as_text or not fits_the_form(fields)
    return form_of(fields, as_text=as_text, **{**more, "text": text if as_text else ""})


def _not_saved(form: NoteForm, text: str, stored: StoredNote | None = None) -> Response:
    """The form again, as it was asked for: with a preview, as text, or as a form."""
    act = _act()
    if act == "as-text":
        return _editor(replace(form, as_text=True, text=text), stored=stored)
    if act != "as-form":
        return _editor(form, stored=stored, preview=True)
    known = _known(form["structure"] if stored is None else stored.structure)
    try:
        fields = fields_of(parse_note(text, structures=known))
    except NoteError as error:
        return _editor(form, stored=stored, messages=error.messages)
    if not fits_the_form(fields):
        return _editor(form, stored=stored, forced=True)
    kept = form_of(fields, published=form.published, revision=form.revision)
    # The text goes along, so that its comments and its layout are kept.
    return _editor(replace(kept, fen=form.fen, draft=form.draft, text=text), stored=stored)


def _known(structure: str) -> tuple[str, ...]:
    return (*running().classifier.catalogue.ids, structure)


def _saved(stored: StoredNote, form: NoteForm) -> Response:
    kept = f"&draft={form.draft}" if form.draft else ""
    return redirect(f"/notes/{stored.id}?saved={stored.revision}{kept}", 303)  # type: ignore[return-value]


def _clash(form: NoteForm, mine: str, current: StoredNote) -> Response:
    """Somebody else was first: both texts, and where possible both changes together."""
    base = [one.text for one in shelf().revisions(current.id) if one.revision == form.revision]
    both = merged(base[0], mine, current.text) if base else None
    if both is not None:
        try:
            parse_note(both, structures=_known(current.structure))
        except NoteError:
            both = None
    kept = replace(form, as_text=True, text=both or mine, revision=current.revision)
    return _editor(
        kept,
        stored=current,
        status=409,
        clash={
            "mine": mine,
            "theirs": current,
            "joined": both is not None,
            "compared": comparison(current.text, mine),
        },
    )


def _note(form: NoteForm) -> tuple[PlanNote | None, tuple[str, ...]]:
    try:
        return parse_note(_text_of(form, "")), ()
    except NoteError as error:
        return None, error.messages


def _shown(form: NoteForm) -> dict[str, Any]:
    """The preview: the text even where something else is wrong with the note."""
    note, messages = _note(form)
    body = note.body if note is not None else form["body"]
    if note is None and form.as_text:
        body = form.text.replace("\r\n", "\n").rpartition("\n+++\n")[2]
    return {
        "html": Markup(note_html(body[:NOTE_LENGTH], heading=3)),
        "messages": messages,
        "when": note.when.words() if note is not None else (),
    }


def _picture(form: NoteForm) -> NotePicture:
    """The diagram of the editor: the position that was given, or one that fits."""
    known, catalogue = lookups(), running().classifier.catalogue
    note, _ = _note(form)
    fields = fields_of(note) if note is not None else fields_of_form(form)
    if form.fen:
        example = Example(form.fen, "")
    elif note is not None:
        example = example_of(note, lambda one: known.verdict(one)[0], catalogue)
    else:
        example = model_example(fields.structure, fields.holder, catalogue)
        if not fields.structure:
            example = Example(example.fen, "Choose a structure, and its pawns stand here")
    pawns = skeleton_from_fen(example.fen.split(None, 1)[0])
    verdict, _by = known.verdict(pawns)
    holder = verdict.holder_of(fields.structure)
    colour = plan_colour(fields.holder, fields.side, holder)
    squares = [one for one in fields.squares if one in chess.SQUARE_NAMES]
    return picture(example, squares, fields.moves, colour, author_side())


def _move_of(arrow: str, drawn: NotePicture, moves: list[str]) -> tuple[str, str]:
    """The move that an arrow stands for, and what to say of it."""
    color = drawn.plan_of != "black"
    start, end = chess.parse_square(arrow[:2]), chess.parse_square(arrow[2:])
    board = board_after(chess.BaseBoard(drawn.fen.split(None, 1)[0]), moves, color)
    whose = "White" if color else "Black"
    piece = board.piece_at(start)
    if piece is None:
        return "", f"Nothing of {whose}’s stands on {arrow[:2]} to go to {arrow[2:]}."
    if piece.color != color:
        return "", f"This is {whose}’s plan, and the piece on {arrow[:2]} is not {whose}’s."
    san = plan_move(board, start, end)
    if not san:
        return "", f"The piece on {arrow[:2]} cannot be sent to {arrow[2:]} in one move."
    return san, f"{san} was added to the moves."


def _more_open(form: NoteForm) -> bool:
    """Whether a condition is given that the form keeps folded up."""
    names = ("when_from", "when_to", "when_chapter", *(f"when_file_{one}" for one in FILES))
    return bool(form.bishops) or any(form[name] for name in names)


def _svg(drawn: NotePicture) -> Markup:
    return diagram(drawn.fen, orientation=drawn.orientation, marks=drawn.marks, arrows=drawn.arrows)


def _editor(
    form: NoteForm,
    *,
    stored: StoredNote | None = None,
    status: int = 200,
    messages: Any = (),
    preview: bool = False,
    clash: dict[str, Any] | None = None,
    forced: bool = False,
) -> Response:
    """The editor's page."""
    if messages and status == 200:
        status = 422
    drawn = _picture(form)
    in_use = shelf().structures_in_use()
    own = {one for one in in_use if one.startswith("own/")}
    own |= {structure for structure, _ in lookups().labels().values() if structure[:4] == "own/"}
    own |= own_names().keys()
    ids = {*running().classifier.catalogue.ids, *own}
    if form["structure"]:
        ids.add(form["structure"])
    return page(
        "notes/edit.html",
        status,
        form=form,
        stored=stored,
        faults=faults_by_field(messages),
        messages=tuple(messages),
        shown=_shown(form) if preview else None,
        clash=clash,
        forced=forced,
        drawn=drawn,
        svg=_svg(drawn),
        structures=sorted((heading(one), one) for one in ids),
        holders=_HOLDERS,
        sides=_SIDES,
        files=FILES,
        file_states=FILE_STATES,
        bishops=BISHOPS,
        more_open=_more_open(form),
        named=heading(form["structure"]) if form["structure"] in ids and not form.as_text else "",
        catalogue_says=() if stored is not None or form.as_text else _catalogue_says(form),
    )
