"""``/surveys``: surveys that are kept, and what each tells of every structure."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, Response, redirect, request, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response as AnyResponse

from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs
from pawnlore.service.api.problems import Problem
from pawnlore.service.pages.group_keys import HOLDERS, heading
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.paging import page_number, paging
from pawnlore.service.pages.survey_rows import (
    MANY,
    PARTS,
    THIN,
    measure,
    structure_rows,
    survey_part,
)
from pawnlore.service.running import running
from pawnlore.service.store.survey_shelf import WHOLE, SurveyShelf
from pawnlore.service.survey.answer_figures import (
    frequency_figure,
    ply_figure,
    rating_figure,
    score_figure,
)
from pawnlore.structures.skeleton import skeleton_from_fen

pages = Blueprint("surveys", __name__)

LISTED = 40
"""Surveys on one page of the list."""

_BARS = 12


@pages.get("/surveys")
@needs(READ)
def listed() -> Response:
    """The surveys that are kept, or how to keep one."""
    found = list(reversed(_shelf().list()))
    part = paging(len(found), page_number(request.args.get("page")), LISTED)
    return page("surveys/list.html", surveys=found[part.start : part.end], part=part)


@pages.get("/surveys/<id>")
@needs(READ)
def survey(id: str) -> Response:
    """One survey: how often games come to each structure, and how it scores."""
    shelf = _shelf()
    kept = shelf.get(id)
    table = shelf.table(kept.id, WHOLE)
    part = paging(len(table.rows), page_number(request.args.get("page")), MANY)
    plots: tuple[Markup, ...] = ()
    if part.number == 1 and table.rows:
        drawn = (draw(table.rows, _BARS, narrow=True) for draw in (frequency_figure, score_figure))
        # Drawn by our own code, which escapes every text.
        plots = tuple(Markup(one) for one in drawn)
    return page(
        "surveys/survey.html",
        survey=kept,
        rows=structure_rows(table.rows[part.start : part.end]),
        part=part,
        plots=plots,
        besides=shelf.besides(survey=kept.id),
        other_model=kept.described.get("model") != running().classifier.digest,
        thin=THIN,
        may_write=caller().may(WRITE),
    )


@pages.post("/surveys/<id>/delete")
@needs(WRITE)
def delete(id: str) -> AnyResponse:
    """Delete a survey."""
    _shelf().delete(id)
    return redirect(url_for("surveys.listed"), 303)


@pages.get("/surveys/<id>/structures/<path:structure>")
@needs(READ)
def structure(id: str, structure: str) -> Response:
    """What a survey tells of one structure."""
    shelf = _shelf()
    kept = shelf.get(id)
    held = shelf.table(kept.id, WHOLE, structure).rows
    asked = request.args.get("holder", "")
    row = next((one for one in held if asked in ("", one["holder"])), None)
    if row is None:
        raise Problem(404, "No game of this survey holds that structure with that holder.")
    holder = row["holder"]
    chosen = request.args.get("part", "")
    number = page_number(request.args.get("page"))
    parts, plots = [], {}
    tables = shelf.about(kept.id, structure)
    for name in (chosen,) if chosen in PARTS else PARTS:
        table = tables[name]
        rows = [one for one in table.rows if one["holder"] == holder]
        if not rows:
            continue
        parts.append(survey_part(name, rows, table.left_out, page=number if chosen else 0))
        draw = {"by_ply": ply_figure, "by_rating": rating_figure}.get(name)
        if draw is not None:
            plots[name] = Markup(draw(structure, holder, rows[:_BARS], narrow=True))
    return page(
        "surveys/structure.html",
        survey=kept,
        structure=structure,
        name=heading(structure),
        holder=holder,
        holders=[(one["holder"], HOLDERS[one["holder"]], one["games"]) for one in held],
        row=row,
        share=measure(row, "share"),
        score=measure(row, "score"),
        draws=measure(row, "draws"),
        parts=parts,
        plots=plots,
        chosen=chosen if chosen in PARTS else "",
        thin=THIN,
        **_pawns(structure, holder),
    )


def _pawns(structure: str, holder: str) -> dict[str, Any]:
    """A model of a structure's pawns, where it is one of the catalogue."""
    families = running().classifier.catalogue
    if structure not in families.ids:
        return {"skeleton": None, "in_catalogue": False}
    skeleton = skeleton_from_fen(families[structure].model)
    return {
        "skeleton": skeleton.mirrored() if holder == "black" else skeleton,
        "in_catalogue": True,
    }


def _shelf() -> SurveyShelf:
    return SurveyShelf(running().store)
