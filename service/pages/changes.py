"""``/repertoires/<id>/changes`` and ``/problems``: what an upload changed, and could not read."""

from __future__ import annotations

from flask import Blueprint, Response, request

from pawnlore.service.access.needs import READ, needs
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.deadline import Deadline
from pawnlore.service.pages.change_rows import KINDS, change_page, packed_changes
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.paging import page_number, paging
from pawnlore.service.pages.upload_report import SHOWN, problem_rows
from pawnlore.service.running import running

pages = Blueprint("changes", __name__)
pages.record(provide_repertoires)


@pages.get("/repertoires/<id>/changes")
@needs(READ)
def changes(id: str) -> Response:
    """What the last upload changed."""
    parts = repertoires()
    opened = parts.desk.open(id)
    deadline = Deadline.after(running().settings.limits.work_seconds)
    packed = opened.rows(
        "changes",
        lambda: packed_changes(parts.shelf.changes(id, of="upload"), opened.work.book),
        deadline.check,
    )
    what = request.args.get("what", "")
    what = what if what in KINDS else ""
    placed = {game.chapter for game in opened.work.book.games if game.fen}
    found = change_page(packed, what, page_number(request.args.get("page")), placed=placed)
    return page("repertoires/changes.html", stored=opened.stored, found=found, what=what)


@pages.get("/repertoires/<id>/problems")
@needs(READ)
def problems(id: str) -> Response:
    """What could not be read of a repertoire's files."""
    opened = repertoires().desk.open(id)
    book = opened.work.book
    paged = paging(len(book.problems), page_number(request.args.get("page")), SHOWN)
    return page(
        "repertoires/problems.html",
        stored=opened.stored,
        rows=problem_rows(book.problems[paged.start : paged.end]),
        paging=paged,
        unnamed=book.unnamed_problems,
    )
