"""Style sheets, scripts and pictures of the pages, at addresses that change with them.

All files share one digest in their address, so that a script can import its
neighbour by name and both are of one release. A browser keeps them for a year.
"""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

from flask import Blueprint, Response, redirect
from werkzeug.wrappers import Response as AnyResponse

from pawnlore.service.access.needs import NOTHING, needs
from pawnlore.service.api.problems import Problem

pages = Blueprint("static-files", __name__)

FOLDER = Path(__file__).parent / "static"
"""Where they lie."""

_TYPES = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}


@cache
def _files() -> dict[str, bytes]:
    return {
        path.name: path.read_bytes()
        for path in sorted(FOLDER.iterdir())
        if path.is_file() and path.suffix in _TYPES
    }


@cache
def _digest() -> str:
    whole = hashlib.sha256()
    for name, content in _files().items():
        whole.update(f"{name} {len(content)}\n".encode())
        whole.update(content)
    return whole.hexdigest()[:16]


def asset(name: str) -> str:
    """The address of a file; raises `KeyError` where there is none of that name.

    >>> asset("book.css").startswith("/static/") and asset("book.css").endswith("/book.css")
    True
    """
    if name not in _files():
        raise KeyError(name)
    return f"/static/{_digest()}/{name}"


@pages.get("/static/<digest>/<name>")
@needs(NOTHING)
def static_file(digest: str, name: str) -> AnyResponse:
    """One file. A page that was opened before an upgrade is sent on to the new one."""
    content = _files().get(name)
    if content is None:
        raise Problem(404, "There is no such file.")
    if digest != _digest():
        return redirect(asset(name), 302)
    response = Response(content, content_type=_TYPES[Path(name).suffix])
    response.headers["Cache-Control"] = "public, max-age=31536000, immutable"
    return response
