"""Signing in and out, and where a student link leads."""

from __future__ import annotations

from flask import Blueprint, Response, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from pawnlore.service.access.guard import guard_at_hand
from pawnlore.service.access.needs import NOTHING, needs
from pawnlore.service.access.sessions import sign_in_link, sign_in_token, sign_out
from pawnlore.service.api.json_body import json_object
from pawnlore.service.api.problems import Problem
from pawnlore.service.pages.layout import local_path, page

pages = Blueprint("access", __name__)

_UNKNOWN_TOKEN = (
    "The token is not known, or was revoked. "
    "Look whether all of it was copied, or ask for a new one."
)


@pages.get("/sign-in")
@needs(NOTHING)
def form() -> Response:
    """The page to sign in on."""
    return page("sign_in.html", next=local_path(request.args.get("next")), fault="")


@pages.post("/sign-in")
@needs(NOTHING)
def sign_in() -> AnyResponse:
    """Sign this browser in with a token, from the form or from JSON ``{"token": …}``."""
    json = request.mimetype == "application/json"
    token = json_object().get("token") if json else request.form.get("token")
    found = guard_at_hand().token_caller(token.strip()) if isinstance(token, str) else None
    if (found is None or found[0].student) and not json:
        return page(
            "sign_in.html", 403, next=local_path(request.form.get("next")), fault=_UNKNOWN_TOKEN
        )
    if found is None or found[0].student:
        raise Problem(
            403,
            _UNKNOWN_TOKEN,
            kind="not-allowed",
        )
    sign_in_token(found[1])
    return Response(status=204) if json else redirect(local_path(request.form.get("next")), 303)


@pages.post("/sign-out")
@needs(NOTHING)
def leave() -> AnyResponse:
    """Forget who was signed in."""
    sign_out()
    return Response(status=204) if request.mimetype == "application/json" else redirect("/", 303)


@pages.get("/study/<secret>")
@needs(NOTHING)
def study(secret: str) -> AnyResponse:
    """Follow a student link to its repertoire, which alone this browser may read from now on."""
    found = guard_at_hand().token_caller(secret)
    if found is None or not found[0].student:
        raise Problem(404, "This link is not known, or was revoked. Ask for a new one.")
    sign_in_link(found[1])
    return redirect(f"/repertoires/{found[0].repertoire}", 303)
