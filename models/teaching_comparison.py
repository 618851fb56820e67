"""Old against new before a taught model is accepted: figures on what neither has seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pawnlore.models.classifier import Classifier
from pawnlore.models.family_teaching import learn_family
from pawnlore.models.label_sets import shipped_label_sets
from pawnlore.models.own_family import PREFIX, LearntFamily, OwnFamily
from pawnlore.models.split import skeleton_keys
from pawnlore.models.taught_classifier import with_families
from pawnlore.models.teaching import AuthorLabels, adjusted_to, complete_family
from pawnlore.models.teaching_reference import Reference, shipped_reference
from pawnlore.models.traits import trait_codes
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.skeleton import mirror_batch
from pawnlore.structures.verdict import BOTH, NONE

FOLDS = 5
"""Parts into which labels and examples are dealt; each is judged by what the others taught."""

LEAST = 4
"""Fewer labels or examples than this are not dealt."""


MOST_DEALT = 2_000
"""Of more labels than this, so many are drawn and dealt."""


@dataclass(frozen=True)
class ExamFigures:
    """Agreement with raters on positions that no model has learnt from, old and new."""

    count: int
    old: float
    new: float
    changed: int


@dataclass(frozen=True)
class LabelFigures:
    """How many of the author's labels are followed by a model that did not learn them."""

    count: int
    old: int
    new: int


@dataclass(frozen=True)
class FamilyCheck:
    """For one own family: examples found again, and counter-examples kept out, unseen."""

    id: str
    examples: int
    found: int
    counter: int
    kept_out: int


@dataclass(frozen=True)
class Comparison:
    """Everything measured; the nodes that would change are for the service to add."""

    exam: ExamFigures
    labels: LabelFigures
    families: tuple[FamilyCheck, ...]


def compare_teaching(
    old: Classifier,
    new: Classifier,
    base: Classifier,
    labels: AuthorLabels,
    families: Sequence[OwnFamily],
    *,
    seed: int = 0,
    reference: Reference | None = None,
) -> Comparison:
    """Measure a taught classifier against the one in use.

    Examination positions that the author has labelled are left out.
    """
    reference = reference or shipped_reference()
    return Comparison(
        _exam(old, new, labels),
        _cross_labels(old, base, labels, reference, seed),
        tuple(_cross_family(f, labels, reference, seed) for f in families),
    )


def _exam(old: Classifier, new: Classifier, labels: AuthorLabels) -> ExamFigures:
    exam = shipped_label_sets(old.catalogue).exam
    rows = np.flatnonzero(~np.isin(skeleton_keys(exam.masks), skeleton_keys(labels.masks)))
    exam = exam.take(rows)
    right, answers = [], []
    for model in (old, new):
        found = model.classify(exam.masks)
        same = found.family == exam.family
        right.append(same & ((found.holder == exam.holder) | (exam.family == NONE)))
        answers.append([(found.structure(row), int(found.holder[row])) for row in range(len(exam))])
    changed = sum(a != b for a, b in zip(*answers, strict=True))
    count = len(exam)
    return ExamFigures(
        count,
        round(float(right[0].mean()) if count else 0.0, 4),
        round(float(right[1].mean()) if count else 0.0, 4),
        changed,
    )


def _deal(count: int, seed: int) -> npt.NDArray[np.intp]:
    return np.random.default_rng([seed, count]).permutation(count) % FOLDS


def _cross_labels(
    old: Classifier, base: Classifier, labels: AuthorLabels, reference: Reference, seed: int
) -> LabelFigures:
    """On labels with shipped families or none; the own families have checks of their own."""
    rows = [row for row, s in enumerate(labels.structures) if not s.startswith(PREFIX)]
    shipped = labels.take(np.array(rows, dtype=np.intp))
    if len(shipped) < LEAST:
        return LabelFigures(0, 0, 0)
    if len(shipped) > MOST_DEALT:
        # Each fold learns anew; so many tell as much as all, in seconds.
        chosen = np.random.default_rng([seed, len(shipped)]).permutation(len(shipped))
        shipped = shipped.take(np.sort(chosen[:MOST_DEALT]))
    fold = _deal(len(shipped), seed)
    before = after = 0
    for number in range(FOLDS):
        here = shipped.take(np.flatnonzero(fold == number))
        if not len(here):
            continue
        moved = adjusted_to(base, shipped.take(np.flatnonzero(fold != number)), reference)
        before += _followed(old, here)
        after += _followed(with_families(moved, ()), here)
    return LabelFigures(len(shipped), before, after)


def _followed(model: Classifier, labels: AuthorLabels) -> int:
    found = model.classify(labels.masks)
    same = [
        found.structure(row) == structure
        and (structure == UNSETTLED or found.holder[row] == labels.holders[row])
        for row, structure in enumerate(labels.structures)
    ]
    return int(np.sum(same))


def _cross_family(
    family: OwnFamily, labels: AuthorLabels, reference: Reference, seed: int
) -> FamilyCheck:
    whole = complete_family(family, labels, skeleton_keys(np.empty((0, 2), dtype=np.uint64)))
    count, counter = whole.examples.shape[0], whole.counter.shape[0]
    if count < LEAST:
        return FamilyCheck(family.id, 0, 0, 0, 0)
    fold, other = _deal(count, seed), _deal(counter, seed + 1)
    found = kept_out = 0
    for number in range(FOLDS):
        rest = replace(
            whole,
            examples=whole.examples[fold != number],
            holders=whole.holders[fold != number],
            counter=whole.counter[other != number],
        )
        if not rest.examples.shape[0]:
            continue
        learnt = learn_family(rest, reference, seed=seed)
        here, holders = whole.examples[fold == number], whole.holders[fold == number]
        stands, holder = _stands(learnt, here)
        found += int((stands & ((holder == holders) | (holders == BOTH) | (holder == BOTH))).sum())
        stands, _ = _stands(learnt, whole.counter[other == number])
        kept_out += int((~stands).sum())
    return FamilyCheck(family.id, count, found, counter, kept_out)


def _stands(
    learnt: LearntFamily, masks: npt.NDArray[np.uint64]
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.int8]]:
    share, holder = learnt.judge(trait_codes(masks), trait_codes(mirror_batch(masks)))
    return share >= learnt.stands, holder
