"""The examination of a taught version: what the shipped model sits, and the author's statements."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from pawnlore.models.classes import Classes
from pawnlore.models.cross_validation import HeldOut, told
from pawnlore.models.exam_figures import (
    CORES,
    FAR,
    OFF_CORE,
    CalibrationBin,
    ClassFigures,
    Confusion,
    LabelCounts,
    Report,
)
from pawnlore.models.examination import (
    Judge,
    calibration_bins,
    calibration_error,
    far_exam,
    find_confusions,
    network_judge,
    no_family,
    shipped_core_exam,
    sit_core_paper,
    sit_off_core_paper,
    threshold_points,
)
from pawnlore.models.label_sets import shipped_label_sets
from pawnlore.models.labels import Labels, join_labels
from pawnlore.models.own_family import PREFIX, LearntFamily
from pawnlore.models.sampling import game_skeletons
from pawnlore.models.split import HELD_OUT, part_of, skeleton_keys
from pawnlore.models.taught_classifier import TaughtClassifier, with_families
from pawnlore.models.taught_figures import (
    STATEMENTS,
    LearntFrom,
    NamedCount,
    OwnFigures,
    StatementFigures,
    TaughtReport,
)
from pawnlore.models.teaching import AuthorLabels
from pawnlore.models.traits import trait_codes
from pawnlore.structures.skeleton import Masks, mirror_batch
from pawnlore.structures.verdict import BLACK, BOTH, HOLDERS, NONE, WHITE

_MOST_BESIDE = 5
_MOST_CONFUSIONS = 500


def examine_taught(
    taught: TaughtClassifier, labels: AuthorLabels, held: HeldOut, learnt_from: LearntFrom
) -> TaughtReport:
    """Sit all papers; some seconds at most.

    ``held`` is what `cross_validate` gave for the same statements. Positions that
    the author labelled are asked in no other paper. The shipped catalogue is
    examined, which every version has.
    """
    classes = own_classes(taught)
    judge = _as_in_use(taught, classes)
    plain = with_families(taught, ())
    alone = network_judge(plain)
    sets = shipped_label_sets(taught.catalogue)
    exam = _unlabelled(sets.exam, labels)
    cores, far = shipped_core_exam(), far_exam(taught.matcher)
    points = threshold_points(
        lambda threshold: _as_in_use(replace(taught, threshold=threshold), classes), classes, exam
    )
    off_core = sit_off_core_paper(judge, classes, exam)
    error, count, bins = _calibration(taught, _unlabelled(sets.calibration, labels), exam)
    report = Report(
        taught.digest,
        taught.hidden_bias.shape[0],
        len(classes),
        int(taught.facts.get("skeletons", 0)),
        taught.threshold,
        LabelCounts(len(sets.training), len(sets.calibration), len(exam)),
        sit_core_paper(alone, taught.classes, cores),
        off_core,
        error,
        count,
        bins,
        far.shape[0],
        float((alone(far) == 0).mean()),
        points,
        (
            *find_confusions(taught.classes, alone, CORES, cores),
            *find_confusions(classes, judge, OFF_CORE, (exam.masks, exam.family, exam.holder)),
            *find_confusions(taught.classes, alone, FAR, no_family(far)),
        ),
    )
    own_named = sum(row.given for row in off_core.classes if row.structure.startswith(PREFIX))
    return TaughtReport(
        report, own_named, _own_figures(taught, held), _statement_figures(held), learnt_from
    )


def own_classes(taught: TaughtClassifier) -> Classes:
    """The network's classes, and after them three for each own family."""
    first, count = len(taught.catalogue), len(taught.own)
    base = taught.classes
    family = np.repeat(np.arange(first, first + count, dtype=np.int16), 3)
    holder = np.tile(np.array([BOTH, WHITE, BLACK], dtype=np.int8), count)
    return Classes(
        taught.names,
        np.concatenate([base.family, family]).astype(np.int16),
        np.concatenate([base.holder, holder]).astype(np.int8),
    )


def _as_in_use(taught: TaughtClassifier, classes: Classes) -> Judge:
    def judge(masks: Masks) -> npt.NDArray[np.intp]:
        verdicts = taught.classify(masks)
        return classes.number(verdicts.family, verdicts.holder).astype(np.intp)

    return judge


def _unlabelled(asked: Labels, labels: AuthorLabels) -> Labels:
    return asked.take(
        np.flatnonzero(~np.isin(skeleton_keys(asked.masks), skeleton_keys(labels.masks)))
    )


def _calibration(
    taught: TaughtClassifier, calibration: Labels, exam: Labels
) -> tuple[float, int, tuple[CalibrationBin, ...]]:
    """As in use, on what this version has not learnt from; cores are no matter of chance."""
    asked = join_labels(calibration, exam)
    verdicts = taught.classify(asked.masks)
    right = (verdicts.family == asked.family) & (
        (verdicts.holder == asked.holder) | (asked.family == NONE)
    )
    rows = np.flatnonzero(~verdicts.core)
    bins = calibration_bins(verdicts.probability[rows], right[rows])
    return calibration_error(bins), int(rows.size), bins


def _own_figures(taught: TaughtClassifier, held: HeldOut) -> tuple[OwnFigures, ...]:
    games = game_skeletons().masks
    games = games[part_of(games) == HELD_OUT]
    games = games[taught.matcher.match(games).family == NONE]
    in_games = taught.own_verdicts(games)
    masks, ranks, _ = shipped_core_exam()
    white, black = trait_codes(masks), trait_codes(mirror_batch(masks))
    found = []
    for number, family in enumerate(taught.own):
        share, _ = family.judge(white, black)
        beside = Counter(ranks[share >= family.stands].tolist())
        ordered = sorted(beside.items(), key=lambda pair: (-pair[1], pair[0]))[:_MOST_BESIDE]
        names = tuple(NamedCount(taught.catalogue.ids[rank], count) for rank, count in ordered)
        named = int((in_games.family == number).sum())
        found.append(_own_row(family, held, games.shape[0], named, names))
    return tuple(found)


def _own_row(
    family: LearntFamily,
    held: HeldOut,
    games: int,
    of_games: int,
    beside: tuple[NamedCount, ...],
) -> OwnFigures:
    check = check_family(held, family.id)
    wrong = ~held.right()
    taken = sum(
        answer == family.id and bool(wrong[row]) and not held.statements.counter[row]
        for row, answer in enumerate(held.answers)
    )
    return OwnFigures(family.id, family.examples, *check, taken, games, of_games, beside)


def check_family(held: HeldOut, id: str) -> tuple[int, int, int, int]:
    """Examples of a family and those found again; what does not belong, and what was kept out."""
    place = held.families.index(id)
    said, parent = held.statements, held.parents[place]
    stands, holder = held.stands[:, place], held.own_holders[:, place]
    mine = np.array([s == id for s in said.structures], dtype=bool)
    if not mine.any():
        return 0, 0, 0, 0
    # Labels on other structures count as counter-examples, but not those on the parent; nor
    # do examples of another own family, which may share pawns with this one.
    others = np.array(
        [
            c == id or (not c and s != parent and not s.startswith(PREFIX))
            for s, c in zip(said.structures, said.counter, strict=True)
        ],
        dtype=bool,
    )
    same = (holder == said.holders) | (holder == BOTH) | (said.holders == BOTH)
    return (
        int(mine.sum()),
        int((mine & stands & same).sum()),
        int(others.sum()),
        int((others & ~stands).sum()),
    )


def _statement_figures(held: HeldOut) -> StatementFigures:
    said, right = held.statements, held.right()
    asked = np.array([not counter for counter in said.counter], dtype=bool)
    pairs = [
        (
            told(said.structures[row], int(said.holders[row])),
            told(held.answers[row], int(held.holders[row])),
            bool(right[row]),
        )
        for row in np.flatnonzero(asked).tolist()
    ]
    wrong = Counter((truth, answer) for truth, answer, ok in pairs if not ok)
    ordered = sorted(wrong.items(), key=lambda pair: (-pair[1], pair[0]))[:_MOST_CONFUSIONS]
    probability, fits = _claims(held, asked, right)
    bins = calibration_bins(probability, fits)
    return StatementFigures(
        len(pairs),
        sum(ok for _, _, ok in pairs),
        held.labels,
        sum(
            not s.startswith(PREFIX)
            for s, c in zip(said.structures, said.counter, strict=True)
            if not c
        ),
        tuple(_classes(pairs)),
        tuple(Confusion(STATEMENTS, t, a, count) for (t, a), count in ordered),
        calibration_error(bins),
        int(probability.size),
        bins,
    )


def _claims(
    held: HeldOut, asked: npt.NDArray[np.bool_], right: npt.NDArray[np.bool_]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """How sure verdicts were and whether they were right; a core's is no matter of chance."""
    free = np.flatnonzero(asked & ~held.core)
    probability, fits = [held.chance[free]], [right[free]]
    for row, counter in enumerate(held.statements.counter):
        if counter:
            place = held.families.index(counter)
            if held.stands[row, place]:
                probability.append(held.own_chances[row, [place]])
                fits.append(np.zeros(1, dtype=bool))
    return np.concatenate(probability), np.concatenate(fits)


def _classes(pairs: list[tuple[str, str, bool]]) -> Iterator[ClassFigures]:
    """Each class that was said or answered; a right answer counts as what was said."""
    count = Counter(truth for truth, _, _ in pairs)
    right = Counter(truth for truth, _, ok in pairs if ok)
    given = Counter(truth if ok else answer for truth, answer, ok in pairs)
    for name in sorted({*count, *given}):
        structure, _, holder = name.partition(" ")
        yield ClassFigures.of(
            structure, holder or HOLDERS[BOTH], count[name], given[name], right[name]
        )
