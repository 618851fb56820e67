"""``/repertoires/<id>`` and below it ``/groups``: middlegame types, and the lines of each."""

from __future__ import annotations

from flask import Blueprint, Response, request

from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs, students_may
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.readers import readers_notes
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.exports.split import author_of
from pawnlore.service.pages.group_cards import BY_SIZE, TO_TEACH, group_cards
from pawnlore.service.pages.group_filter import chapter_name, filter_choices, group_filter
from pawnlore.service.pages.group_keys import find_group
from pawnlore.service.pages.group_lines import group_lines
from pawnlore.service.pages.group_notes import plans_of_group
from pawnlore.service.pages.group_view import group_view
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.paging import page_number
from pawnlore.service.pages.repertoire_summary import repertoire_summary
from pawnlore.service.pages.survey_line import survey_line
from pawnlore.structures.catalogue import Family, shipped_catalogue
from pawnlore.structures.prose_mirror import told_for
from pawnlore.structures.skeleton import placement

pages = Blueprint("groups", __name__)
pages.record(provide_repertoires)


@pages.get("/repertoires/<id>")
@needs(READ)
@students_may("id")
def overview(id: str) -> Response:
    """The groups of a repertoire by middlegame type."""
    opened = repertoires().desk.open(id)
    work = opened.work
    asked = group_filter(request.args)
    order = TO_TEACH if request.args.get("order") == TO_TEACH else BY_SIZE
    index = readers_notes()
    cards = group_cards(
        work,
        [known.note for known in index],
        asked,
        order=order,
        page=page_number(request.args.get("page")),
    )
    return page(
        "repertoires/groups.html",
        stored=opened.stored,
        summary=repertoire_summary(work),
        cards=cards,
        asked=asked,
        choices=filter_choices(work, asked),
        order=order,
        problem_count=len(work.book.problems) + work.book.unnamed_problems,
        student=caller().student,
        may_write=caller().may(WRITE),
    )


@pages.get("/repertoires/<id>/groups/<path:structure>/<holder>")
@needs(READ)
@students_may("id")
def group(id: str, structure: str, holder: str) -> Response:
    """One group: its pawns, plans and lines."""
    opened = repertoires().desk.open(id)
    work = opened.work
    whose = request.args.get("whose", "")
    place = find_group(work.groups, structure, holder, whose)
    if place is None:
        raise Problem(
            404,
            "No lines of this repertoire lead to that structure with that holder. "
            "Its page shows the middlegame types that there are.",
        )
    chapter = chapter_name(request.args.get("chapter", ""))
    view = group_view(work, place, routes_page=page_number(request.args.get("chapters")))
    lines = group_lines(
        work, view.group, chapter=chapter, page=page_number(request.args.get("page"))
    )
    side = author_of(view.group, work.side.side) or ""
    return page(
        "repertoires/group.html",
        stored=opened.stored,
        view=view,
        lines=lines,
        chapter=chapter,
        side=side,
        plans=plans_of_group(readers_notes(), view.group, view.skeleton, side),
        drawn=placement(view.skeleton) if view.skeleton else "",
        family=(family := _family(structure)),
        definition=told_for(family.definition, holder) if family else "",
        in_games=survey_line(structure, holder) if view.group.settled else None,
        student=caller().student,
        may_write=caller().may(WRITE),
    )


def _family(structure: str) -> Family | None:
    try:
        return shipped_catalogue()[structure]
    except KeyError:
        return None
