"""The core matcher: which families' cores a batch of skeletons meets.

Every condition of every core becomes one bit. A table for each file gives, for
each of the 256 ways to fill that file, the bits that it meets; a skeleton's
bits are the eight look-ups OR-ed together, and a core is met where all of its
bits are there. That is the same for one condition and for two hundred.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from pawnlore.structures.catalogue import Catalogue, shipped_catalogue
from pawnlore.structures.core import Condition
from pawnlore.structures.skeleton import Masks, mirror_batch
from pawnlore.structures.verdict import BLACK, BOTH, NONE, WHITE

_CHUNK = 8192
_FEW = 32
_FILE_A = np.uint64(0x0101_0101_0101_0101)
_GATHER = np.uint64(0x0102_0408_1020_4080)


@dataclass(frozen=True)
class CoreMatch:
    """What the cores say about N skeletons.

    ``family`` (N,) is the index of the naming family, or `NONE`; ``holder``
    (N,) is `BOTH`, `WHITE` or `BLACK`; ``white`` and ``black`` (N, families)
    tell which cores are met with each side as the holder.
    """

    family: npt.NDArray[np.int16]
    holder: npt.NDArray[np.int8]
    white: npt.NDArray[np.bool_]
    black: npt.NDArray[np.bool_]


def file_patterns(masks: npt.NDArray[np.uint64]) -> npt.NDArray[np.intp]:
    """Each file's eight squares as a number 0 to 255 (bit 0 is rank 1); shape (8, N)."""
    out = np.empty((8, masks.shape[0]), dtype=np.intp)
    for file in range(8):
        column = (masks >> np.uint64(file)) & _FILE_A
        out[file] = (column * _GATHER) >> np.uint64(56)
    return out


class _ConditionTable:
    """Look-up tables that turn one side's pawns into the bits of conditions."""

    def __init__(self, conditions: list[Condition]) -> None:
        self.bit = {condition.text: index for index, condition in enumerate(conditions)}
        self.words = max(1, (len(conditions) + 63) // 64)
        tables = np.zeros((8, 256, self.words), dtype=np.uint64)
        for index, condition in enumerate(conditions):
            word, shift = divmod(index, 64)
            for alternative in condition.alternatives:
                for pattern in range(256):
                    if (alternative.allowed >> pattern) & 1:
                        row = tables[alternative.file, pattern]
                        row[word] |= np.uint64(1 << shift)
        self.tables = tables

    def need(self, conditions: tuple[Condition, ...]) -> npt.NDArray[np.uint64]:
        """The bits (words,) that all of these conditions set."""
        need = np.zeros(self.words, dtype=np.uint64)
        for condition in conditions:
            word, shift = divmod(self.bit[condition.text], 64)
            need[word] |= np.uint64(1 << shift)
        return need

    def bits(self, patterns: npt.NDArray[np.intp]) -> npt.NDArray[np.uint64]:
        """The bits (words, N) that N skeletons meet."""
        met = self.tables[0][patterns[0]]
        for file in range(1, 8):
            met |= self.tables[file][patterns[file]]
        return np.ascontiguousarray(met.T)


class CoreMatcher:
    """Names skeletons by the cores of a catalogue, vectorised."""

    def __init__(self, catalogue: Catalogue | None = None) -> None:
        self.catalogue = catalogue if catalogue is not None else shipped_catalogue()
        families = self.catalogue.families
        self._own = _ConditionTable(_distinct([f.core.own for f in families]))
        self._foe = _ConditionTable(_distinct([f.core.foe for f in families]))
        self._needs = [(self._own.need(f.core.own), self._foe.need(f.core.foe)) for f in families]
        self._own_needs = np.array([own for own, _ in self._needs])
        self._foe_needs = np.array([foe for _, foe in self._needs])
        self._shared = np.array([f.shared for f in families], dtype=bool)

    @property
    def tables(self) -> tuple[npt.NDArray[np.uint64], ...]:
        """What the matcher works with, for those who match skeletons one by one.

        The bits that each file's 256 patterns meet of the holder's conditions
        (8, 256, words) and of the other side's, and the bits that each family
        needs of both (families, words).
        """
        return self._own.tables, self._foe.tables, self._own_needs, self._foe_needs

    def match(self, masks: Masks) -> CoreMatch:
        """Match a batch (N, 2) against every core, with either side as holder.

        >>> from pawnlore.structures.skeleton import skeletons_from_fens
        >>> from pawnlore.structures.verdict import HOLDERS
        >>> batch = skeletons_from_fens(["8/pp3ppp/4p3/8/3P4/8/PP3PPP/8"])
        >>> matcher = shipped_matcher()
        >>> match = matcher.match(batch)
        >>> matcher.catalogue.ids[match.family[0]], HOLDERS[match.holder[0]]
        ('isolated-queen-pawn', 'white')
        """
        count, kinds = masks.shape[0], len(self.catalogue)
        mirror = mirror_batch(masks)
        if count <= _FEW:
            both = self._match_few(np.concatenate([masks, mirror]))
            white, black = both[:count], both[count:]
        else:
            white = np.zeros((count, kinds), dtype=bool)
            black = np.zeros((count, kinds), dtype=bool)
            for start in range(0, count, _CHUNK):
                part = slice(start, start + _CHUNK)
                self._match_side(masks[part], white[part])
                self._match_side(mirror[part], black[part])
        met = white | black
        any_met = met.any(axis=1)
        family = np.where(any_met, met.argmax(axis=1), NONE).astype(np.int16)
        rows = np.arange(count)
        by_white, by_black = white[rows, family], black[rows, family]
        holder = np.where(by_white & ~by_black, WHITE, np.where(by_black & ~by_white, BLACK, BOTH))
        holder[~any_met | self._shared[family]] = BOTH
        return CoreMatch(family, holder.astype(np.int8), white, black)

    def _match_few(self, masks: Masks) -> npt.NDArray[np.bool_]:
        """All families at once: for few rows the calls of NumPy cost more than their work."""
        own = self._own.bits(file_patterns(masks[:, 0])).T[:, None]
        foe = self._foe.bits(file_patterns(masks[:, 1])).T[:, None]
        met: npt.NDArray[np.bool_] = (own & self._own_needs == self._own_needs).all(axis=2)
        met &= (foe & self._foe_needs == self._foe_needs).all(axis=2)
        return met

    def _match_side(self, masks: Masks, out: npt.NDArray[np.bool_]) -> None:
        own = self._own.bits(file_patterns(np.ascontiguousarray(masks[:, 0])))
        foe = self._foe.bits(file_patterns(np.ascontiguousarray(masks[:, 1])))
        for index, (need_own, need_foe) in enumerate(self._needs):
            met = (own[0] & need_own[0]) == need_own[0]
            for word in range(1, self._own.words):
                met &= (own[word] & need_own[word]) == need_own[word]
            for word in range(self._foe.words):
                met &= (foe[word] & need_foe[word]) == need_foe[word]
            out[:, index] = met


def _distinct(cores: list[tuple[Condition, ...]]) -> list[Condition]:
    found: dict[str, Condition] = {}
    for conditions in cores:
        for condition in conditions:
            found.setdefault(condition.text, condition)
    return list(found.values())


@cache
def shipped_matcher() -> CoreMatcher:
    """The matcher of the shipped catalogue."""
    return CoreMatcher()
