"""Forms: a key in each, so that only our own pages can send one (CSRF).

A random cookie is kept in the browser, and each form holds a code made of that
cookie, of who is signed in, and of the service's signing key. Another site can
neither read the cookie nor make the code. This stands beside the check of the
sender's origin, which refuses most forgeries before.

What is sent as JSON, or with a token in a header, needs no key: a page of
another site cannot send that without asking first, and is then told no.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets

from flask import Flask, Response, current_app, g, request
from markupsafe import Markup

from pawnlore.service.access.sessions import LIFETIME, signed_in_link, signed_in_token
from pawnlore.service.api.problems import Problem

FIELD = "form_key"
"""The field of a form that holds its key."""

HEADER = "X-Form-Key"
"""Where a script sends the key that it found in the page."""

# What a form, or a script that may not ask us first, can send from any site
# (Fetch standard, "CORS-safelisted request-header"); it may also say nothing.
_SENT_BY_FORMS = ("application/x-www-form-urlencoded", "multipart/form-data", "text/plain", "")

_COOKIE = "pawnlore-form"
_BYTES = 24


def form_key() -> str:
    """The key for the forms of the page at hand."""
    seed = _seed() or g.get("new_form_seed")
    if not seed:
        seed = g.new_form_seed = secrets.token_urlsafe(_BYTES)
    return _code(seed)


def csrf_field() -> Markup:
    """The hidden field that every form with ``method="post"`` must hold."""
    return Markup('<input type="hidden" name="{}" value="{}">').format(FIELD, form_key())


def check_form() -> None:
    """Refuse a form of the request at hand that did not come from a page of ours.

    Raises `Problem` 403 of kind ``form``.
    """
    if (
        request.method != "POST"
        or request.mimetype not in _SENT_BY_FORMS
        or request.endpoint is None
        or request.path.startswith("/api/")
        or "Authorization" in request.headers
    ):
        return
    given = request.headers.get(HEADER) or request.form.get(FIELD, "")
    seed = _seed()
    if seed and hmac.compare_digest(given.encode(), _code(seed).encode()):
        return
    raise Problem(
        403,
        "This form was opened too long ago, or before somebody signed in or out in this browser. "
        "Nothing was changed.",
        kind="form",
    )


def register_forms(app: Flask) -> None:
    """Let an application check every form; after the guard, which must come first."""
    app.before_request(check_form)
    app.after_request(_keep_seed)
    app.jinja_env.globals.update(csrf_field=csrf_field, form_key=form_key)


def _cookie_name() -> str:
    return f"__Host-{_COOKIE}" if request.is_secure else _COOKIE


def _seed() -> str:
    return request.cookies.get(_cookie_name(), "")


def _code(seed: str) -> str:
    who = signed_in_token() or signed_in_link() or ""
    key = current_app.secret_key
    assert isinstance(key, bytes)
    return hmac.new(key, f"form {seed} {who}".encode(), hashlib.sha256).hexdigest()


def _keep_seed(response: Response) -> Response:
    seed = g.get("new_form_seed")
    if seed:
        response.set_cookie(
            _cookie_name(),
            seed,
            max_age=LIFETIME,
            secure=request.is_secure,
            httponly=True,
            # A link from elsewhere must find the same cookie, or it would make a
            # new one and with it spoil the forms in other tabs.
            samesite="Lax",
        )
    return response
