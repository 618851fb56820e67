"""What a running service has at hand: settings, store, classifier."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field

from flask import Flask, current_app

from pawnlore.models.classifier import Classifier
from pawnlore.service.model_in_use import ModelInUse
from pawnlore.service.settings import Settings
from pawnlore.service.store.store import Store


@dataclass
class Running:
    """The parts of a running service.

    ``base`` is the classifier that the service was started with; `classifier`
    is the one in use, which an author may have taught.

    ``stopping`` is set once it was told to stop: requests in flight are
    finished, and long work should come to an end.
    """

    settings: Settings
    store: Store
    base: Classifier
    stopping: threading.Event = field(default_factory=threading.Event)
    model: ModelInUse = field(init=False)

    def __post_init__(self) -> None:
        self.model = ModelInUse(self.store, self.base)

    @property
    def classifier(self) -> Classifier:
        """The classifier in use."""
        return self.model.now()


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
