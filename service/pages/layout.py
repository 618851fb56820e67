"""The frame that all pages share, and what every template can use."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flask import Flask, Response, current_app, g, render_template, request
from jinja2 import StrictUndefined
from markupsafe import Markup

from pawnlore.service.access.caller import Caller
from pawnlore.service.access.guard import guard_at_hand
from pawnlore.service.access.needs import NOTHING
from pawnlore.service.api.problems import Problem
from pawnlore.service.html_text import clean
from pawnlore.service.pages.static_files import asset
from pawnlore.service.store.errors import StoreError

TEMPLATES = Path(__file__).parent / "templates"
"""Where the templates lie."""

HTML = "text/html; charset=utf-8"


@dataclass(frozen=True, slots=True)
class NavEntry:
    """One entry of the list at the head of every page."""

    label: str
    href: str
    students: bool = False
    also: str = ""
    """Another path below which this entry is where we are."""


_NAV = (
    NavEntry("Look up", "/look-up", students=True, also="/"),
    NavEntry("Repertoires", "/repertoires"),
    NavEntry("Plans", "/notes", students=True),
    NavEntry("Structures", "/structures", students=True, also="/surveys"),
    NavEntry("Model", "/model", also="/teach"),
)


def page(template: str, status: int = 200, **values: Any) -> Response:
    """A page: a template that extends ``frame.html``, with its values."""
    return Response(render_template(template, **values), status, content_type=HTML)


def wants_html() -> bool:
    """Whether the request at hand is a browser's that asks for a page.

    A program says that it takes anything, or nothing about it; it gets JSON.
    """
    if request.path.startswith("/api/"):
        return False
    accepted = request.accept_mimetypes
    named = any(kind.partition(";")[0].strip().lower() == "text/html" for kind, _ in accepted)
    return named and accepted.quality("text/html") >= accepted.quality("application/json")


def reader() -> Caller | None:
    """Who reads the page at hand; none where nobody is signed in or it cannot be told."""
    known = g.get("caller")
    if isinstance(known, Caller) and known.right != NOTHING:
        return known
    try:
        return guard_at_hand().known_caller()
    except (Problem, StoreError):
        return None


def local_path(text: str | None) -> str:
    """The path of a page of ours to go on to; the front page for anything else.

    >>> local_path("/look-up?fen=8/8"), local_path("//evil.example"), local_path("https://x.y")
    ('/look-up?fen=8/8', '/', '/')
    """
    if not text or not text.startswith("/") or text.startswith("//") or len(text) > 2000:
        return "/"
    if "\\" in text or any(ord(sign) <= 32 or ord(sign) == 127 for sign in text):
        return "/"
    return text


def navigation(known: Caller | None) -> list[tuple[NavEntry, bool]]:
    """The entries that a reader may follow, each with whether it is where we are."""
    if known is None:
        return []
    there = {rule.rule for rule in current_app.url_map.iter_rules()}
    entries = [entry for entry in _NAV if entry.href in there]
    if known.student:
        entries = [entry for entry in entries if entry.students]
        if "/repertoires/<id>" in there:
            entries.insert(1, NavEntry("Repertoire", f"/repertoires/{known.repertoire}"))
    here = request.path
    return [(entry, _is_at(here, entry.href) or _is_at(here, entry.also)) for entry in entries]


def _is_at(here: str, path: str) -> bool:
    # All paths are below the front page, which is none of theirs.
    return bool(path) and (here == path or (path != "/" and here.startswith(f"{path}/")))


def register_layout(app: Flask) -> None:
    """Give an application's templates what they use."""
    environment = app.jinja_env
    # A misspelt name is a fault that a test finds, and not an empty place.
    environment.undefined = StrictUndefined
    environment.finalize = _shown
    environment.trim_blocks = environment.lstrip_blocks = True
    environment.globals.update(asset=asset)

    @app.context_processor
    def frame_values() -> dict[str, Any]:
        known = reader()
        return {"known": known, "navigation": navigation(known), "here": request.full_path}


def _shown(value: Any) -> Any:
    """A value as it goes into a page: without characters that HTML does not allow."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return clean(value)
    return value
