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
from pawnlore.service.survey.quick_verdict import (
    CORE,
    DOUBT,
    quick_model,
    quick_probability,
    quick_verdict,
)
from pawnlore.structures.skeleton import Masks
from pawnlore.structures.structure_paths import structure_codes

_EMPTY = 0


class SkeletonVerdicts:
    """Looks skeletons up, and has the new ones judged.

    ``judged`` counts the distinct skeletons that came in, ``in_doubt`` those
    that only the classifier itself could name, ``emptied`` how often the table
    was full.
    """

    def __init__(self, classifier: Classifier, *, slots: int = 1 << 21) -> None:
        """``slots`` is a power of two; the table takes 29 bytes for each."""
        if slots & (slots - 1) or slots < 16:
            raise ValueError("the number of slots is a power of two, 16 at least")
        self.classifier = classifier
        self.judged = self.in_doubt = self.emptied = 0
        self._model = quick_model(classifier)
        self._keys = np.zeros((slots, 2), dtype=np.uint64)
        self._state = np.zeros(slots, dtype=np.uint8)
        self._told = np.zeros(slots, dtype=np.int32)
        self._probability = np.zeros(slots, dtype=np.float64)
        self._used = 0

    def codes(
        self, white: npt.NDArray[np.uint64], black: npt.NDArray[np.uint64]
    ) -> npt.NDArray[np.int32]:
        """The structure codes (E,) of a batch of skeletons, as `structure_codes` gives them."""
        count = white.shape[0]
        codes = np.empty(count, dtype=np.int32)
        # So few at a time that all of them would find room.
        most = self._state.shape[0] // 4
        for start in range(0, count, most):
            part = slice(start, start + most)
            slots = self._slots(white[part], black[part])
            told = self._told[slots]
            codes[part] = np.where(told < 0, told, told & (CORE - 1))
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
        most = self._state.shape[0] // 4
        for start in range(0, count, most):
            part = slice(start, start + most)
            slots = self._slots(white[part], black[part])
            room = np.empty(slots.shape[0], dtype=np.int64)
            doubtful = _fill(slots, self._keys, self._told, self._probability, room, *self._model)
            if doubtful:
                self._classify(np.unique(room[:doubtful]))
            probability[part] = self._probability[slots]
            core[part] = (self._told[slots] > 0) & (self._told[slots] & CORE != 0)
        return probability, core

    def _classify(self, slots: npt.NDArray[np.int64]) -> None:
        verdicts = self.classifier.classify(np.ascontiguousarray(self._keys[slots]))
        codes = structure_codes(verdicts)
        self._told[slots] = np.where(verdicts.core, codes + CORE, codes)
        self._probability[slots] = verdicts.probability

    def _slots(
        self, white: npt.NDArray[np.uint64], black: npt.NDArray[np.uint64]
    ) -> npt.NDArray[np.int64]:
        count = white.shape[0]
        if self._used + count > self._state.shape[0] * 3 // 4:
            self._state[:] = _EMPTY
            self._used = 0
            self.emptied += 1
        slots = np.empty(count, dtype=np.int64)
        fresh = np.empty(count, dtype=np.int64)
        new, doubtful = _probe(
            white, black, self._keys, self._state, self._told, self._probability,
            slots, fresh, *self._model,
        )  # fmt: skip
        self._used += new
        self.judged += new
        self.in_doubt += doubtful
        if doubtful:
            self._classify(fresh[:doubtful])
        return slots

    def known(self) -> Masks:
        """The skeletons that are in the table now (M, 2)."""
        found: Masks = self._keys[self._state != _EMPTY]
        return found


@compiled
def _probe(
    white: Array,
    black: Array,
    keys: Array,
    state: Array,
    told: Array,
    probability: Array,
    slots: Array,
    fresh: Array,
    file_sums: Array,
    base: Array,
    output: Array,
    output_bias: Array,
    class_code: Array,
    mirror_code: Array,
    numbers: Array,
    own_bits: Array,
    foe_bits: Array,
    needs: Array,
    shared: Array,
    sums: Array,
    units: Array,
    words: Array,
) -> tuple[int, int]:
    last = np.uint64(state.shape[0] - 1)
    new = doubtful = 0
    for row in range(white.shape[0]):
        own, foe = white[row], black[row]
        if row and own == white[row - 1] and foe == black[row - 1]:
            slots[row] = slots[row - 1]
            continue
        mixed = (own ^ (foe * np.uint64(0x9E3779B97F4A7C15))) * np.uint64(0xD6E8FEB86659FD93)
        mixed ^= mixed >> np.uint64(32)
        mixed *= np.uint64(0xD6E8FEB86659FD93)
        slot = (mixed ^ (mixed >> np.uint64(29))) & last
        while state[slot] != 0 and (keys[slot, 0] != own or keys[slot, 1] != foe):
            slot = (slot + np.uint64(1)) & last
        slots[row] = slot
        if state[slot] != 0:
            continue
        keys[slot, 0], keys[slot, 1] = own, foe
        state[slot] = 1
        probability[slot] = -1.0
        new += 1
        found = quick_verdict(
            own, foe, file_sums, base, output, output_bias, class_code, mirror_code, numbers,
            own_bits, foe_bits, needs, shared, sums, units, words,
        )  # fmt: skip
        told[slot] = found
        if found == DOUBT:
            fresh[doubtful] = slot
            doubtful += 1
    return new, doubtful


@compiled
def _fill(
    slots: Array,
    keys: Array,
    told: Array,
    probability: Array,
    room: Array,
    file_sums: Array,
    base: Array,
    output: Array,
    output_bias: Array,
    class_code: Array,
    mirror_code: Array,
    numbers: Array,
    own_bits: Array,
    foe_bits: Array,
    needs: Array,
    shared: Array,
    sums: Array,
    units: Array,
    words: Array,
) -> int:
    doubtful = 0
    for row in range(slots.shape[0]):
        slot = slots[row]
        if probability[slot] >= 0:
            continue
        probability[slot] = quick_probability(
            keys[slot, 0], keys[slot, 1], told[slot],
            file_sums, base, output, output_bias, class_code, mirror_code, numbers,
            own_bits, foe_bits, needs, shared, sums, units, words,
        )  # fmt: skip
        if probability[slot] < 0:
            room[doubtful] = slot
            doubtful += 1
    return doubtful
