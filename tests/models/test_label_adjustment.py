"""Labels move the network where they correct it, and a few of them do not wreck the rest."""

from __future__ import annotations

import numpy as np
import pytest

from pawnlore.models.classifier import shipped_classifier
from pawnlore.models.examination import sit_off_core_paper
from pawnlore.models.label_adjustment import adjusted
from pawnlore.models.label_sets import shipped_label_sets
from pawnlore.models.labels import Labels
from pawnlore.models.report import network_judge
from pawnlore.models.split import skeleton_keys
from pawnlore.models.teaching_reference import shipped_reference
from pawnlore.structures.skeleton import Masks

BASE = shipped_classifier()
POOL = shipped_reference().pool
SAMPLE, ELSEWHERE = POOL[:2_000], POOL[3_000:]


def examination() -> Labels:
    return shipped_label_sets(BASE.catalogue).exam


def agreement(masks: Masks, family: np.ndarray, holder: np.ndarray, paper: Labels) -> float:
    """How far a classifier that learnt these labels agrees with the raters of a paper."""
    sample = SAMPLE[~np.isin(skeleton_keys(SAMPLE), skeleton_keys(masks))]
    taught = adjusted(BASE, masks, family, holder, sample)
    return float(sit_off_core_paper(network_judge(taught), BASE.classes, paper).agreement)


def before(paper: Labels) -> float:
    return float(sit_off_core_paper(network_judge(BASE), BASE.classes, paper).agreement)


@pytest.mark.parametrize("draw", range(3))
def test_a_few_labels_that_say_what_is_said_anyhow_change_nothing(draw: int) -> None:
    said = BASE.classify(ELSEWHERE)
    rng = np.random.default_rng(draw)
    rows = rng.choice(np.flatnonzero((said.family >= 0) & ~said.core), 12, replace=False)
    exam = examination()
    found = agreement(ELSEWHERE[rows], said.family[rows], said.holder[rows], exam)
    assert found == pytest.approx(before(exam), abs=0.005)


@pytest.mark.parametrize("draw", range(3))
def test_a_few_wrong_labels_do_not_wreck_the_rest(draw: int) -> None:
    said = BASE.classify(ELSEWHERE)
    rng = np.random.default_rng(draw)
    rows = rng.choice(np.flatnonzero((said.family >= 0) & ~said.core), 12, replace=False)
    wrong = rng.integers(0, len(BASE.catalogue), 12).astype(np.int16)
    exam = examination()
    assert agreement(ELSEWHERE[rows], wrong, said.holder[rows], exam) > before(exam) - 0.04


@pytest.mark.slow
def test_many_right_labels_teach_what_they_do_not_name() -> None:
    exam = examination()
    fold = np.random.default_rng(0).integers(0, 5, len(exam))
    right = 0.0
    for part in range(5):
        learnt, asked = (exam.take(np.flatnonzero((fold == part) == held)) for held in (0, 1))
        right += agreement(learnt.masks, learnt.family, learnt.holder, asked) * len(asked)
    assert right / len(exam) > before(exam)
