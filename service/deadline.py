"""A deadline: how long the work on one request may take.

A thread cannot be stopped from outside without losing what it holds, so long
work asks from time to time.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass


class OutOfTime(Exception):
    """The work on a request took longer than it may; ``seconds`` is the limit."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        super().__init__(f"it took longer than the {seconds:g} seconds that one request may take")


@dataclass(frozen=True)
class Deadline:
    """A point in time, of a clock that never goes back."""

    seconds: float
    ends: float
    clock: Callable[[], float] = time.monotonic

    @classmethod
    def after(cls, seconds: float, clock: Callable[[], float] = time.monotonic) -> Deadline:
        """The deadline that many seconds from now."""
        return cls(seconds, clock() + seconds, clock)

    def check(self, *_: object) -> None:
        """Raise `OutOfTime` where it has passed. As a callback it ignores its arguments.

        >>> Deadline.after(60).check()
        """
        if self.clock() > self.ends:
            raise OutOfTime(self.seconds)
