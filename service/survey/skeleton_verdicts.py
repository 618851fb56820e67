"""Verdicts once per distinct skeleton, through a table of bounded size.

The table is open-addressed and lives in plain arrays, so that one compiled
pass looks a whole batch up. Where it is full it is emptied: the skeletons that
matter come back at once.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pawnlore.models.classifier import Classifier
from pawnlore.service.survey.compiled import Array, compiled
from pawnlore.service.survey.quick_model import QuickModel, quick_model
from pawnlore.service.survey.quick_verdict import (
    CORE,
    DOUBT,
    EMPTY,
    STEPS,
    fill_chances,
    judge,
)
from pawnlore.structures.skeleton import Masks
from pawnlore.structures.structure_paths import structure_codes

_AHEAD, _TOGETHER = 64, 4096


class SkeletonVerdicts:
    """Looks skeletons up, and has the new ones judged.

    ``judged`` counts the distinct skeletons that came in, ``in_doubt`` those
    that only the classifier itself could name, ``emptied`` how often the table
    was full.
    """

    def __init__(self, classifier: Classifier, *, slots: int = 1 << 21) -> None:
        """``slots`` is a power of two; the table takes 24 bytes for each."""
        if slots & (slots - 1) or slots < 16:
            raise ValueError("the number of slots is a power of two, 16 at least")
        self.classifier = classifier
        self.judged = self.in_doubt = self.emptied = 0
        self._model = quick_model(classifier)
        # Key and verdict of a slot stand side by side, because memory is slow.
        table = np.zeros((slots, 3), dtype=np.uint64)
        self._keys = table[:, :2]
        # Structure code, or EMPTY, and probability of each.
        self._verdicts = table.view(np.int32)[:, 4:]
        self._verdicts[:] = EMPTY
        self._used = 0

    def codes(
        self, white: npt.NDArray[np.uint64], black: npt.NDArray[np.uint64]
    ) -> npt.NDArray[np.int32]:
        """The structure codes (E,) of a batch of skeletons, as `structure_codes` gives them."""
        count = white.shape[0]
        codes = np.empty(count, dtype=np.int32)
        # So few at a time that all of them would find room.
        most = self._verdicts.shape[0] // 4
        for start in range(0, count, most):
            part = slice(start, start + most)
            self._slots(white[part], black[part], codes[part])
        np.copyto(codes, codes & (CORE - 1), where=codes >= 0)
        return codes

    def in_full(
        self, white: npt.NDArray[np.uint64], black: npt.NDArray[np.uint64]
    ) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
        """The probabilities (E,) of a batch, and whether a core is met (E,).

        They are the classifier's, but for a step in the fifth decimal, and are
        remembered; where no family is named they are the classifier's own.
        """
        count = white.shape[0]
        probability = np.empty(count)
        core = np.empty(count, dtype=np.bool_)
        most = self._verdicts.shape[0] // 4
        for start in range(0, count, most):
            part = slice(start, start + most)
            told = np.empty(white[part].shape[0], dtype=np.int32)
            slots = self._slots(white[part], black[part], told)
            room = np.empty(slots.shape[0], dtype=np.int64)
            doubtful = fill_chances(slots, self._keys, self._verdicts, room, self._model)
            if doubtful:
                self._classify(np.unique(room[:doubtful]))
            probability[part] = self._verdicts[slots, 1] / STEPS
            core[part] = (told > 0) & (told & CORE != 0)
        return probability, core

    def _classify(self, slots: npt.NDArray[np.int64]) -> None:
        verdicts = self.classifier.classify(np.ascontiguousarray(self._keys[slots]))
        codes = structure_codes(verdicts)
        self._verdicts[slots, 0] = np.where(verdicts.core, codes + CORE, codes)
        self._verdicts[slots, 1] = np.rint(verdicts.probability * STEPS)

    def _slots(
        self,
        white: npt.NDArray[np.uint64],
        black: npt.NDArray[np.uint64],
        told: npt.NDArray[np.int32],
    ) -> npt.NDArray[np.int64]:
        """The slots of a batch; ``told`` takes their codes with the flag of a core."""
        count = white.shape[0]
        if self._used + count > self._verdicts.shape[0] * 3 // 4:
            self._verdicts[:] = EMPTY
            self._used = 0
            self.emptied += 1
        slots = np.empty(count, dtype=np.int64)
        doubts = np.empty(count, dtype=np.int64)
        new, doubtful = _look_up(
            white, black, self._keys, self._verdicts, slots, told, doubts, self._model
        )
        self._used += new
        self.judged += new
        self.in_doubt += doubtful
        if doubtful:
            self._classify(doubts[:doubtful])
            asked = np.flatnonzero(told == DOUBT)
            told[asked] = self._verdicts[slots[asked], 0]
        return slots

    def known(self) -> Masks:
        """The skeletons that are in the table now (M, 2)."""
        found: Masks = self._keys[self._verdicts[:, 0] != EMPTY]
        return found


@compiled
def _look_up(
    white: Array,
    black: Array,
    keys: Array,
    verdicts: Array,
    slots: Array,
    told: Array,
    doubts: Array,
    model: QuickModel,
) -> tuple[int, int]:
    """Find the slots of all rows and judge what is new.

    Gives how many skeletons were new, and how many of them are in doubt; the
    slots of these are put into ``doubts``.
    """
    fresh = np.empty(_TOGETHER, dtype=np.int64)
    new = doubtful = 0
    # So few at a time that they are still near when they are judged.
    for begin in range(0, white.shape[0], _TOGETHER):
        end = min(begin + _TOGETHER, white.shape[0])
        found = _find(white[begin:end], black[begin:end], keys, verdicts, slots[begin:end], fresh)
        left = judge(keys, verdicts, fresh[:found], model)
        for row in range(begin, end):
            told[row] = verdicts[slots[row], 0]
        for row in range(left):
            doubts[doubtful + row] = fresh[row]
        new += found
        doubtful += left
    return new, doubtful


@compiled
def _find(
    white: Array, black: Array, keys: Array, verdicts: Array, slots: Array, fresh: Array
) -> int:
    """The slots of all rows, and those of the skeletons that are new."""
    last = np.uint64(keys.shape[0] - 1)
    count = white.shape[0]
    new = 0
    for begin in range(0, count, _AHEAD):
        end = min(begin + _AHEAD, count)
        for row in range(begin, end):
            mixed = (white[row] ^ (black[row] * np.uint64(0x9E3779B97F4A7C15))) * np.uint64(
                0xD6E8FEB86659FD93
            )
            mixed ^= mixed >> np.uint64(32)
            mixed *= np.uint64(0xD6E8FEB86659FD93)
            slots[row] = np.int64((mixed ^ (mixed >> np.uint64(29))) & last)
        # Memory is slow, but answers many at a time: let it begin with all of them.
        seen = np.uint64(0)
        for row in range(begin, end):
            seen ^= keys[slots[row], 0] ^ np.uint64(verdicts[slots[row], 0])
        fresh[new] = np.int64(seen)
        for row in range(begin, end):
            own, foe = white[row], black[row]
            slot = np.uint64(slots[row])
            while verdicts[slot, 0] != EMPTY and (keys[slot, 0] != own or keys[slot, 1] != foe):
                slot = (slot + np.uint64(1)) & last
            slots[row] = slot
            if verdicts[slot, 0] == EMPTY:
                keys[slot, 0], keys[slot, 1] = own, foe
                verdicts[slot, 0] = DOUBT
                fresh[new] = slot
                new += 1
    return new
