"""How likely a taught family is right, by the share of its definitions that a skeleton meets.

`own_chance` holds the curve. It was fitted here on lessons in which each shipped
family is taken away and taught anew by a few examples (`teaching_exam`): every
held-out skeleton that meets some of the definitions gives a share, and whether
the family with its holder is what the whole catalogue says of it. Skeletons of
games that miss the family's core by one condition have no such answer. They
count as right as often as raters gave positions so near a core its name.

The curve that is shipped was fitted on all families. How well it does is measured
on families that it was not fitted on: they are dealt into folds, and those of
each fold are judged by a curve that was fitted on the others.

After any change of how families are learnt, ``python -m pawnlore.models.chance_fit``
(about three minutes of one processor) prints the numbers to be put into `own_chance` and what
was measured.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from pawnlore.models.definitions import DEFINITIONS
from pawnlore.models.family_teaching import learn_family
from pawnlore.models.label_sets import AS_IN_PLAY, shipped_label_sets
from pawnlore.models.labels import join_labels
from pawnlore.models.own_chance import ODDS, SLOPE, curve
from pawnlore.models.teaching_exam import Lesson, Paper, TeachingExam
from pawnlore.structures.core_gap import core_gaps
from pawnlore.structures.matcher import shipped_matcher
from pawnlore.structures.verdict import BOTH, NONE

COUNTS = (3, 5, 10, 20)
"""Numbers of examples in the lessons."""

FOLDS = 5
"""Parts into which the families are dealt."""

_BINS = 10
_LEVELS = np.arange(DEFINITIONS + 1)

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True)
class LessonPairs:
    """One lesson: by how many definitions are met, how many skeletons, and how many are right.

    ``count`` and ``right`` have shape (`DEFINITIONS` + 1,); what meets no
    definition is not counted. ``stands`` is the share from which on it is named.
    """

    rank: int
    examples: int
    stands: float
    count: Numbers
    right: Numbers


@dataclass(frozen=True)
class ChanceFigures:
    """Expected calibration errors and mean log losses of two curves on the same skeletons.

    ``named`` counts only skeletons that meet enough definitions to be named.
    """

    lessons: int
    skeletons: int
    before: float
    after: float
    named_before: float
    named_after: float
    loss_before: float
    loss_after: float


def near_share() -> float:
    """How often raters gave a position that misses a core by one condition that core's name.

    Of labelled positions as they come in play, without those for examination.
    """
    matcher = shipped_matcher()
    sets = shipped_label_sets(matcher.catalogue)
    drawn = [row for row, id in enumerate(sets.training.ids) if id.startswith(AS_IN_PLAY)]
    labels = join_labels(sets.training.take(np.array(drawn, dtype=np.intp)), sets.calibration)
    off = matcher.match(labels.masks).family == NONE
    gaps = core_gaps(matcher, labels.masks, most=1)
    pairs = np.unique(np.stack([gaps.row, gaps.family], axis=1), axis=0)
    pairs = pairs[off[pairs[:, 0]]]
    return float((labels.family[pairs[:, 0]] == pairs[:, 1]).mean())


def chance_pairs(
    exam: TeachingExam,
    ranks: Sequence[int],
    *,
    counts: Sequence[int] = COUNTS,
    near: float | None = None,
    say: Callable[[str], None] = lambda text: None,
) -> list[LessonPairs]:
    """Teach each family by some examples and count; a lesson takes about half a second."""
    near = near_share() if near is None else near
    found = []
    for rank in ranks:
        for count in counts:
            lesson = exam.lesson(rank, count, 0)
            if lesson.family.examples.shape[0] >= min(counts):
                found.append(_pairs(exam.paper, lesson, near))
        say(exam.matcher.catalogue.ids[rank])
    return found


def _pairs(paper: Paper, lesson: Lesson, near_is_right: float) -> LessonPairs:
    learnt = learn_family(lesson.family, lesson.reference, seed=lesson.seed)
    share, holder = learnt.judge(paper.white, paper.black)
    match, rank = paper.match, lesson.rank
    met = match.white[:, rank] | match.black[:, rank]
    member = match.family == rank
    right = (member & ((holder == match.holder) | (match.holder == BOTH))).astype(np.float64)
    near = paper.near[:, rank] & ~met
    right[near] = near_is_right
    # Where another core comes first, and where a near position was made and not played,
    # nobody has said what is right.
    asked = (share > 0) & ~(met & ~member) & ~(near & ~paper.of_games)
    level = np.round(share[asked] * DEFINITIONS).astype(np.intp)
    size = DEFINITIONS + 1
    return LessonPairs(
        rank,
        learnt.examples,
        learnt.stands,
        np.bincount(level, minlength=size).astype(np.float64),
        np.bincount(level, weights=right[asked], minlength=size).astype(np.float64),
    )


def fit_chance(pairs: Sequence[LessonPairs]) -> tuple[float, float]:
    """The two numbers of the curve with the least log loss; every lesson counts alike."""
    count, right = _weighed(pairs)

    def loss(numbers: Numbers) -> float:
        return _log_loss(curve(_LEVELS, float(numbers[0]), float(numbers[1])), count, right)

    found = minimize(loss, np.array([0.0, 1.0]), method="BFGS")
    return round(float(found.x[0]), 2), round(float(found.x[1]), 2)


def measure_chance(
    pairs: Sequence[LessonPairs], before: Callable[[npt.NDArray[np.intp]], Numbers]
) -> ChanceFigures:
    """A curve of before, and curves fitted on other families, on each family's lessons.

    ``before`` gives the chance for each number of definitions that are met.
    """
    ranks = sorted({one.rank for one in pairs})
    dealt = np.random.default_rng(0).permutation(len(ranks)) % FOLDS
    fold = dict(zip(ranks, dealt.tolist(), strict=True))
    old, new = [], []
    for number in range(FOLDS):
        here = [one for one in pairs if fold[one.rank] == number]
        there = [one for one in pairs if fold[one.rank] != number]
        if here and there:
            chances = curve(_LEVELS, *fit_chance(there))
            old += [(before(_LEVELS), one) for one in here]
            new += [(chances, one) for one in here]
    return ChanceFigures(
        len(pairs),
        int(sum(one.count.sum() for one in pairs)),
        _error(old),
        _error(new),
        _error(old, named=True),
        _error(new, named=True),
        _mean_loss(old),
        _mean_loss(new),
    )


def _weighed(pairs: Sequence[LessonPairs]) -> tuple[Numbers, Numbers]:
    whole = [max(1.0, float(one.count.sum())) for one in pairs]
    count = sum(one.count / all for one, all in zip(pairs, whole, strict=True))
    right = sum(one.right / all for one, all in zip(pairs, whole, strict=True))
    return np.asarray(count, dtype=np.float64), np.asarray(right, dtype=np.float64)


def _log_loss(chances: Numbers, count: Numbers, right: Numbers) -> float:
    p = np.clip(chances, 1e-4, 1 - 1e-4)
    cost = -(right * np.log(p) + (count - right) * np.log(1 - p)).sum()
    return float(cost / max(1e-9, count.sum()))


def _mean_loss(judged: Sequence[tuple[Numbers, LessonPairs]]) -> float:
    total = sum(float(one.count.sum()) for _, one in judged)
    cost = sum(_log_loss(p, one.count, one.right) * float(one.count.sum()) for p, one in judged)
    return round(cost / max(1.0, total), 4)


def _error(judged: Sequence[tuple[Numbers, LessonPairs]], *, named: bool = False) -> float:
    """The expected calibration error in ten bins of equal width, see `calibration_error`."""
    said, right, count = np.zeros(_BINS), np.zeros(_BINS), np.zeros(_BINS)
    for chances, one in judged:
        rows = one.stands <= _LEVELS / DEFINITIONS if named else _LEVELS > 0
        place = np.minimum((chances[rows] * _BINS).astype(np.intp), _BINS - 1)
        np.add.at(said, place, one.count[rows] * chances[rows])
        np.add.at(right, place, one.right[rows])
        np.add.at(count, place, one.count[rows])
    return round(float(np.abs(said - right).sum() / max(1.0, count.sum())), 4)


def main() -> None:
    """Fit and measure on all shipped families, and print."""
    exam = TeachingExam()
    ranks = range(len(exam.matcher.catalogue))
    near = near_share()
    pairs = chance_pairs(exam, ranks, near=near, say=lambda text: print(text, flush=True))
    odds, slope = fit_chance(pairs)

    def chosen(levels: npt.NDArray[np.intp]) -> Numbers:
        return np.asarray(1 - (1 - levels / DEFINITIONS) ** 2, dtype=np.float64)

    print(f"near positions count as right by {near:.3f}")
    print(f"shipped: ODDS = {ODDS}, SLOPE = {SLOPE}; fitted now: ODDS = {odds}, SLOPE = {slope}")
    print("before is the curve that was chosen without a fit, 1 - (1 - share)²:")
    print(measure_chance(pairs, chosen))
    print("before is the curve that is shipped, which has seen all families:")
    print(measure_chance(pairs, lambda levels: curve(levels, ODDS, SLOPE)))


if __name__ == "__main__":
    main()
