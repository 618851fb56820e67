"""``/repertoires/uploads/<job>``: how far an upload is, and what came of it."""

from __future__ import annotations

from flask import Blueprint, Response

from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.repertoire_summary import SIDES
from pawnlore.service.pages.upload_report import upload_report
from pawnlore.service.store.errors import NotFound
from pawnlore.service.upload_jobs import KIND

pages = Blueprint("uploads", __name__)
pages.record(provide_repertoires)


@pages.get("/repertoires/uploads/<job>")
@needs(READ)
def upload(job: str) -> Response:
    """One upload."""
    found = repertoires().jobs.get(job)
    if found.kind != KIND:
        raise Problem(404, "There is no such upload.")
    report = upload_report(found)
    stored = None
    if report.repertoire:
        try:
            stored = repertoires().shelf.get(report.repertoire)
        except NotFound:
            stored = None  # deleted since
    side = SIDES[repertoires().desk.open(stored.id).work.side.side] if stored else ""
    response = page(
        "repertoires/upload.html",
        report=report,
        stored=stored,
        side=side,
        guessed=stored is not None and not stored.side,
        may_write=caller().may(WRITE),
    )
    response.headers["Cache-Control"] = "no-store"
    return response
