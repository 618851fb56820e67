"""What a trusted reverse proxy says of a request: from where it came, and whether over TLS."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from waitress.proxy_headers import (
    PROXY_HEADERS,
    MalformedProxyHeader,
    clear_untrusted_headers,
    parse_proxy_headers,
)

from pawnlore.service.access.guard import REFUSED
from pawnlore.service.api.problems import Problem

Wsgi = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]
"""A WSGI application."""

_TRUSTED = frozenset(("x-forwarded-for", "x-forwarded-proto"))


def behind_proxy(app: Wsgi, proxy: str) -> Wsgi:
    """An application that believes the proxy at one address, and nobody else.

    Waitress has this as well, but tells a malformed header in a form of its own.
    """

    def believing(environ: dict[str, Any], start: Callable[..., Any]) -> Iterable[bytes]:
        untrusted: Any = PROXY_HEADERS
        if environ["REMOTE_ADDR"] == proxy:
            try:
                untrusted = parse_proxy_headers(environ, 1, set(_TRUSTED))
            except MalformedProxyHeader as error:
                environ[REFUSED] = Problem(400, f"The header {error.header} is malformed.")
        clear_untrusted_headers(environ, untrusted)
        return app(environ, start)

    return believing
