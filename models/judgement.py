"""A trainer's judgement off the core, learnt from hand-labelled positions.

A skeleton that misses cores by a condition or two is a choice between those
families and none. For each of them a logistic model weighs how it misses
(`pawnlore.structures.core_gap`): a lever just played speaks for the family, a
key pawn gone against it, a pawn more for one side hints at an exchange in
mid-air. Its weights come from positions that raters judged; with it, as many
skeletons as wanted can be given the label that those raters would likely give.
It serves training only; predictions come from the network trained on it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array
from sklearn.linear_model import LogisticRegression

from pawnlore.structures.core_gap import CoreGaps, core_gaps
from pawnlore.structures.matcher import CoreMatcher, file_patterns
from pawnlore.structures.motifs import levers
from pawnlore.structures.skeleton import Masks, mirror_batch
from pawnlore.structures.verdict import BLACK, BOTH, NONE, WHITE

_CENTRE = np.uint64(0x0000_3C3C_3C3C_3C00)
"""Ranks 2 to 6 of the files c to f."""

_FILE_CLASS = np.array([0, 0, 1, 2, 3, 4, 0, 0])
"""The wings as one; c, d, e and f each by itself."""

_CENTRAL = (2, 3, 4)
"""The files c, d and e."""

_MOST_GAPS = 2
_CHUNK = 8192


class TrainerJudgement:
    """Gives likely labels to skeletons off the core.

    Parameters: ``matcher``, and ``strength``, the inverse of the ridge penalty.
    After `fit`, ``model_`` holds the logistic model and ``codes_`` the features
    that it knows.
    """

    def __init__(self, matcher: CoreMatcher, strength: float = 3.0) -> None:
        self.matcher = matcher
        self.strength = strength

    def fit(
        self,
        masks: Masks,
        family: npt.NDArray[np.int16],
        holder: npt.NDArray[np.int8],
        weight: npt.NDArray[np.float64] | None = None,
    ) -> TrainerJudgement:
        """Learn from labelled skeletons (N, 2); labels and weights are (N,)."""
        gaps = core_gaps(self.matcher, masks, most=_MOST_GAPS)
        row, of_family, of_holder = self._candidates(gaps)
        named = (family[row] == of_family) & ((holder[row] == of_holder) | (holder[row] == BOTH))
        codes = self._codes(masks, gaps)
        self.codes_ = np.unique(codes)
        self.model_ = LogisticRegression(C=self.strength, max_iter=3000)
        self.model_.fit(self._matrix(codes, gaps), named, None if weight is None else weight[row])
        return self

    def judge(
        self, masks: Masks
    ) -> tuple[npt.NDArray[np.int16], npt.NDArray[np.int8], npt.NDArray[np.float64]]:
        """The likeliest family, its holder, and its chance; each (N,).

        The family is `NONE`, with chance 0, only where no core is missed
        narrowly; whether a chance is worth naming is for the caller to say.
        """
        count = masks.shape[0]
        family = np.full(count, NONE, dtype=np.int16)
        holder = np.full(count, BOTH, dtype=np.int8)
        best = np.zeros(count)
        for start in range(0, count, _CHUNK):
            part = slice(start, start + _CHUNK)
            gaps = core_gaps(self.matcher, masks[part], most=_MOST_GAPS)
            if not len(gaps):
                continue
            row, of_family, of_holder = self._candidates(gaps)
            codes = self._codes(masks[part], gaps)
            chance = self.model_.predict_proba(self._matrix(codes, gaps))[:, 1]
            # Written in this order, the last one stays: the likeliest, then the higher rank.
            order = np.lexsort((-of_family, chance, row))
            family[part][row[order]] = of_family[order]
            holder[part][row[order]] = of_holder[order]
            best[part][row[order]] = chance[order]
        return family, holder, best

    def _candidates(
        self, gaps: CoreGaps
    ) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], npt.NDArray[np.int8]]:
        """The row, family and holder of each candidate, (candidates,)."""
        _, first = np.unique(gaps.candidate, return_index=True)
        shared = np.array([f.shared for f in self.matcher.catalogue.families])
        family, black = gaps.family[first], gaps.black[first]
        holder = np.where(shared[family], BOTH, np.where(black, BLACK, WHITE))
        return gaps.row[first], family, holder.astype(np.int8)

    def _codes(self, masks: Masks, gaps: CoreGaps) -> npt.NDArray[np.int64]:
        """Every gap's features as numbers, (M, features); equal features, equal numbers."""
        view = np.where(gaps.black[:, None], mirror_batch(masks)[gaps.row], masks[gaps.row])
        pawns = np.bitwise_count(view).astype(np.int64)
        lead = np.clip(pawns[:, 0] - pawns[:, 1], -2, 2) + 2
        lever = np.minimum(np.bitwise_count(levers(view)[:, 0] & _CENTRE), 2).astype(np.int64)
        kind = gaps.kind.astype(np.int64) * 2 + gaps.foe
        place = kind * 5 + _FILE_CLASS[gaps.file]
        wish = kind * len(gaps.conditions) + gaps.condition
        total = np.bincount(gaps.candidate)[gaps.candidate]
        family = gaps.family.astype(np.int64)
        own, foe = (file_patterns(np.ascontiguousarray(view[:, side])) for side in (0, 1))
        central = [
            (side[file] + (file << 8)) * 2 + s
            for s, side in enumerate((own, foe))
            for file in _CENTRAL
        ]
        columns = (
            *central,
            *(family * 100_000 + states for states in central),
            kind,
            place,
            wish,
            family,
            family * 100_000 + wish,
            lead,
            kind * 5 + lead,
            lead * 3 + lever,
            kind * 3 + lever,
            np.minimum(pawns.sum(axis=1), 16) // 2,
            total,
            total * 100 + kind,
        )
        return np.stack([c + (i << 40) for i, c in enumerate(columns)], axis=1).astype(np.int64)

    def _matrix(self, codes: npt.NDArray[np.int64], gaps: CoreGaps) -> csr_array:
        """The known features of each candidate, added up over its gaps."""
        column = np.searchsorted(self.codes_, codes)
        column[column == self.codes_.size] = 0
        known = self.codes_[column] == codes
        row = np.broadcast_to(gaps.candidate[:, None], codes.shape)
        shape = (int(gaps.candidate[-1]) + 1, self.codes_.size)
        ones = np.ones(int(known.sum()))
        return csr_array((ones, (row[known], column[known])), shape=shape)
