"""The desk of teaching for the pages, and what was learnt last, kept for the next look."""

from __future__ import annotations

from collections import OrderedDict
from threading import Lock
from typing import Any

from flask import Flask, current_app
from flask.blueprints import BlueprintSetupState

from pawnlore.service.running import parts_of
from pawnlore.service.teaching_desk import TeachingDesk

_NAME = "pawnlore_teaching_pages"
_MOST_KEPT = 64


class PagesDesk:
    """The desk, and what families have in common, which takes seconds to learn."""

    def __init__(self, desk: TeachingDesk) -> None:
        self.desk = desk
        self._kept: OrderedDict[tuple[str, int, int], dict[str, Any]] = OrderedDict()
        self._lock = Lock()

    def common_ground(self, id: str, revision: int) -> dict[str, Any]:
        """What the examples of a family have in common; learnt once for each of its revisions."""
        key = (id, revision, self.desk.labels.state())
        # One at a time: two readers would only take each other's time.
        with self._lock:
            if key not in self._kept:
                self._kept[key] = self.desk.common_ground(id)
                if len(self._kept) > _MOST_KEPT:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(key)
            return self._kept[key]


def provide_desk(state: BlueprintSetupState) -> None:
    """Give an application its desk, once; for `Blueprint.record`."""
    app = state.app
    assert isinstance(app, Flask)
    if _NAME not in app.extensions:
        app.extensions[_NAME] = PagesDesk(TeachingDesk(parts_of(app).store))


def pages_desk() -> PagesDesk:
    """The desk of the application at hand."""
    found = current_app.extensions[_NAME]
    assert isinstance(found, PagesDesk)
    return found
