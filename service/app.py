"""The application: everything that is served over HTTP, put together."""

from __future__ import annotations

from flask import Flask, Response

from pawnlore.models.classifier import Classifier
from pawnlore.service.access.guard import Guard, register_guard
from pawnlore.service.access.sessions import use_cookie_sessions
from pawnlore.service.access.signing_key import signing_key
from pawnlore.service.api.blueprints import blueprints
from pawnlore.service.api.problems import Problem, problem_response, register_problems
from pawnlore.service.deadline import OutOfTime
from pawnlore.service.health import pages as health_pages
from pawnlore.service.logs import register_request_log
from pawnlore.service.pages.blueprints import page_blueprints
from pawnlore.service.pages.board import register_board
from pawnlore.service.pages.forms import register_forms
from pawnlore.service.pages.layout import TEMPLATES, register_layout
from pawnlore.service.pages.problem_pages import register_problem_pages
from pawnlore.service.running import Running, put_at_hand
from pawnlore.service.settings import Settings
from pawnlore.service.store.access_shelf import AccessShelf
from pawnlore.service.store.errors import NotFound, OtherVersion, Refused, StoreUnavailable
from pawnlore.service.store.store import Store

FORM_BYTES = 512 * 1024
"""What one field of a form may hold; a plan note's text is the longest."""

HEADERS = {
    # Nothing from elsewhere, no code or style in a page's text, in nobody else's frame.
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    # Not 'no-referrer': with that, browsers leave the origin out of our own forms.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    # Kept by the browser at most, and asked for again each time.
    "Cache-Control": "private, no-cache",
}
"""Headers of every answer that does not set them itself."""


def create_app(settings: Settings, store: Store, classifier: Classifier) -> Flask:
    """The WSGI application of a service.

    Raises `OSError` where the data folder cannot keep the key of the sign-in
    cookies.
    """
    app = Flask(
        "pawnlore.service",
        static_folder=None,
        template_folder=str(TEMPLATES),
        # Not used, but Flask would look for it and cannot find it in every kind of install.
        instance_path=str(settings.home.absolute()),
    )
    app.config["MAX_FORM_MEMORY_SIZE"] = FORM_BYTES
    put_at_hand(app, Running(settings, store, classifier))
    use_cookie_sessions(app, signing_key(settings.home))
    register_problems(app)
    _register_errors(app)
    register_request_log(app)
    register_guard(app, Guard(settings, AccessShelf(store)))
    register_layout(app)
    register_board(app)
    register_forms(app)
    register_problem_pages(app)
    app.after_request(_put_headers)
    for blueprint in (health_pages, *page_blueprints(), *blueprints()):
        app.register_blueprint(blueprint)
    return app


def _put_headers(response: Response) -> Response:
    for name, value in HEADERS.items():
        response.headers.setdefault(name, value)
    return response


def _register_errors(app: Flask) -> None:
    """Let the errors of the layers below be told as problems."""

    @app.errorhandler(NotFound)
    def not_found(error: NotFound) -> Response:
        return problem_response(Problem(404, _sentence(error)))

    @app.errorhandler(Refused)
    def refused(error: Refused) -> Response:
        return problem_response(Problem(422, _sentence(error), kind="invalid"))

    @app.errorhandler(StoreUnavailable)
    @app.errorhandler(OtherVersion)
    def unavailable(error: Exception) -> Response:
        return problem_response(
            Problem(503, _sentence(error), kind="store", headers={"Retry-After": "5"})
        )

    @app.errorhandler(OutOfTime)
    def out_of_time(error: OutOfTime) -> Response:
        detail = f"{_sentence(error)} Send less at once."
        return problem_response(Problem(413, detail, kind="too-large"))


def _sentence(error: Exception) -> str:
    text = str(error)
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith(".") else ".")
