"""Other ways to teach a family by examples, for comparison; see `teaching_exam`.

Each gets the same examples, and the same positions of other families to tell
them from. Where a method needs features that were learnt, they come from a
network that was trained without the family.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from sklearn.linear_model import LogisticRegression
from sklearn.neural_network import MLPClassifier

from pawnlore.models.classifier import Classifier
from pawnlore.models.label_sets import LabelSets, shipped_label_sets
from pawnlore.models.labels import Labels
from pawnlore.models.network_input import network_input
from pawnlore.models.teaching_exam import Answer, Lesson, Method, Paper
from pawnlore.models.training import quick_plan, train_for
from pawnlore.structures.matcher import shipped_matcher
from pawnlore.structures.skeleton import Masks, mirror_batch
from pawnlore.structures.verdict import BLACK, BOTH, NONE, WHITE

FILE_WEIGHTS = (0.1, 0.2, 1.0, 1.0, 1.0, 0.5, 0.2, 0.1)
"""What a pawn counts on the files a to h, where pawn bits are weighted: central files tell
families apart."""

_EXAMPLES_SHARE = 0.05
"""The weight of all examples together, where a method weighs them."""

_EPOCHS = 6

Features = Callable[[Masks], npt.NDArray[np.float32]]


@lru_cache(maxsize=64)
def network_without(rank: int) -> Classifier:
    """A quickly trained classifier that has never seen a family, nor its core.

    Kept, for one method after another asks for that of each family.
    """
    catalogue = shipped_matcher().catalogue
    from pawnlore.models.teaching_exam import without_family
    from pawnlore.models.teaching_reference import shipped_reference

    matcher = without_family(shipped_reference(), rank, True).matcher
    sets = shipped_label_sets(catalogue)
    kept = LabelSets(
        *(_without(labels, rank) for labels in (sets.training, sets.calibration, sets.exam))
    )
    return train_for(matcher, kept, replace(quick_plan(), cores_each=150))


def _without(labels: Labels, rank: int) -> Labels:
    labels = labels.take(np.flatnonzero(labels.family != rank))
    family = np.where(labels.family > rank, labels.family - 1, labels.family)
    return replace(labels, family=family.astype(np.int16))


def _answer(
    lesson: Lesson, score: Callable[[Masks], npt.NDArray[np.float64]], least: float
) -> Callable[[Paper], Answer]:
    """Judge a paper by a score of skeletons as if White held them."""
    shared = bool((lesson.family.holders == BOTH).all())

    def answer(paper: Paper) -> Answer:
        white, black = score(paper.masks), score(mirror_batch(paper.masks))
        holder = np.where(white > black, WHITE, np.where(black > white, BLACK, BOTH))
        if shared:
            holder[:] = BOTH
        return np.maximum(white, black) >= least, holder.astype(np.int8)

    return answer


def _others(lesson: Lesson) -> Masks:
    """Positions that other families' cores name, from either side."""
    named = lesson.reference.named
    return np.concatenate([named, mirror_batch(named)])


def nearest_neighbours(lesson: Lesson) -> Callable[[Paper], Answer]:
    """The nearest of examples and other positions in the space of the hidden units decides."""
    units = network_without(lesson.rank).units
    examples, others = _unit_length(units(lesson.views)), _unit_length(units(_others(lesson)))

    def score(masks: Masks) -> npt.NDArray[np.float64]:
        found = np.empty(masks.shape[0])
        for start in range(0, masks.shape[0], 1024):
            rows = _unit_length(units(masks[start : start + 1024]))
            near, far = (rows @ examples.T).max(axis=1), (rows @ others.T).max(axis=1)
            found[start : start + 1024] = near - far
        return found

    return _answer(lesson, score, 0.0)


def linear_on(features: Callable[[Lesson], Features]) -> Method:
    """A logistic model on features, examples and other positions weighing the same."""

    def method(lesson: Lesson) -> Callable[[Paper], Answer]:
        look = features(lesson)
        others = _others(lesson)
        rows = np.concatenate([look(lesson.views), look(others)])
        target = np.arange(rows.shape[0]) < lesson.views.shape[0]
        model = LogisticRegression(C=1.0, class_weight="balanced", max_iter=200)
        model.fit(rows, target)

        def score(masks: Masks) -> npt.NDArray[np.float64]:
            return np.asarray(model.predict_proba(look(masks))[:, 1], dtype=np.float64)

        return _answer(lesson, score, 0.5)

    return method


def retraining(lesson: Lesson) -> Callable[[Paper], Answer]:
    """A network trained anew on all families, the examples weighing a twentieth of all."""
    reference = lesson.reference
    match = reference.matcher.match(reference.named)
    masks = np.concatenate([reference.named, mirror_batch(reference.named), reference.pool])
    swap = np.array([BOTH, BLACK, WHITE])
    own = 3 * len(reference.matcher.catalogue) + 1
    family = match.family.astype(np.int64)
    pool = reference.matcher.match(reference.pool)
    target = np.concatenate(
        [
            3 * family + match.holder,
            3 * family + swap[match.holder],
            np.where(pool.family == NONE, own + 1, 3 * pool.family.astype(np.int64) + pool.holder),
        ]
    )
    views = lesson.views
    rows = np.concatenate([masks, views])
    target = np.concatenate([target, np.full(views.shape[0], own)])
    weight = np.ones(rows.shape[0])
    weight[masks.shape[0] :] = _EXAMPLES_SHARE * masks.shape[0] / views.shape[0]
    network = MLPClassifier(
        hidden_layer_sizes=(64,), batch_size=256, learning_rate_init=2e-3, random_state=lesson.seed
    )
    classes = np.unique(target)
    inputs = network_input(rows)
    for _ in range(_EPOCHS):
        network.partial_fit(inputs, target, classes=classes, sample_weight=weight)
    column = int(np.searchsorted(classes, own))

    def score(masks: Masks) -> npt.NDArray[np.float64]:
        return np.asarray(network.predict_proba(network_input(masks))[:, column], dtype=np.float64)

    return _answer(lesson, score, 0.5)


def _unit_length(rows: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    lengths = np.linalg.norm(rows, axis=1, keepdims=True)
    return np.asarray(rows / np.maximum(lengths, 1e-6), dtype=np.float32)


def _weighted_bits(masks: Masks) -> npt.NDArray[np.float32]:
    """One column for each side and square, weighted by file, (N, 128)."""
    octets = np.ascontiguousarray(masks).view(np.uint8)
    bits = np.unpackbits(octets, axis=1, bitorder="little")
    return bits.astype(np.float32) * np.tile(np.array(FILE_WEIGHTS, dtype=np.float32), 16)


RIVALS: dict[str, Method] = {
    "linear on pawn bits": linear_on(lambda lesson: network_input),
    "linear on weighted pawn bits": linear_on(lambda lesson: _weighted_bits),
    "linear on frozen features": linear_on(lambda lesson: network_without(lesson.rank).units),
    "nearest neighbour on learnt features": nearest_neighbours,
    "retraining with weights": retraining,
}
"""The other methods by name."""
