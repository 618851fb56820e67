"""The sign-in cookie of browsers.

It holds the digest of the secret that was signed in with, signed with a key of
the service's own. The token itself does not stay in the browser, and a revoked
token ends its sign-ins at once, because it is looked up each time.
"""

from __future__ import annotations

from datetime import timedelta

from flask import Flask, request, session
from flask.sessions import SecureCookieSessionInterface

LIFETIME = timedelta(days=30)
"""How long a sign-in lasts."""

NAME = "pawnlore"
_TOKEN, _LINK = "token", "link"


class CookieSessions(SecureCookieSessionInterface):
    """Flask's signed cookie, with attributes that depend on the request."""

    def get_cookie_name(self, app: Flask) -> str:
        """Over TLS a name that browsers take from this very host only (RFC 6265bis)."""
        return f"__Host-{NAME}" if request.is_secure else NAME

    def get_cookie_secure(self, app: Flask) -> bool:
        """Never sent in the clear where it was got over TLS."""
        return bool(request.is_secure)

    def get_cookie_samesite(self, app: Flask) -> str:
        """Strict for authors; Lax for students.

        A student follows a link from a message or another site. A strict cookie
        that is set then is not sent to the page which that link leads to, and a
        student can change nothing anyway.
        """
        return "Lax" if _LINK in session else "Strict"


def use_cookie_sessions(app: Flask, key: bytes) -> None:
    """Let an application keep sign-ins in cookies signed with ``key``."""
    app.secret_key = key
    app.session_interface = CookieSessions()
    app.config.update(
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_REFRESH_EACH_REQUEST=False,
        PERMANENT_SESSION_LIFETIME=LIFETIME,
    )


def sign_in_token(digest: str) -> None:
    """Remember in the browser that it showed this token."""
    _only(_TOKEN, digest)


def sign_in_link(digest: str) -> None:
    """Remember in the browser that it followed this student link."""
    _only(_LINK, digest)


def sign_out() -> None:
    """Forget whoever was signed in."""
    session.clear()


def signed_in_token() -> str | None:
    """The digest of the token that this browser is signed in with."""
    found = session.get(_TOKEN)
    return found if isinstance(found, str) else None


def signed_in_link() -> str | None:
    """The digest of the student link that this browser followed."""
    found = session.get(_LINK)
    return found if isinstance(found, str) else None


def _only(kind: str, digest: str) -> None:
    session.clear()
    session[kind] = digest
    session.permanent = True
