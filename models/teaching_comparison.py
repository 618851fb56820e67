"""Old against new before a taught model is accepted: figures on what neither has seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pawnlore.models.classifier import Classifier
from pawnlore.models.cross_validation import HeldOut
from pawnlore.models.label_sets import shipped_label_sets
from pawnlore.models.own_family import PREFIX
from pawnlore.models.split import skeleton_keys
from pawnlore.models.taught_examination import check_family
from pawnlore.models.teaching import AuthorLabels
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.verdict import NONE


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
    old: Classifier, new: Classifier, labels: AuthorLabels, held: HeldOut
) -> Comparison:
    """Measure a taught classifier against the one in use.

    ``held`` is what `cross_validate` gave. Examination positions that the author
    has labelled are left out.
    """
    families = (FamilyCheck(id, *check_family(held, id)) for id in held.families)
    return Comparison(_exam(old, new, labels), _labels(old, held), tuple(families))


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


def _labels(old: Classifier, held: HeldOut) -> LabelFigures:
    """On labels with shipped families or none; the own families have checks of their own."""
    said = held.statements
    rows = np.array(
        [
            row
            for row, structure in enumerate(said.structures)
            if structure and not structure.startswith(PREFIX)
        ],
        dtype=np.intp,
    )
    before = old.classify(said.masks[rows])
    followed = [
        _same(said.structures[row], int(said.holders[row]), before.structure(place), holder)
        for place, (row, holder) in enumerate(
            zip(rows.tolist(), before.holder.tolist(), strict=True)
        )
    ]
    right: npt.NDArray[np.bool_] = held.right()[rows]
    return LabelFigures(int(rows.size), sum(followed), int(right.sum()))


def _same(structure: str, holder: int, answer: str, answered_holder: int) -> bool:
    return answer == structure and (structure == UNSETTLED or holder == answered_holder)
