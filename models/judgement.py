"""A trainer's judgement off the core, learnt from hand-labelled positions.

A skeleton that misses cores by one condition each is a choice between those
families and none. For each of them a logistic model weighs how it misses
(`pawnlore.structures.core_gap`): a lever just played speaks for the family, a
key pawn gone against it, a pawn more for one side hints at an exchange in
mid-air. Its weights come from positions that people judged; with it, as many
skeletons as wanted can be given the label that those people would likely give.
It serves training only; predictions come from the network trained on it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from sklearn.feature_extraction import DictVectorizer
from sklearn.linear_model import LogisticRegression

from pawnlore.structures.core_gap import CoreGaps, Gap, core_gaps
from pawnlore.structures.matcher import CoreMatcher
from pawnlore.structures.motifs import levers
from pawnlore.structures.skeleton import Masks, mirror_batch
from pawnlore.structures.verdict import BLACK, BOTH, NONE, WHITE

_CENTRE = np.uint64(0x0000_3C3C_3C3C_3C00)
"""Ranks 2 to 6 of the files c to f."""
_FILE_CLASS = ("wing", "wing", "c", "d", "e", "f", "wing", "wing")


class TrainerJudgement:
    """Gives likely labels to skeletons off the core.

    Parameters: ``matcher``, and ``strength``, the inverse of the ridge penalty.
    After `fit`, ``model_`` and ``vectorizer_`` hold what was learnt.
    """

    def __init__(self, matcher: CoreMatcher, strength: float = 0.3) -> None:
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
        gaps = core_gaps(self.matcher, masks)
        named = (family[gaps.row] == gaps.family) & (
            (holder[gaps.row] == self._holder(gaps)) | (holder[gaps.row] == BOTH)
        )
        self.vectorizer_ = DictVectorizer()
        rows = self.vectorizer_.fit_transform(self._features(masks, gaps))
        self.model_ = LogisticRegression(C=self.strength, max_iter=2000)
        self.model_.fit(rows, named, None if weight is None else weight[gaps.row])
        return self

    def candidates(self, masks: Masks) -> tuple[CoreGaps, npt.NDArray[np.float64]]:
        """The gaps of a batch and, for each, the chance that a trainer would name it."""
        gaps = core_gaps(self.matcher, masks)
        if not len(gaps):
            return gaps, np.zeros(0)
        rows = self.vectorizer_.transform(self._features(masks, gaps))
        return gaps, self.model_.predict_proba(rows)[:, 1]

    def judge(
        self, masks: Masks
    ) -> tuple[npt.NDArray[np.int16], npt.NDArray[np.int8], npt.NDArray[np.float64]]:
        """The likeliest family (or `NONE`), its holder, and its chance; each (N,).

        The chance is that of the family even where the answer is `NONE`; none
        is named where no family reaches one half.
        """
        gaps, chance = self.candidates(masks)
        count = masks.shape[0]
        family = np.full(count, NONE, dtype=np.int16)
        holder = np.full(count, BOTH, dtype=np.int8)
        best = np.zeros(count)
        # Gaps are in rank order within a row; ties go to the family that stands higher.
        holders = self._holder(gaps)
        order = np.lexsort((-gaps.family, chance, gaps.row))
        family[gaps.row[order]] = gaps.family[order]
        holder[gaps.row[order]] = holders[order]
        best[gaps.row[order]] = chance[order]
        return family, holder, best

    def _holder(self, gaps: CoreGaps) -> npt.NDArray[np.int8]:
        shared = np.array([f.shared for f in self.matcher.catalogue.families])
        return np.where(shared[gaps.family], BOTH, np.where(gaps.black, BLACK, WHITE)).astype(
            np.int8
        )

    def _features(self, masks: Masks, gaps: CoreGaps) -> list[dict[str, float]]:
        mirror = mirror_batch(masks)
        view = np.where(gaps.black[:, None], mirror[gaps.row], masks[gaps.row])
        pawns = np.bitwise_count(view).astype(int)
        lead = np.clip(pawns[:, 0] - pawns[:, 1], -2, 2)
        central = np.bitwise_count(levers(view)[:, 0] & _CENTRE)
        rivals = np.bincount(gaps.row, minlength=masks.shape[0])[gaps.row]
        ids = self.matcher.catalogue.ids
        out: list[dict[str, float]] = []
        for index in range(len(gaps)):
            kind = Gap(int(gaps.kind[index])).name
            side = "foe" if gaps.foe[index] else "own"
            file = _FILE_CLASS[gaps.file[index]]
            condition = gaps.conditions[gaps.condition[index]].text
            lever = min(int(central[index]), 2)
            family = ids[gaps.family[index]]
            out.append(
                {
                    f"{kind}": 1.0,
                    f"{kind} {side}": 1.0,
                    f"{kind} {side} {file}": 1.0,
                    f"{kind} {side} {condition}": 1.0,
                    f"{family}": 1.0,
                    f"{family} {side} {condition} {kind}": 1.0,
                    f"lead {lead[index]}": 1.0,
                    f"lead {lead[index]} {kind} {side}": 1.0,
                    f"lead {lead[index]} levers {lever}": 1.0,
                    f"levers {lever}": 1.0,
                    f"pawns {min(int(pawns[index].sum()), 16) // 2}": 1.0,
                    f"rivals {min(int(rivals[index]), 4)}": 1.0,
                }
            )
        return out
