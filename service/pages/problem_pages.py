"""Problems shown as pages of the same frame, where a browser asked for a page."""

from __future__ import annotations

import logging

from flask import Flask, Response, request

from pawnlore.service.api.problems import Problem, problem_title, show_problems_with
from pawnlore.service.pages.forms import FIELD
from pawnlore.service.pages.layout import page, wants_html

_HEADINGS = {
    404: "There is nothing here",
    405: "That cannot be done here",
    500: "Something went wrong",
    503: "Not to be reached just now",
}
"""Plainer than the reason phrases of HTTP, where these say little to a reader."""

_MOST_FIELDS = 60

_log = logging.getLogger("pawnlore.service")


def problem_page(problem: Problem, number: str) -> Response | None:
    """The page that tells of a problem; none where no page was asked for.

    ``number`` is under what the log has it, if anything.
    """
    if not wants_html():
        return None
    kept = []
    if problem.kind == "form":
        given = request.form.items(multi=True)
        kept = [(name, text) for name, text in given if name != FIELD][:_MOST_FIELDS]
    errors = problem.members.get("errors", ())
    try:
        response = page(
            "problem.html",
            problem.status,
            heading=_HEADINGS.get(problem.status) or problem_title(problem),
            problem=problem,
            # A page gives the number itself; only programs have a member 'instance'.
            detail=problem.detail.replace(" The log has it under the number in 'instance'.", ""),
            errors=errors if isinstance(errors, (list, tuple)) and len(errors) > 1 else (),
            number=number if problem.status >= 500 else "",
            kept=kept,
            action=request.full_path.rstrip("?"),
            from_elsewhere=request.headers.get("Sec-Fetch-Site") == "cross-site",
        )
    except Exception as error:
        # What went wrong may go wrong again while it is told.
        _log.error("fault", exc_info=error)
        return None
    response.headers.update(problem.headers)
    return response


def register_problem_pages(app: Flask) -> None:
    """Let an application tell browsers of problems on pages."""
    show_problems_with(app, problem_page)
