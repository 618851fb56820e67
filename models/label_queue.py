"""What to label next: a short list of skeletons whose label would help most.

A label helps where the model is in doubt, where core and network (or an own
family) say different things, and where many nodes have these pawns. The list is
varied: a skeleton that looks like one further up counts less.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pawnlore.models.own_chance import chance_of
from pawnlore.models.split import skeleton_keys
from pawnlore.models.taught_classifier import TaughtClassifier
from pawnlore.models.traits import trait_codes
from pawnlore.structures.skeleton import Masks, mirror_batch
from pawnlore.structures.verdict import NONE, Verdict

UNCERTAIN = "uncertain"
DISAGREES = "disagrees with the core"
REASONS = (UNCERTAIN, DISAGREES)

LONGEST = 200
_CONSIDERED = 2_000
_CLOSE = 6.0
_PLAIN = 0.25


@dataclass(frozen=True)
class Question:
    """A skeleton to be labelled: how many nodes have it, what is held of it, and why it helps.

    ``worth`` is a number to sort by; ``skeleton`` is White's and Black's mask.
    """

    skeleton: tuple[int, int]
    nodes: int
    verdict: Verdict
    reason: str
    worth: float


def label_queue(
    classifier: TaughtClassifier,
    masks: Masks,
    nodes: npt.NDArray[np.int64],
    known: Masks,
    *,
    count: int = 10,
) -> tuple[Question, ...]:
    """The skeletons of a batch (N, 2) to ask about, the most helpful first.

    ``nodes`` (N,) tells how many nodes have each, ``known`` (M, 2) are those
    that were labelled or passed over: neither they nor their mirrors are asked.
    """
    count = min(count, LONGEST)
    keys, first, inverse = np.unique(skeleton_keys(masks), return_index=True, return_inverse=True)
    total = np.bincount(inverse.ravel(), weights=nodes, minlength=keys.size).astype(np.int64)
    free = ~np.isin(keys, skeleton_keys(known))
    masks, total = masks[first[free]], total[free]
    if not masks.shape[0]:
        return ()
    doubt, disagree = _doubt(classifier, masks)
    worth = (doubt + disagree) * np.log1p(total)
    order = np.lexsort((skeleton_keys(masks), -worth))[:_CONSIDERED]
    order = order[worth[order] > 0]
    chosen = _varied(masks[order], worth[order], count)
    rows = order[chosen]
    verdicts = classifier.classify(masks[rows])
    return tuple(
        Question(
            (int(masks[row, 0]), int(masks[row, 1])),
            int(total[row]),
            verdicts[place],
            DISAGREES if disagree[row] > doubt[row] else UNCERTAIN,
            round(float(worth[row]), 3),
        )
        for place, row in enumerate(rows.tolist())
    )


def _doubt(
    classifier: TaughtClassifier, masks: Masks
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """How undecided the model is on each skeleton, and how far it is at odds with a met core."""
    chances = np.sort(classifier.probabilities(masks), axis=1)
    undecided = 1 - (chances[:, -1] - chances[:, -2])
    alone, ruled = classifier.classify(masks, cores=False), classifier.classify(masks)
    core = ruled.core
    doubt = np.where(core, 0.0, undecided)
    white, black = trait_codes(masks), trait_codes(mirror_batch(masks))
    for family in classifier.own:
        share, _ = family.judge(white, black)
        chance = chance_of(share)
        doubt = np.maximum(doubt, 1 - np.abs(2 * chance - 1))
    at_odds = core & (alone.family != NONE) & (alone.family != ruled.family)
    at_odds |= core & (alone.family == NONE)
    return doubt, np.where(at_odds, np.maximum(alone.probability, _PLAIN), 0.0)


def _varied(masks: Masks, worth: npt.NDArray[np.float64], count: int) -> npt.NDArray[np.intp]:
    """Rows, the worthiest first, each counting less the nearer it is to one before it."""
    left = worth.copy()
    chosen: list[int] = []
    mirrored = mirror_batch(masks)
    for _ in range(min(count, left.size)):
        row = int(left.argmax())
        if left[row] <= 0:
            break
        chosen.append(row)
        near = np.minimum(_apart(masks, masks[row]), _apart(mirrored, masks[row]))
        left = left * np.minimum(1.0, near / _CLOSE)
        left[row] = 0.0
    return np.array(chosen, dtype=np.intp)


def _apart(masks: Masks, one: Masks) -> npt.NDArray[np.float64]:
    """On how many squares two skeletons differ."""
    return np.asarray(np.bitwise_count(masks ^ one).sum(axis=1), dtype=np.float64)
