"""The lookups of the service that answers the request at hand."""

from __future__ import annotations

from flask import Flask, current_app
from flask.blueprints import BlueprintSetupState

from pawnlore.service.lookups_at_hand import Lookups
from pawnlore.service.running import parts_of

_NAME = "pawnlore_lookups"


def provide_lookups(state: BlueprintSetupState) -> None:
    """Give an application its lookups, once; for `Blueprint.record`."""
    app = state.app
    assert isinstance(app, Flask)
    if _NAME not in app.extensions:
        parts = parts_of(app)
        app.extensions[_NAME] = Lookups(parts.store, parts.model)


def lookups() -> Lookups:
    """The lookups of the application at hand."""
    found = current_app.extensions[_NAME]
    assert isinstance(found, Lookups)
    return found
