"""``/repertoires/<id>/beside``: what students will meet in games, and what no line answers."""

from __future__ import annotations

from flask import Blueprint, Response, request
from markupsafe import Markup

from pawnlore.service.access.needs import READ, needs
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.pages.beside_rows import PARTS, Nodes, beside_part, followed_in_words
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.paging import page_number
from pawnlore.service.pages.survey_rows import THIN
from pawnlore.service.running import running
from pawnlore.service.store.survey_shelf import SurveyShelf
from pawnlore.service.survey.answer_figures import group_figure

pages = Blueprint("beside_games", __name__)
pages.record(provide_repertoires)

_BARS = 12


@pages.get("/repertoires/<id>/beside")
@needs(READ)
def beside(id: str) -> Response:
    """A repertoire beside the games of a survey."""
    opened = repertoires().desk.open(id)
    shelf = SurveyShelf(running().store)
    found = shelf.besides(repertoire=opened.stored.id)
    if not found:
        return page(
            "repertoires/beside.html", stored=opened.stored, besides=[], one=None, chosen=""
        )
    asked = request.args.get("survey", "")
    one = next((one for one in found if asked in ("", one.survey)), None)
    if one is None:
        raise Problem(404, "That survey was not set beside this repertoire.")
    chosen = request.args.get("part", "")
    chosen = chosen if chosen in PARTS else ""
    number = page_number(request.args.get("page"))
    nodes = Nodes(opened.work if one.current else None)
    parts, plot = [], Markup("")
    tables = (
        {chosen: shelf.beside_table(one.survey, one.repertoire, chosen)}
        if chosen
        else shelf.beside_tables(one.survey, one.repertoire)
    )
    for name in tables if chosen else PARTS:
        table = tables[name]
        parts.append(beside_part(name, table, nodes, page=number if chosen else 0))
        if name == "groups" and table.rows:
            # A plot has names for people; one that is in no catalogue stands for itself.
            rows = [
                {**row, "structure": opened.work.name_of(row["structure"])}
                for row in sorted(table.rows, key=lambda row: -row["games"])
            ]
            # Drawn by our own code, which escapes every text.
            plot = Markup(group_figure(rows, _BARS, narrow=True))
    return page(
        "repertoires/beside.html",
        stored=opened.stored,
        besides=found,
        one=one,
        parts=parts,
        plot=plot,
        chosen=chosen,
        followed=followed_in_words(one.followed, one.games),
        thin=THIN,
    )
