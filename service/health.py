"""Whether the service lives, and whether it can answer."""

from __future__ import annotations

from flask import Blueprint, Response, jsonify

from pawnlore.service.access.needs import NOTHING, needs
from pawnlore.service.api.problems import Problem
from pawnlore.service.running import running

pages = Blueprint("health", __name__)


@pages.get("/healthz")
@needs(NOTHING)
def healthz() -> Response:
    """The process lives and answers."""
    return jsonify(status="alive")


@pages.get("/readyz")
@needs(NOTHING)
def readyz() -> Response:
    """The store answers and the service was not told to stop; else 503."""
    parts = running()
    if parts.stopping.is_set():
        raise Problem(503, "The service is stopping.", headers={"Retry-After": "5"})
    parts.store.ready()
    return jsonify(status="ready", model=parts.classifier.digest)
