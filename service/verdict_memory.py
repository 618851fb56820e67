"""Verdicts on single skeletons, remembered: who studies asks about the same pawns again."""

from __future__ import annotations

from threading import Lock

from pawnlore.structures.skeleton import Skeleton, pack
from pawnlore.structures.verdict import Classify, Verdict

MOST = 50_000
"""Verdicts that are kept at once; each takes some hundred bytes."""


class VerdictMemory:
    """Gives the verdict on a skeleton, and classifies only what it does not know.

    It may be called by several threads. ``hits`` and ``asked`` tell how often
    it knew, and how often it was asked. Above ``most`` the skeleton that was
    asked for longest ago is forgotten.

    >>> from pawnlore.models.classifier import shipped_classifier
    >>> memory = VerdictMemory(shipped_classifier().classify)
    >>> start = Skeleton(0xFF00, 0xFF << 48)
    >>> memory(start) == memory(start), memory.hits, memory.asked
    (True, 1, 2)
    """

    def __init__(self, classify: Classify, *, most: int = MOST) -> None:
        self.classify = classify
        self.hits = 0
        self.asked = 0
        self._most = most
        self._lock = Lock()
        self._known: dict[Skeleton, Verdict] = {}

    def __call__(self, skeleton: Skeleton) -> Verdict:
        """The verdict on one skeleton."""
        with self._lock:
            self.asked += 1
            known = self._known.pop(skeleton, None)
            if known is not None:
                self.hits += 1
                self._known[skeleton] = known
                return known
        verdict = self.classify(pack([skeleton]))[0]
        with self._lock:
            self._known[skeleton] = verdict
            if len(self._known) > self._most:
                del self._known[next(iter(self._known))]
        return verdict
