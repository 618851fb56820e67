"""What a running service has at hand: settings, store, classifier."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field

from flask import Flask, current_app

from pawnlore.models.classifier import Classifier
from pawnlore.service.settings import Settings
from pawnlore.service.store.store import Store


@dataclass
class Running:
    """The parts of a running service.

    ``stopping`` is set once it was told to stop: requests in flight are
    finished, and long work should come to an end.
    """

    settings: Settings
    store: Store
    classifier: Classifier
    stopping: threading.Event = field(default_factory=threading.Event)


def put_at_hand(app: Flask, parts: Running) -> None:
    """Give an application its parts."""
    app.extensions["pawnlore"] = parts


def parts_of(app: Flask) -> Running:
    """The parts of an application that `put_at_hand` gave it."""
    found = app.extensions["pawnlore"]
    assert isinstance(found, Running)
    return found


def running() -> Running:
    """The parts of the service that answers the request at hand."""
    return parts_of(current_app)
