"""The front page: what to do first, and where to go on."""

from __future__ import annotations

from flask import Blueprint, Response

from pawnlore.service.access.needs import NOTHING, needs
from pawnlore.service.pages.layout import page

pages = Blueprint("front", __name__)


@pages.get("/")
@needs(NOTHING)
def front() -> Response:
    """The page to which signing in and out lead."""
    return page("front.html")
