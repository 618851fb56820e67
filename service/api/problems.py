"""Problem details: how the service tells an error, after RFC 9457.

Every error that a caller can meet, also those of the web framework, is an
``application/problem+json`` document. ``type`` is ``about:blank`` where the
status says it all (RFC 9457, section 4.2.1), else the path of one of `KINDS`
below ``/problems/``.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Mapping
from http import HTTPStatus
from typing import Any

from flask import Blueprint, Flask, Response, abort, current_app, g, request
from werkzeug.exceptions import HTTPException
from werkzeug.exceptions import RequestEntityTooLarge as TooLarge

from pawnlore.service.access.needs import NOTHING, needs

CONTENT_TYPE = "application/problem+json"

KINDS: dict[str, tuple[str, str]] = {
    "invalid": (
        "The request cannot be used",
        "Something in the request is wrong; 'detail' and 'errors' say what and where.",
    ),
    "too-large": (
        "More than one request may hold",
        "A limit on size, depth, number or time was passed; 'detail' names it.",
    ),
    "stale": (
        "Changed by somebody else",
        "The text was changed since you read it. Nothing was overwritten: 'yours' and 'theirs' "
        "hold both texts. Join them, and send the change again with the new ETag.",
    ),
    "precondition-required": (
        "The request must say what it changes",
        "Send the ETag that you read in the header If-Match, so that nobody's change is lost.",
    ),
    "not-signed-in": (
        "Sign in first",
        "Send a token in the header 'Authorization: Bearer …', or sign in at /sign-in.",
    ),
    "not-allowed": (
        "Not allowed with this access",
        "The token or link is good, but does not reach this far.",
    ),
    "wrong-host": (
        "Not known under this host name",
        "The Host header names a machine that this service does not answer for.",
    ),
    "other-site": (
        "Asked for by another site",
        "A page of another site may not use this service with your access.",
    ),
    "form": (
        "The form must be sent again",
        "Its key does not fit this browser, or is missing. Open the page anew and send its form.",
    ),
    "store": (
        "The store cannot be used now",
        "The database does not answer or its disk is full. Nothing was half written; try again.",
    ),
}
"""The kinds of problem: a short title, and what it means."""

_SHOWN_BY = "pawnlore_problem_page"

_log = logging.getLogger("pawnlore.service")


class Problem(Exception):
    """An error for a caller: raise it anywhere in a request.

    ``kind`` is one of `KINDS` or none. ``detail`` tells people what was wrong,
    where, and what to do. ``members`` are further members of the document.
    """

    def __init__(
        self,
        status: int,
        detail: str,
        *,
        kind: str | None = None,
        headers: Mapping[str, str] | None = None,
        **members: Any,
    ) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.kind = kind
        self.headers = dict(headers or {})
        self.members = members


def problem_document(
    status: int, detail: str, *, kind: str | None = None, instance: str = "", **members: Any
) -> dict[str, Any]:
    """The document itself.

    >>> problem_document(404, "There is no such note.")["title"]
    'Not Found'
    >>> problem_document(412, "Read it again.", kind="stale")["type"]
    '/problems/stale'
    """
    document = {
        "type": f"/problems/{kind}" if kind else "about:blank",
        "title": KINDS[kind][0] if kind else HTTPStatus(status).phrase,
        "status": status,
        "detail": detail,
    }
    if instance:
        document["instance"] = instance
    return {**members, **document}


def problem_title(problem: Problem) -> str:
    """What kind of problem it is, in a few words."""
    return KINDS[problem.kind][0] if problem.kind else HTTPStatus(problem.status).phrase


def show_problems_with(app: Flask, show: Callable[[Problem, str], Response | None]) -> None:
    """Let ``show`` answer instead, where it gives an answer: a page for a browser.

    It is handed the problem and the request's number.
    """
    app.extensions[_SHOWN_BY] = show


def problem_response(problem: Problem) -> Response:
    """The answer to a request that ended in a problem."""
    number = getattr(g, "request_id", "")
    show = current_app.extensions.get(_SHOWN_BY)
    shown = show(problem, number) if show else None
    if isinstance(shown, Response):
        return shown
    document = problem_document(
        problem.status,
        problem.detail,
        kind=problem.kind,
        instance=f"urn:uuid:{number}" if number else "",
        **problem.members,
    )
    response = Response(json.dumps(document), problem.status, content_type=CONTENT_TYPE)
    response.headers.update(problem.headers)
    return response


_DETAILS = {
    400: "The request is not well formed.",
    404: "There is nothing at this address.",
    405: "This address does not take the method {method}; it takes {allowed}.",
    406: "None of the forms that you accept can be given.",
    408: "The request took too long to arrive.",
    411: "Say in the header Content-Length how long the body is.",
    413: "The body is larger than the {most:,} bytes that fit here.",
    414: "The address is too long.",
    415: "This address does not take a body of that media type.",
    416: "That part does not exist.",
    431: "The headers are too large.",
}


def _from_http(error: HTTPException) -> Response:
    """A problem for what the web framework refuses."""
    status = error.code or 500
    allowed = sorted(getattr(error, "valid_methods", None) or ())
    detail = _DETAILS.get(status, error.description or HTTPStatus(status).phrase).format(
        method=request.method, allowed=", ".join(allowed), most=request.max_content_length or 0
    )
    headers = {"Allow": ", ".join(allowed)} if allowed else {}
    kind = "too-large" if isinstance(error, TooLarge) else None
    return problem_response(Problem(status, detail, kind=kind, headers=headers))


def _from_fault(error: Exception) -> Response:
    """A fault of ours: the log gets the traceback, the caller the request's number."""
    _log.error("fault", exc_info=error)
    detail = (
        "Something went wrong inside the service; this is no fault of yours. "
        "The log has it under the number in 'instance'."
    )
    return problem_response(Problem(500, detail))


pages = Blueprint("problems", __name__)


@pages.get("/problems/<kind>")
@needs(NOTHING)
def explain(kind: str) -> Response:
    """What one kind of problem means, as plain text."""
    if kind not in KINDS:
        abort(404)
    title, meaning = KINDS[kind]
    return Response(f"{title}\n\n{meaning}\n", content_type="text/plain; charset=utf-8")


def register_problems(app: Flask) -> None:
    """Let every error of an application be told as a problem."""
    app.register_blueprint(pages)
    app.register_error_handler(Problem, problem_response)
    app.register_error_handler(HTTPException, _from_http)
    app.register_error_handler(Exception, _from_fault)
