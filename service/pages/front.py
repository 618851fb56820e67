"""The front page: what to do first, and where to go on."""

from __future__ import annotations

from flask import Blueprint, Response, g
from werkzeug.wrappers import Response as AnyResponse

from pawnlore.service.access.needs import NOTHING, WRITE, needs
from pawnlore.service.api.lookups import lookups
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.pages.layout import page, reader
from pawnlore.service.pages.look_up import Asked, look_up_page
from pawnlore.service.played_line import play_line

pages = Blueprint("front", __name__)
pages.record(provide_repertoires)


@pages.get("/")
@needs(NOTHING)
def front() -> AnyResponse:
    """The page to which signing in and out lead.

    Without a repertoire it says what to do first; else it is the look-up page.
    """
    known = reader()
    if known is None:
        return page("front.html", nothing_yet=False)
    # The view is open to everybody, so the guard did not say who this is.
    g.caller = known
    if known.student or repertoires().shelf.count():
        return look_up_page(Asked(repertoire=known.repertoire or ""), play_line())
    return _first_steps(notes=len(lookups().notes()), may_write=known.may(WRITE))


def _first_steps(*, notes: int, may_write: bool) -> Response:
    return page("front.html", nothing_yet=True, notes=notes, may_write=may_write)
