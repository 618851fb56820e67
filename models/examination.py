"""Examination: how well a classifier does on what nobody trained it on.

Three papers. *Cores*: sampled skeletons that meet a core, from the part that
training never sees, judged by the network alone. *Off the core*: positions of
games, each named by several raters on their own. *Far off*: skeletons of games
that are more than one condition away from every core, where the answer is none.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Sequence
from functools import cache
from importlib.resources import files
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.models.calibration import THRESHOLDS
from pawnlore.models.classes import NO_FAMILY, Classes
from pawnlore.models.classifier import Classifier
from pawnlore.models.exam_figures import (
    CalibrationBin,
    ClassFigures,
    Confusion,
    CorePaper,
    OffCorePaper,
    ThresholdPoint,
)
from pawnlore.models.labels import Labels
from pawnlore.models.sampling import game_skeletons, sample_cores
from pawnlore.models.split import HELD_OUT, part_of
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.core_gap import core_gaps
from pawnlore.structures.matcher import CoreMatcher, shipped_matcher
from pawnlore.structures.skeleton import Masks
from pawnlore.structures.verdict import BOTH, HOLDERS, NONE

Questions = tuple[Masks, npt.NDArray[np.int16], npt.NDArray[np.int8]]
"""Skeletons (N, 2) with the family and the holder that are right, (N,) each."""

Judge = Callable[[Masks], npt.NDArray[np.intp]]
"""Anything that gives a class number for each skeleton of a batch."""

EXAM_SEED = 20_260
CORES_EACH = 220
COMPARED_ON = 60_000
"""How many skeletons of the training set the other kinds of models learn from."""
BASELINES = ("always unsettled", "core matcher")
"""The compared answers that learn nothing."""


def core_exam(matcher: CoreMatcher) -> Questions:
    """Core skeletons (N, 2) from the held-out part, with the family and holder that they have."""
    rng = np.random.default_rng(EXAM_SEED)
    masks = sample_cores(matcher, rng, each=CORES_EACH)
    masks = masks[part_of(masks) == HELD_OUT]
    match = matcher.match(masks)
    return masks, match.family, match.holder


@cache
def shipped_core_exam() -> Questions:
    """The same for the shipped catalogue, as `write_core_exam` wrote it: drawing takes seconds."""
    source = files("pawnlore.models").joinpath("data", "core_exam.npz")
    with source.open("rb") as stream, np.load(stream, allow_pickle=False) as data:
        masks = data["masks"]
    match = shipped_matcher().match(masks)
    return masks, match.family, match.holder


def write_core_exam(out: Path) -> None:
    """Draw the core exam of the shipped catalogue and write it.

    The shipped ``models/data/core_exam.npz`` was written by
    ``python -m pawnlore.models.examination OUT``.
    """
    np.savez_compressed(out, masks=core_exam(shipped_matcher())[0])


def far_exam(matcher: CoreMatcher) -> Masks:
    """Skeletons of games from the held-out part that no core is near."""
    games = game_skeletons().masks
    games = games[part_of(games) == HELD_OUT]
    games = games[matcher.match(games).family == NONE]
    near = np.zeros(games.shape[0], dtype=bool)
    near[core_gaps(matcher, games).row] = True
    far: Masks = games[~near]
    return far


def network_judge(classifier: Classifier) -> Judge:
    """The network alone, with its threshold, as a judge."""

    def judge(masks: Masks) -> npt.NDArray[np.intp]:
        verdicts = classifier.classify(masks, cores=False)
        return classifier.classes.number(verdicts.family, verdicts.holder).astype(np.intp)

    return judge


def sit_core_paper(
    judge: Judge,
    classes: Classes,
    paper: Questions,
) -> CorePaper:
    """Mark a judge's answers on core skeletons."""
    masks, family, holder = paper
    truth, answer = classes.number(family, holder), judge(masks)
    rows = class_figures(classes, truth, answer, np.unique(truth))
    return CorePaper(
        rows,
        float((truth == answer).mean()),
        float(np.mean([row.recall for row in rows])),
        float(np.mean([row.f1 for row in rows])),
    )


def sit_off_core_paper(judge: Judge, classes: Classes, exam: Labels) -> OffCorePaper:
    """Mark a judge's answers on positions that raters named."""
    truth, answer = classes.number(exam.family, exam.holder), judge(exam.masks)
    right, named = truth == answer, truth != NO_FAMILY
    return OffCorePaper(
        count=len(exam),
        agreement=float(right.mean()),
        named=int(named.sum()),
        named_agreement=float(right[named].mean()),
        named_share=float((answer != NO_FAMILY).mean()),
        all_unsettled=float((~named).mean()),
        raters=raters_agreement(exam),
        classes=class_figures(classes, truth, answer, np.union1d(truth, answer)),
    )


def threshold_points(
    judge_at: Callable[[float], Judge], classes: Classes, exam: Labels
) -> tuple[ThresholdPoint, ...]:
    """The paper off the core at each of `THRESHOLDS`; ``judge_at`` gives who judges there."""
    points = []
    for threshold in THRESHOLDS.tolist():
        paper = sit_off_core_paper(judge_at(threshold), classes, exam)
        points.append(
            ThresholdPoint(threshold, paper.agreement, paper.named_agreement, paper.named_share)
        )
    return tuple(points)


def class_figures(
    classes: Classes,
    truth: npt.NDArray[Any],
    answer: npt.NDArray[Any],
    numbers: npt.NDArray[Any],
) -> tuple[ClassFigures, ...]:
    """The figures of some classes, by the right class numbers (N,) and the answered ones (N,)."""
    rows = []
    for number in numbers.tolist():
        structure = UNSETTLED
        if number != NO_FAMILY:
            structure = classes.names[classes.family[number]]
        rows.append(
            ClassFigures.of(
                structure,
                HOLDERS[classes.holder[number]],
                int((truth == number).sum()),
                int((answer == number).sum()),
                int(((truth == number) & (answer == number)).sum()),
            )
        )
    return tuple(rows)


def class_name(classes: Classes, number: int) -> str:
    """A class as the figures write it: the structure and its holder, or unsettled."""
    if number == NO_FAMILY:
        return UNSETTLED
    return f"{classes.names[classes.family[number]]} {HOLDERS[classes.holder[number]]}"


def find_confusions(
    classes: Classes, judge: Judge, paper: str, questions: Questions
) -> list[Confusion]:
    """Which answers of a judge differ from the right ones, the most frequent first."""
    masks, family, holder = questions
    truth, answer = classes.number(family, holder), judge(masks)
    wrong = Counter(
        (class_name(classes, int(t)), class_name(classes, int(a)))
        for t, a in zip(truth, answer, strict=True)
        if t != a
    )
    ordered = sorted(wrong.items(), key=lambda pair: (-pair[1], pair[0]))
    return [Confusion(paper, t, a, count) for (t, a), count in ordered]


def no_family(masks: Masks) -> Questions:
    """Skeletons that belong to no family, with that as the right answer."""
    count = masks.shape[0]
    return masks, np.full(count, NONE, dtype=np.int16), np.full(count, BOTH, dtype=np.int8)


def raters_agreement(exam: Labels) -> float:
    """How often two of the raters of a position agree, over all pairs."""
    same = [
        a.strip() == b.strip()
        for votes in exam.votes
        if votes
        for a, b in combinations(votes.split(";"), 2)
    ]
    return float(np.mean(same)) if same else float("nan")


def calibration_bins(
    probability: npt.NDArray[np.float64], right: npt.NDArray[np.bool_], bins: int = 10
) -> tuple[CalibrationBin, ...]:
    """Verdicts by probability, (N,), in bins of equal width, with the share that is right."""
    place = np.minimum((probability * bins).astype(np.intp), bins - 1)
    found = []
    for number in range(bins):
        part = np.flatnonzero(place == number)
        if part.size:
            found.append(
                CalibrationBin(
                    number / bins,
                    (number + 1) / bins,
                    int(part.size),
                    float(probability[part].mean()),
                    float(right[part].mean()),
                )
            )
    return tuple(found)


def calibration_error(bins: Sequence[CalibrationBin]) -> float:
    """The expected calibration error of the verdicts' probabilities.

    Source: Naeini, Cooper and Hauskrecht, "Obtaining Well Calibrated
    Probabilities Using Bayesian Binning" (AAAI 2015), in ten bins of equal width
    (quoted from memory).

    >>> calibration_error([CalibrationBin(0.4, 0.6, 10, 0.5, 0.4)])
    0.1
    """
    total = sum(b.count for b in bins)
    error = sum(b.count * abs(b.right - b.mean) for b in bins) / total if total else 0.0
    return round(error, 6)


if __name__ == "__main__":
    write_core_exam(Path(sys.argv[1]))
