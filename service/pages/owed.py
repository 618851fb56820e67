"""``/repertoires/<id>/owed``, ``/move-order``, ``/reminders``, ``/load``: lists of what to do."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, Response, request

from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs
from pawnlore.service.api.lookups import lookups
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.exports.owed_table import TITLES
from pawnlore.service.pages.debt_rows import debt_page
from pawnlore.service.pages.group_filter import (
    MOST_CHAPTERS,
    GroupFilter,
    chapter_name,
    filter_choices,
)
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.load_rows import CHAPTERS, PARTS, load_page
from pawnlore.service.pages.paging import page_number
from pawnlore.service.pages.reminder_rows import (
    KINDS,
    ORDERS,
    order_page,
    order_summary,
    reminder_page,
)
from pawnlore.service.repertoire_desk import OpenRepertoire

pages = Blueprint("owed", __name__)
pages.record(provide_repertoires)


@pages.get("/repertoires/<id>/owed")
@needs(READ)
def owed_list(id: str) -> Response:
    """What the author still owes, the most pressing first."""
    opened = repertoires().desk.open(id)
    chapter, kind = _asked(TITLES)
    may_write = caller().may(WRITE)
    return page(
        "repertoires/owed.html",
        found=debt_page(
            opened.work,
            lookups().notes(),
            kind=kind,
            chapter=chapter,
            page=_number(),
            may_write=may_write,
        ),
        **_shared(opened, chapter, kind),
    )


@pages.get("/repertoires/<id>/move-order")
@needs(READ)
def move_order(id: str) -> Response:
    """Which of our moves must come first."""
    opened = repertoires().desk.open(id)
    chapter, kind = _asked(ORDERS)
    return page(
        "repertoires/move_order.html",
        found=order_page(opened.work, kind=kind, chapter=chapter, page=_number()),
        summary=order_summary(opened.work),
        **_shared(opened, chapter, kind),
    )


@pages.get("/repertoires/<id>/reminders")
@needs(READ)
def reminder_list(id: str) -> Response:
    """Reminders, warnings and only moves."""
    opened = repertoires().desk.open(id)
    chapter, kind = _asked(KINDS)
    return page(
        "repertoires/reminders.html",
        found=reminder_page(opened.work, kind=kind, chapter=chapter, page=_number()),
        titles=KINDS,
        **_shared(opened, chapter, kind),
    )


@pages.get("/repertoires/<id>/load")
@needs(READ)
def load(id: str) -> Response:
    """How much there is to remember."""
    opened = repertoires().desk.open(id)
    chapter, part = _asked(PARTS)
    part = part or CHAPTERS
    return page(
        "repertoires/load.html",
        found=load_page(opened.work, part, chapter=chapter, page=_number()),
        parts=PARTS,
        part=part,
        **_shared(opened, chapter, part),
    )


def _asked(kinds: dict[str, str]) -> tuple[str, str]:
    """The chapter and the kind that the address asks for; a kind that there is not is all."""
    kind = request.args.get("kind", "")
    return chapter_name(request.args.get("chapter", "")), kind if kind in kinds else ""


def _number() -> int:
    return page_number(request.args.get("page"))


def _shared(opened: OpenRepertoire, chapter: str, kind: str) -> dict[str, Any]:
    """What the templates of all four pages show beside their rows."""
    return {
        "stored": opened.stored,
        "chapter": chapter,
        "kind": kind,
        "chapters": filter_choices(opened.work, GroupFilter(chapter)).chapters,
        "most_chapters": MOST_CHAPTERS,
    }
