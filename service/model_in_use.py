"""Which classifier a running service uses: the version that the author accepted, or its own."""

from __future__ import annotations

import logging

from pawnlore.models.classifier import Classifier
from pawnlore.service.kept_by_state import KeptByState
from pawnlore.service.store.errors import StoreError
from pawnlore.service.store.store import Store
from pawnlore.service.teaching_desk import TeachingDesk, UnusableModel

_log = logging.getLogger("pawnlore.service")


class ModelInUse:
    """The classifier in use; it changes when another version is chosen, by whatever program.

    A version that cannot be used (`UnusableModel`) is left aside, told in the
    log, and the classifier of the service itself is used.
    """

    def __init__(self, store: Store, base: Classifier) -> None:
        self.base = base
        self.desk = TeachingDesk(store, base)
        self._held = KeptByState(self.desk.models.state, self._read)

    def now(self) -> Classifier:
        """The classifier as it is now; asks the store for a small number.

        Where the store does not answer it is the one of before.
        """
        try:
            return self._held()
        except StoreError:
            held = self._held.held()
            return self.base if held is None else held

    def at(self, state: int) -> Classifier:
        """The classifier, for a caller who has just asked for the counter ``models``."""
        return self._held.at(state)

    def _read(self) -> Classifier:
        try:
            return self.desk.in_use()
        except UnusableModel as error:
            _log.error("the model that was accepted is not used: %s", error)
            return self.base
