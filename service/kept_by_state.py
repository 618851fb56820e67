"""A value that is read anew when a state number has changed."""

from __future__ import annotations

from collections.abc import Callable
from threading import Lock
from typing import Generic, TypeVar

Kept = TypeVar("Kept")


class KeptByState(Generic[Kept]):
    """A value that is read anew when a state number has changed."""

    def __init__(self, state: Callable[[], int], read: Callable[[], Kept]) -> None:
        self._state = state
        self._read = read
        self._lock = Lock()
        self._held: tuple[int, Kept] | None = None

    def __call__(self) -> Kept:
        """The value as it is now."""
        return self.at(self._state())

    def held(self) -> Kept | None:
        """The value that was read last, if any was."""
        held = self._held
        return None if held is None else held[1]

    def at(self, state: int) -> Kept:
        """The value, for a caller who has just asked for the state number."""
        held = self._held
        if held is not None and held[0] == state:
            return held[1]
        with self._lock:
            held = self._held
            if held is None or held[0] != state:
                # The state was asked for before the reading: a change in between
                # makes the next call read again, and none is missed.
                held = self._held = (state, self._read())
            return held[1]
