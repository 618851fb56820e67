"""The desk of teaching for the pages, and what was learnt last, kept for the next look."""

from __future__ import annotations

from collections import OrderedDict
from threading import Lock
from typing import Any

from flask import Flask, current_app
from flask.blueprints import BlueprintSetupState

from pawnlore.service.running import parts_of
from pawnlore.service.store.skeleton_key import skeleton_key
from pawnlore.service.teaching_desk import TeachingDesk
from pawnlore.structures.skeleton import skeleton_from_fen

ASKED_AT_ONCE = 20
"""Questions for which the list is drawn up."""

_NAME = "pawnlore_teaching_pages"
_MOST_KEPT = 64


class PagesDesk:
    """The desk, and what families have in common, which takes seconds to learn."""

    def __init__(self, desk: TeachingDesk) -> None:
        self.desk = desk
        self._kept: OrderedDict[tuple[str, int, int], dict[str, Any]] = OrderedDict()
        self._lock = Lock()
        self._queue: list[dict[str, Any]] = []
        self._queue_state: tuple[int, int, int] | None = None

    def question(self) -> tuple[dict[str, Any] | None, int]:
        """What to ask next, if anything, and how many more are waiting.

        The list is drawn up anew when it is used up, or when repertoires,
        families or the model have changed; labels alone only shorten it. Raises
        `Refused` where there is no repertoire to ask about.
        """
        counters = self.desk.store.counters()
        state = (
            counters.get("repertoires", 0),
            counters.get("families", 0),
            counters.get("models", 0),
        )
        with self._lock:
            if state != self._queue_state:
                self._queue = []
            waiting = self._unanswered(self._queue)
            if not waiting:
                self._queue = self.desk.questions(ASKED_AT_ONCE)
                waiting = self._unanswered(self._queue)
            # An answer that is taken back is asked about again, so the whole list is kept.
            self._queue_state = state
            return (waiting[0], len(waiting) - 1) if waiting else (None, 0)

    def _unanswered(self, questions: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """Those that nobody has answered or passed over."""
        passed = {skeleton_key(one)[0] for one in self.desk.asked.skeletons()}
        left = []
        for question in questions:
            skeleton = skeleton_from_fen(question["fen"])
            key, _ = skeleton_key((skeleton.white, skeleton.black))
            if key not in passed and self.desk.labels.of((skeleton.white, skeleton.black)) is None:
                left.append(question)
        return left

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
