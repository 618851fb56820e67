"""``/teach/next``: what to label next, one position at a time, each answered with one key."""

from __future__ import annotations

from flask import Blueprint, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import WRITE, needs
from pawnlore.service.api.problems import Problem
from pawnlore.service.pages.label_form import shown_label
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.own_names import own_names
from pawnlore.service.pages.question_view import OTHER_KEY, PASS_KEY, question_view
from pawnlore.service.pages.teach_desk import pages_desk, provide_desk
from pawnlore.service.running import running
from pawnlore.service.store.errors import NotFound, Refused
from pawnlore.service.store.label_shelf import LabelShelf, StaleLabel
from pawnlore.structures.position_check import skeleton_of_line
from pawnlore.structures.skeleton import SkeletonError, skeleton_from_fen

pages = Blueprint("teach-next", __name__)
pages.record(provide_desk)

REASON = "asked"
"""The reason of a label that answers a question."""


@pages.get("/teach/next")
@needs(WRITE)
def ask() -> AnyResponse:
    """The next question, and what was said last, should it be taken back."""
    names = own_names()
    found, waiting, refused = None, 0, ""
    try:
        found, waiting = pages_desk().question()
    except Refused as error:
        text = str(error)
        refused = f"{text[:1].upper()}{text[1:]}."
    last = None
    if "last" in request.args:
        try:
            stored = LabelShelf(running().store).get(request.args["last"])
        except NotFound:
            stored = None
        if stored is not None and stored.fen:
            skeleton = skeleton_from_fen(stored.fen)
            last = (shown_label(stored, skeleton, names), stored.fen)
    return page(
        "teach/next.html",
        question=None if found is None else question_view(found, names),
        waiting=waiting,
        refused=refused,
        last=last,
        other_key=OTHER_KEY,
        pass_key=PASS_KEY,
    )


@pages.post("/teach/next")
@needs(WRITE)
def answer() -> AnyResponse:
    """Keep an answer as a label, or pass the question over."""
    fen = " ".join(request.form.get("fen", "")[:200].split())
    try:
        skeleton = skeleton_of_line(fen)
    except SkeletonError as error:
        raise Problem(422, f"The position cannot be read: {error}.", kind="invalid") from None
    said = request.form.get("answer", "")
    if said == "pass":
        pages_desk().desk.asked.pass_over((skeleton.white, skeleton.black), author=caller().name)
        return redirect("/teach/next", 303)
    structure, _, holder = said.rpartition(" ")
    known = running().classifier.catalogue.ids
    if structure not in (*known, "unsettled", *own_names()):
        raise Problem(422, "There is no structure of that name.", kind="invalid")
    try:
        kept = LabelShelf(running().store).put(
            (skeleton.white, skeleton.black),
            structure,
            holder,
            fen=fen,
            reason=REASON,
            author=caller().name,
            expected_revision=0,
        )
    except StaleLabel as error:
        # Somebody else answered first; theirs stands, and is shown.
        return redirect(f"/teach/next?last={error.current.id}", 303)
    return redirect(f"/teach/next?last={kept.id}", 303)
