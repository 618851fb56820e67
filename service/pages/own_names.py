"""The names of the author's own families, and what they are forms of, for every page."""

from __future__ import annotations

from collections.abc import Callable

from flask import current_app, has_app_context

from pawnlore.service.kept_by_state import KeptByState
from pawnlore.service.running import running
from pawnlore.service.store.family_shelf import FamilyShelf

_NAMES = "pawnlore_own_names"
_PARENTS = "pawnlore_own_parents"


def own_names() -> dict[str, str]:
    """The own families' names by id; read anew only after a change."""
    return _kept(_NAMES, FamilyShelf.names)


def own_name(id: str) -> str:
    """The name of an own family; its id where it is not there any more."""
    return own_names().get(id, id) if has_app_context() else id


def own_parent(id: str) -> str:
    """The shipped family that the author said an own one is a finer form of, or nothing."""
    return _kept(_PARENTS, FamilyShelf.parents).get(id, "") if has_app_context() else ""


def _kept(name: str, read: Callable[[FamilyShelf], dict[str, str]]) -> dict[str, str]:
    kept = current_app.extensions.get(name)
    if kept is None:
        shelf = FamilyShelf(running().store)
        made = KeptByState(shelf.state, lambda: read(shelf))
        kept = current_app.extensions.setdefault(name, made)
    found: dict[str, str] = kept()
    return found
