"""The report of an examination, and the comparison with other kinds of models."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from sklearn.ensemble import ExtraTreesClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.neighbors import KNeighborsClassifier

from pawnlore.models.calibration import calibrated_afresh
from pawnlore.models.classes import NO_FAMILY
from pawnlore.models.classifier import Classifier
from pawnlore.models.exam_figures import (
    CORES,
    FAR,
    OFF_CORE,
    CalibrationBin,
    LabelCounts,
    Report,
)
from pawnlore.models.examination import (
    BASELINES,
    COMPARED_ON,
    Judge,
    calibration_bins,
    calibration_error,
    core_exam,
    far_exam,
    find_confusions,
    network_judge,
    no_family,
    sit_core_paper,
    sit_off_core_paper,
    threshold_points,
)
from pawnlore.models.label_sets import LabelSets, shipped_label_sets
from pawnlore.models.labels import join_labels
from pawnlore.models.network_input import network_input
from pawnlore.models.training import TrainingPlan, build_training_set, learn_judgement
from pawnlore.structures.skeleton import Masks


@dataclass(frozen=True)
class ComparedModel:
    """One kind of model on the same papers; see `compare_models` for what it learnt from."""

    name: str
    cores_macro_recall: float
    cores_macro_f1: float
    off_core_agreement: float
    off_core_named_agreement: float
    far_unsettled: float


def examine(classifier: Classifier) -> Report:
    """Sit all papers; a minute at most."""
    sets = shipped_label_sets(classifier.catalogue)
    exam, classes = sets.exam, classifier.classes
    judge = network_judge(classifier)
    cores = core_exam(classifier.matcher)
    far = far_exam(classifier.matcher)
    points = threshold_points(
        lambda threshold: network_judge(replace(classifier, threshold=threshold)), classes, exam
    )
    return Report(
        classifier.digest,
        classifier.hidden_bias.shape[0],
        len(classes),
        int(classifier.facts.get("skeletons", 0)),
        classifier.threshold,
        LabelCounts(len(sets.training), len(sets.calibration), len(exam)),
        sit_core_paper(judge, classes, cores),
        sit_off_core_paper(judge, classes, exam),
        *_calibration(classifier, sets),
        far.shape[0],
        float((judge(far) == NO_FAMILY).mean()),
        points,
        (
            *find_confusions(classes, judge, CORES, cores),
            *find_confusions(classes, judge, OFF_CORE, (exam.masks, exam.family, exam.holder)),
            *find_confusions(classes, judge, FAR, no_family(far)),
        ),
    )


def _calibration(
    classifier: Classifier, sets: LabelSets
) -> tuple[float, int, tuple[CalibrationBin, ...]]:
    """The calibration error off the core, on everything that the network has not learnt from."""
    probability, right = calibrated_afresh(classifier, join_labels(sets.calibration, sets.exam))
    bins = calibration_bins(probability, right)
    return calibration_error(bins), int(right.size), bins


def compare_models(
    classifier: Classifier, say: Callable[[str], None] = lambda text: None
) -> list[ComparedModel]:
    """Train other kinds of models on the shipped plan's skeletons and sit the papers.

    The core matcher and always saying unsettled are the simplest baselines.
    The others learn from a sample of `COMPARED_ON` skeletons and answer with
    their likeliest class; the classifier itself has learnt from all of them and
    answers by its threshold. Takes minutes.
    """
    matcher = classifier.matcher
    sets = shipped_label_sets(classifier.catalogue)
    say("making the training set")
    plan = TrainingPlan()
    made, classes = build_training_set(
        plan, matcher, learn_judgement(matcher, sets), sets, np.random.default_rng(plan.seed)
    )
    # The smaller models get a sample: nearest neighbours would take hours on all.
    rng = np.random.default_rng(plan.seed)
    rows = rng.choice(
        made.masks.shape[0], size=min(COMPARED_ON, made.masks.shape[0]), replace=False
    )
    target = np.where(made.chance[rows] >= 0.5, made.number[rows], NO_FAMILY)
    inputs = network_input(made.masks[rows])
    cores, far = core_exam(matcher), far_exam(matcher)

    def sit(name: str, judge: Judge) -> ComparedModel:
        say(f"examining {name}")
        core = sit_core_paper(judge, classes, cores)
        off = sit_off_core_paper(judge, classes, sets.exam)
        return ComparedModel(
            name,
            core.macro_recall,
            core.macro_f1,
            off.agreement,
            off.named_agreement,
            float((judge(far) == NO_FAMILY).mean()),
        )

    def always_unsettled(masks: Masks) -> npt.NDArray[np.intp]:
        return np.full(masks.shape[0], NO_FAMILY)

    def core_matcher(masks: Masks) -> npt.NDArray[np.intp]:
        match = matcher.match(masks)
        return classes.number(match.family, match.holder).astype(np.intp)

    compared = [
        *map(sit, BASELINES, (always_unsettled, core_matcher)),
        sit("network (shipped)", network_judge(classifier)),
    ]
    others = {
        "nearest neighbour": KNeighborsClassifier(n_neighbors=1),
        "linear": LogisticRegression(max_iter=60, C=10.0),
        "extra trees": ExtraTreesClassifier(120, random_state=plan.seed, n_jobs=2),
    }
    for name, model in others.items():
        say(f"training {name}")
        model.fit(inputs, target)

        def judge(masks: Masks, model: object = model) -> npt.NDArray[np.intp]:
            return np.asarray(model.predict(network_input(masks)), dtype=np.intp)  # type: ignore[attr-defined]

        compared.append(sit(name, judge))
    return compared
