"""The names of the author's own families, and what they are forms of, for every page."""

from __future__ import annotations

from flask import current_app, has_app_context

from pawnlore.service.api.lookups import lookups
from pawnlore.service.kept_by_state import KeptByState
from pawnlore.service.running import running
from pawnlore.service.store.family_shelf import FamilyShelf

_NAME = "pawnlore_own_names"


def own_names() -> dict[str, str]:
    """The own families' names by id; read anew only after a change."""
    kept = current_app.extensions.get(_NAME)
    if kept is None:
        shelf = FamilyShelf(running().store)
        kept = current_app.extensions.setdefault(_NAME, KeptByState(shelf.state, shelf.names))
    names: dict[str, str] = kept()
    return names


def own_name(id: str) -> str:
    """The name of an own family; its id where it is not there any more."""
    return own_names().get(id, id) if has_app_context() else id


def own_parent(id: str) -> str:
    """The shipped family that the author said an own one is a finer form of, or nothing."""
    return lookups().parents().get(id, "") if has_app_context() else ""
