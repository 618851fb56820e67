"""Examination of teaching: each shipped family is taken away and taught by examples.

For each family its core and all its training data are removed: the catalogue is
without it, so nothing is labelled with it, no prior is learnt from it, and none
of its positions is among those that examples are compared with. Then a method
is given a few positions of one holder and asked about held-out positions of both
holders, among the held-out positions of all other families and of games.

Three figures are told. *Families*: among the positions that some family's core
names. *Clear*: among all positions, but for those that miss the family's core by
one condition, since trainers call some of them the family and others not.
*Strict*: among all, where those of games that miss it by one count as not the
family.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from pawnlore.models.examination import CORES_EACH, EXAM_SEED
from pawnlore.models.family_teaching import learn_family
from pawnlore.models.own_family import OwnFamily
from pawnlore.models.sampling import game_skeletons, sample_cores
from pawnlore.models.split import HELD_OUT, TRAINING, part_of, skeleton_keys
from pawnlore.models.teaching_reference import Reference, shipped_reference
from pawnlore.models.traits import Codes, trait_codes
from pawnlore.structures.catalogue import Catalogue
from pawnlore.structures.core_gap import core_gaps
from pawnlore.structures.matcher import CoreMatch, CoreMatcher, shipped_matcher
from pawnlore.structures.skeleton import Masks, mirror_batch
from pawnlore.structures.verdict import BLACK, BOTH, WHITE

EXAMPLE_COUNTS = (5, 20)
SAMPLINGS = 6
"""How often the examples are drawn anew; figures are means over these."""

Answer = tuple[npt.NDArray[np.bool_], npt.NDArray[np.int8]]
"""For N skeletons: whether the family stands, and whose it is."""

Method = Callable[["Lesson"], Callable[["Paper"], Answer]]
"""Learns from a lesson and gives what answers a paper."""


@dataclass(frozen=True)
class Paper:
    """Skeletons to be judged, and what the whole catalogue says of them."""

    masks: Masks
    of_games: npt.NDArray[np.bool_]
    match: CoreMatch
    near: npt.NDArray[np.bool_]

    @cached_property
    def white(self) -> Codes:
        """Their codes with White as the holder."""
        return trait_codes(self.masks)

    @cached_property
    def black(self) -> Codes:
        """Their codes with Black as the holder."""
        return trait_codes(mirror_batch(self.masks))


@dataclass(frozen=True)
class Lesson:
    """What a method may learn from: examples, and a world without the family.

    ``views`` are the examples as if White held them.
    """

    rank: int
    family: OwnFamily
    reference: Reference
    views: Masks
    seed: int


@dataclass(frozen=True)
class LessonFigures:
    """What came of one lesson; ``lost`` counts positions of other families taken for this one."""

    families: float
    clear: float
    strict: float
    missed: int
    lost: int


@dataclass(frozen=True)
class FamilyFigures:
    """The means over the samplings, for one family and number of examples."""

    structure: str
    examples: int
    families: float
    clear: float
    strict: float
    others_fall: float


class TeachingExam:
    """The papers, drawn once."""

    def __init__(self) -> None:
        matcher = shipped_matcher()
        games = game_skeletons().masks
        made = sample_cores(matcher, np.random.default_rng(EXAM_SEED), each=CORES_EACH)
        both = np.concatenate([games, made])
        _, first = np.unique(skeleton_keys(both), return_index=True)
        first = np.sort(first)
        self.matcher = matcher
        self._all = _paper(matcher, both[first], first < games.shape[0])
        self._world: tuple[tuple[int, bool], Reference] | None = None
        part = part_of(self._all.masks)
        self._training = np.flatnonzero(part == TRAINING)
        held = np.flatnonzero(part == HELD_OUT)
        self.paper = _paper(matcher, self._all.masks[held], self._all.of_games[held])

    def lesson(self, rank: int, count: int, sampling: int, *, unlabelled: bool = True) -> Lesson:
        """The lesson on one family.

        The examples are drawn from the training part: positions of games and
        made ones, as they come. Without ``unlabelled`` all other positions of
        the family are removed from what is learnt from; with it they stay
        among the games' positions, without a label, as an author's would.
        """
        family = self.matcher.catalogue.families[rank]
        rng = np.random.default_rng([EXAM_SEED, rank, sampling])
        holder = BOTH if family.shared else (WHITE, BLACK)[int(rng.integers(2))]
        match = self._all.match
        rows = self._training
        rows = rows[(match.family[rows] == rank) & (match.holder[rows] == holder)]
        rows = rng.choice(rows, size=min(count, rows.size), replace=False)
        masks = self._all.masks[rows]
        own = OwnFamily(
            f"own/{family.id}",
            family.name,
            masks,
            np.full(rows.size, holder, dtype=np.int8),
            np.empty((0, 2), dtype=np.uint64),
        )
        views = mirror_batch(masks) if holder == BLACK else masks
        if self._world is None or self._world[0] != (rank, unlabelled):
            # Lessons on one family follow each other, and making its world takes a while.
            world = without_family(shipped_reference(), rank, unlabelled)
            self._world = ((rank, unlabelled), world)
        return Lesson(rank, own, self._world[1], views, sampling)

    def mark(self, lesson: Lesson, answer: Answer) -> LessonFigures:
        """F1 on the family with its holder."""
        paper, (stands, holder) = self.paper, answer
        match, rank = paper.match, lesson.rank
        met = match.white[:, rank] | match.black[:, rank]
        member = match.family == rank
        right = member & stands & ((holder == match.holder) | (match.holder == BOTH))
        wrong_holder = int((member & stands & ~right).sum())
        near = paper.near[:, rank] & ~met
        false_clear = int((stands & ~met & ~near).sum()) + wrong_holder
        false_strict = false_clear + int((stands & near & paper.of_games).sum())
        missed = int((member & ~right).sum())
        lost = int((stands & ~met & (match.family >= 0)).sum())
        return LessonFigures(
            _f1(int(right.sum()), lost + wrong_holder, missed),
            _f1(int(right.sum()), false_clear, missed),
            _f1(int(right.sum()), false_strict, missed),
            missed,
            lost,
        )

    def others_fall(self, lesson: Lesson, answer: Answer) -> float:
        """By how much the macro-F1 of the other families falls, cores switched off.

        Every position of another family that is taken for this one is lost to
        it; before, it counts as named right.
        """
        match, rank = self.paper.match, lesson.rank
        others = [r for r in range(len(self.matcher.catalogue)) if r != rank]
        met = match.white[:, rank] | match.black[:, rank]
        falls = []
        for other in others:
            rows = (match.family == other) & ~met
            lost, count = int((rows & answer[0]).sum()), int(rows.sum())
            falls.append(0.0 if not count else 1 - 2 * (count - lost) / max(1, 2 * count - lost))
        return float(np.mean(falls))


def taught_method(lesson: Lesson) -> Callable[[Paper], Answer]:
    """The method that ships."""
    learnt = learn_family(lesson.family, lesson.reference, seed=lesson.seed)

    def answer(paper: Paper) -> Answer:
        share, holder = learnt.judge(paper.white, paper.black)
        return share >= learnt.stands, holder

    return answer


def without_family(reference: Reference, rank: int, unlabelled: bool) -> Reference:
    """The reference as if a family had never been known."""
    families = [f for f in reference.matcher.catalogue.families if f.rank != rank]
    matcher = CoreMatcher(
        Catalogue(tuple(replace(f, rank=place) for place, f in enumerate(families)))
    )
    in_pool = reference.matcher.match(reference.pool)
    kept = np.ones(reference.pool.shape[0], dtype=bool)
    if not unlabelled:
        kept = ~(in_pool.white[:, rank] | in_pool.black[:, rank])
    return Reference(matcher, reference.pool[kept], reference.named[~reference.met[:, rank]])


def examine_teaching(
    exam: TeachingExam,
    method: Method,
    ranks: Sequence[int],
    counts: Sequence[int] = EXAMPLE_COUNTS,
    *,
    samplings: int = SAMPLINGS,
    unlabelled: bool = True,
    say: Callable[[str], None] = lambda text: None,
) -> list[FamilyFigures]:
    """Every lesson of a method, marked."""
    found = []
    for rank in ranks:
        for count in counts:
            marks, falls = [], []
            for sampling in range(samplings):
                lesson = exam.lesson(rank, count, sampling, unlabelled=unlabelled)
                answer = method(lesson)(exam.paper)
                marks.append(exam.mark(lesson, answer))
                falls.append(exam.others_fall(lesson, answer))
            structure = exam.matcher.catalogue.ids[rank]
            found.append(
                FamilyFigures(
                    structure,
                    count,
                    float(np.mean([m.families for m in marks])),
                    float(np.mean([m.clear for m in marks])),
                    float(np.mean([m.strict for m in marks])),
                    float(np.mean(falls)),
                )
            )
            last = found[-1]
            say(
                f"{structure} with {count}: {last.families:.3f} among families, "
                f"{last.clear:.3f} clear, {last.strict:.3f} strict"
            )
    return found


def _f1(right: int, false: int, missed: int) -> float:
    return 2 * right / max(1, 2 * right + false + missed)


def _paper(matcher: CoreMatcher, masks: Masks, of_games: npt.NDArray[np.bool_]) -> Paper:
    gaps = core_gaps(matcher, masks, most=1)
    near = np.zeros((masks.shape[0], len(matcher.catalogue)), dtype=bool)
    near[gaps.row, gaps.family] = True
    return Paper(masks, of_games, matcher.match(masks), near)
