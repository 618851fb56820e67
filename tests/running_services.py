"""Services for tests: an application with a store of its own, and a few views to guard."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flask import Blueprint, Flask, Response, jsonify, request
from flask.testing import FlaskClient

from pawnlore.models.classifier import shipped_classifier
from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import needs, students_may, takes_upload
from pawnlore.service.access.secrets import LINK, TOKEN, digest_of, new_secret
from pawnlore.service.api.json_body import json_body
from pawnlore.service.app import create_app
from pawnlore.service.settings import Settings, database_url
from pawnlore.service.store.access_shelf import AccessShelf
from pawnlore.service.store.store import Store, open_store


@dataclass
class TestService:
    """An application and what stands behind it."""

    __test__ = False

    app: Flask
    store: Store
    settings: Settings

    @property
    def shelf(self) -> AccessShelf:
        return AccessShelf(self.store)

    def client(self) -> FlaskClient:
        return self.app.test_client()

    def token(self, right: str = "write", name: str = "laptop") -> str:
        secret = new_secret(TOKEN)
        self.shelf.add_token(name, digest_of(secret), right)
        return secret

    def link(self, repertoire: str) -> str:
        secret = new_secret(LINK)
        self.shelf.add_link(repertoire, digest_of(secret))
        return secret


def make_service(home: Path, **settings: Any) -> TestService:
    """A service in an empty folder, with the views below ``/trial``.

    ``database`` is the store's URL, a file in that folder by default, and
    ``classifier`` the model, by default the one that ships.
    """
    settings.setdefault("database", database_url(home, {}))
    classifier = settings.pop("classifier", None) or shipped_classifier()
    chosen = Settings(home=home, **settings)
    store = open_store(chosen.database)
    app = create_app(chosen, store, classifier)
    app.register_blueprint(_trial_views())
    return TestService(app, store, chosen)


def bearer(secret: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {secret}"}


def _trial_views() -> Blueprint:
    trial = Blueprint("trial", __name__)

    @trial.get("/trial/who")
    @students_may()
    def who() -> Response:
        known = caller()
        return jsonify(name=known.name, right=known.right, repertoire=known.repertoire)

    @trial.get("/trial/owed")
    def owed() -> Response:
        return jsonify(owed=[])

    @trial.post("/trial/notes")
    def write() -> Response:
        return jsonify(body=json_body())

    @trial.post("/trial/classify")
    @needs("read")
    @students_may()
    def classify() -> Response:
        return jsonify(body=json_body())

    @trial.get("/trial/repertoires/<repertoire>")
    @students_may(repertoire="repertoire")
    def one(repertoire: str) -> Response:
        return jsonify(repertoire=repertoire)

    @trial.put("/trial/upload")
    @takes_upload
    def upload() -> Response:
        return jsonify(bytes=len(request.get_data()))

    @trial.get("/trial/fault")
    def fault() -> Response:
        raise RuntimeError("the private words of a note")

    return trial
