"""Training end to end by the quick plan, and what the shipped model must reach."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from pawnlore.models.classifier import Classifier, shipped_classifier
from pawnlore.models.examination import (
    core_exam,
    far_exam,
    network_judge,
    shipped_core_exam,
    sit_core_paper,
    sit_off_core_paper,
)
from pawnlore.models.label_sets import shipped_label_sets
from pawnlore.models.training import quick_plan, train
from pawnlore.structures.matcher import shipped_matcher
from pawnlore.structures.skeleton import Masks

CorePaperQuestions = tuple[Masks, npt.NDArray[np.int16], npt.NDArray[np.int8]]


@pytest.fixture(scope="module")
def core_questions() -> CorePaperQuestions:
    """The paper on cores, which takes a while to make."""
    return core_exam(shipped_matcher())


def test_the_same_plan_gives_the_same_classifier(quick_classifier: Classifier) -> None:
    again = train(quick_plan())
    assert np.array_equal(again.output, quick_classifier.output)
    assert np.array_equal(again.hidden, quick_classifier.hidden)
    assert again.threshold == quick_classifier.threshold


def test_even_a_quick_training_beats_the_simplest_baseline(
    quick_classifier: Classifier, core_questions: CorePaperQuestions
) -> None:
    judge = network_judge(quick_classifier)
    paper = sit_core_paper(judge, quick_classifier.classes, core_questions)
    assert paper.macro_recall > 0.9
    exam = shipped_label_sets(quick_classifier.catalogue).exam
    off = sit_off_core_paper(network_judge(quick_classifier), quick_classifier.classes, exam)
    assert off.agreement > off.all_unsettled


def test_the_shipped_network_alone_knows_the_cores(core_questions: CorePaperQuestions) -> None:
    classifier = shipped_classifier()
    paper = sit_core_paper(network_judge(classifier), classifier.classes, core_questions)
    assert len({row.structure for row in paper.classes}) == len(classifier.catalogue)
    assert paper.macro_recall >= 0.98


def test_the_shipped_paper_on_cores_is_the_one_that_is_drawn(
    core_questions: CorePaperQuestions,
) -> None:
    # Else write it anew: python -m pawnlore.models.examination models/data/core_exam.npz
    for drawn, kept in zip(core_questions, shipped_core_exam(), strict=True):
        assert np.array_equal(drawn, kept)


def test_the_shipped_network_names_nothing_far_from_every_core() -> None:
    classifier = shipped_classifier()
    far = far_exam(classifier.matcher)
    assert far.shape[0] > 300
    assert (network_judge(classifier)(far) == 0).mean() >= 0.97
