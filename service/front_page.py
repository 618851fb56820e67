"""The front page: who is signed in, and where to go."""

from __future__ import annotations

from html import escape

from flask import Blueprint, Response

from pawnlore.service.access.guard import guard_at_hand
from pawnlore.service.access.needs import NOTHING, needs

pages = Blueprint("front", __name__)

_PAGE = """<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Pawnlore</title>
<h1>Pawnlore</h1>
{who}
<p>Programs find what is served here in <a href="/api/openapi.json">its description</a>.</p>
</html>
"""

_SIGN_OUT = '<form method="post" action="/sign-out"><button>Sign out</button></form>'


@pages.get("/")
@needs(NOTHING)
def front() -> Response:
    """The page to which signing in and out lead."""
    known = guard_at_hand().known_caller()
    if known is None:
        who = '<p>Nobody is signed in. <a href="/sign-in">Sign in</a> with a token.</p>'
    elif known.student:
        who = f"<p>You read one repertoire, by a student link.</p>\n{_SIGN_OUT}"
    else:
        who = f"<p>Signed in as {escape(known.name)}, to {escape(known.right)}.</p>"
        who += f"\n{_SIGN_OUT}" if known.cookie else ""
    return Response(_PAGE.format(who=who), content_type="text/html; charset=utf-8")
