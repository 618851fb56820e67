"""The guard: what every request passes before its view is called."""

from __future__ import annotations

from typing import NoReturn

from flask import Flask, g, request

from pawnlore.service.access.caller import AUTHOR, Caller
from pawnlore.service.access.host_header import answers_for, name_in
from pawnlore.service.access.needs import NOTHING, READ, Needs, needs_of
from pawnlore.service.access.same_origin import SENDER_HEADERS, is_refused
from pawnlore.service.access.secrets import digest_of, is_secret
from pawnlore.service.access.sessions import signed_in_link, signed_in_token
from pawnlore.service.api.problems import Problem
from pawnlore.service.settings import Settings, is_loopback
from pawnlore.service.store.access_shelf import AccessShelf

FORWARDED = ("Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Forwarded-Proto", "X-Real-IP")
"""Headers that a reverse proxy adds."""

REFUSED = "pawnlore.refused"
"""Where in a request's environment an error stands for which its body was not taken."""


class Guard:
    """Checks host, sender, caller and rights, in this order."""

    def __init__(self, settings: Settings, shelf: AccessShelf) -> None:
        self.settings = settings
        self.shelf = shelf

    def check(self) -> None:
        """Check the request at hand; raises `Problem` where it may not pass."""
        self._check()
        refused = request.environ.get(REFUSED)
        if refused is not None:
            # Its body is missing, so whatever the view would make of it is wrong.
            raise refused

    def _check(self) -> None:
        # Known to nobody until it is: the log looks here.
        g.caller = Caller("nobody", NOTHING)
        self._check_host()
        self._check_proxy()
        if request.endpoint is None:
            return  # There is nothing here to guard.
        view = self._needs()
        limits = self.settings.limits
        request.max_content_length = limits.pgn_bytes if view.upload else limits.body_bytes
        # What everybody may see, such as /healthz, does not wait for the store.
        known = None if view.right == NOTHING else self.known_caller()
        cookie = known is not None and known.cookie
        sent = {name: request.headers.get(name, "") for name in SENDER_HEADERS}
        origin = f"{request.scheme}://{request.headers.get('Host', '')}"
        if is_refused(request.method, sent, origin, cookie=cookie):
            raise Problem(
                403,
                "This request was sent by a page of another site, or does not say by which page. "
                "Use the service's own pages; a program signs in with the header Authorization.",
                kind="other-site",
            )
        if view.right == NOTHING:
            return
        if known is None:
            _not_signed_in("Nobody is signed in.")
        g.caller = known
        _check_right(known, view)

    def token_caller(self, secret: str) -> tuple[Caller, str] | None:
        """Who a token or a link's secret stands for, with its digest."""
        if not is_secret(secret):
            return None
        digest = digest_of(secret)
        found = self._by_token(digest, cookie=False) or self._by_link(digest, cookie=False)
        return (found, digest) if found else None

    def _check_host(self) -> None:
        name = name_in(request.headers.get("Host", ""))
        if name is None:
            raise Problem(400, "The request needs one Host header that names a machine.")
        if not answers_for(name, self.settings):
            raise Problem(
                421,
                f"This service does not answer under the name {name}. Where that name is its own, "
                f"start it with 'pawnlore serve --name {name}'.",
                kind="wrong-host",
            )

    def _check_proxy(self) -> None:
        # Behind a proxy everybody seems to come from this machine.
        if self.settings.needs_sign_in or not any(name in request.headers for name in FORWARDED):
            return
        raise Problem(
            403,
            "This request came through a proxy, but the service was started for this machine "
            "alone. Start it with 'pawnlore serve --trusted-proxy ADDRESS' and set up access.",
            kind="not-allowed",
        )

    def _needs(self) -> Needs:
        from flask import current_app

        # An automatic answer to OPTIONS tells methods only, and calls no view.
        return needs_of(current_app.view_functions[request.endpoint or ""], request.method)

    def known_caller(self) -> Caller | None:
        """Whoever shows a token, a cookie, or is the author at the machine itself."""
        header = request.headers.get("Authorization")
        if header is not None:
            return self._bearer(header)
        digest = signed_in_token()
        if digest is not None and (found := self._by_token(digest, cookie=True)):
            return found
        digest = signed_in_link()
        if digest is not None and (found := self._by_link(digest, cookie=True)):
            return found
        if not self.settings.needs_sign_in and is_loopback(request.remote_addr or ""):
            return AUTHOR
        return None

    def _bearer(self, header: str) -> Caller:
        scheme, _, secret = header.partition(" ")
        if scheme.lower() != "bearer":
            _not_signed_in("The header Authorization must hold 'Bearer' and a token.")
        found = self.token_caller(secret.strip())
        if found is None:
            _not_signed_in("The token is not known, or was revoked.", error="invalid_token")
        return found[0]

    def _by_token(self, digest: str, *, cookie: bool) -> Caller | None:
        token = self.shelf.token_of(digest)
        return None if token is None else Caller(token.name, token.rights, cookie=cookie)

    def _by_link(self, digest: str, *, cookie: bool) -> Caller | None:
        link = self.shelf.link_of(digest)
        return None if link is None else Caller("student", READ, link.repertoire, cookie)


def _check_right(known: Caller, view: Needs) -> None:
    if known.student:
        if not view.students:
            raise Problem(403, "A student link does not reach this.", kind="not-allowed")
        if view.argument is not None:
            named = (request.view_args or {}).get(view.argument)
            if named != known.repertoire:
                raise Problem(404, "There is no such repertoire.")
    if not known.may(view.right):
        raise Problem(403, "This token may read but not write.", kind="not-allowed")


def _not_signed_in(detail: str, *, error: str = "") -> NoReturn:
    # RFC 9110, section 11.6.1 asks for the header; RFC 6750, section 3 gives its form.
    challenge = 'Bearer realm="pawnlore"' + (f', error="{error}"' if error else "")
    raise Problem(
        401,
        f"{detail} Send a token in the header 'Authorization: Bearer …', or sign in at /sign-in; "
        "tokens are made with 'pawnlore access token add'.",
        kind="not-signed-in",
        headers={"WWW-Authenticate": challenge},
    )


def register_guard(app: Flask, guard: Guard) -> None:
    """Let every request of an application pass the guard first."""
    app.before_request(guard.check)
    app.extensions["pawnlore_guard"] = guard


def guard_at_hand() -> Guard:
    """The guard of the application at hand."""
    from flask import current_app

    found = current_app.extensions["pawnlore_guard"]
    assert isinstance(found, Guard)
    return found
