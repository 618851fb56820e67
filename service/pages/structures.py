"""``/structures``: the catalogue, what each structure is, and what is done in it."""

from __future__ import annotations

from flask import Blueprint, Response, request

from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs, students_may
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.readers import readers_notes
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.exports.explanation_text import core_in_words
from pawnlore.service.pages.group_keys import HOLDERS, heading
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.look_up_view import lines_with
from pawnlore.service.pages.paging import page_number, paging
from pawnlore.service.pages.survey_line import survey_line
from pawnlore.service.played_line import play_line
from pawnlore.service.running import running
from pawnlore.structures.catalogue import UNSETTLED, Family
from pawnlore.structures.plan_texts import plan_texts
from pawnlore.structures.skeleton import skeleton_from_fen
from pawnlore.structures.verdict import Verdict

pages = Blueprint("structures", __name__)
pages.record(provide_repertoires)

ROWS = 36
"""Structures on one page of the catalogue."""

_MOST_REPERTOIRES = 8
_MOST_NOTES = 40
_WORDS_LENGTH = 100


@pages.get("/structures")
@students_may()
@needs(READ)
def catalogue() -> Response:
    """The structures by rank, all of them or those whose name or definition has some words."""
    words = request.args.get("words", "")[:_WORDS_LENGTH].strip()
    families = [one for one in running().classifier.catalogue.families if _has(one, words)]
    part = paging(len(families), page_number(request.args.get("page")), ROWS)
    listed = [
        (one, heading(one.id), skeleton_from_fen(one.model))
        for one in families[part.start : part.end]
    ]
    return page("structures.html", listed=listed, part=part, words=words)


@pages.get("/structures/<path:id>")
@students_may()
@needs(READ)
def structure(id: str) -> Response:
    """One structure."""
    families = running().classifier.catalogue
    if id not in families.ids:
        raise Problem(404, "There is no structure of that name in the catalogue.")
    family = families[id]
    texts = plan_texts(id)
    known = caller()
    shelf, desk = repertoires().shelf, repertoires().desk
    if known.repertoire is not None:
        stored = [shelf.get(known.repertoire)]
    else:
        stored = shelf.list(limit=_MOST_REPERTOIRES)
    asked = Verdict(id, "both" if family.shared else "white", 1.0, True, UNSETTLED, "both", 0.0)
    return page(
        "structure.html",
        family=family,
        name=heading(id),
        skeleton=skeleton_from_fen(family.model),
        core=core_in_words(family.core, asked.holder),
        holder=HOLDERS[asked.holder],
        texts=texts,
        line=" ".join(play_line("", texts.model_line).numbered()) if texts else "",
        same=lines_with((desk.open(one.id) for one in stored), asked),
        in_games=survey_line(id),
        notes=readers_notes().on(id)[:_MOST_NOTES],
        student=known.student,
        may_write=known.may(WRITE) and not known.student,
    )


def _has(family: Family, words: str) -> bool:
    text = f"{family.name} {family.id} {family.definition} {' '.join(family.openings)}".casefold()
    return all(word in text for word in words.casefold().split())
