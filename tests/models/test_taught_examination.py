"""The figures of a taught version: nothing is judged by what has learnt it, and all is counted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pawnlore.models import cross_validation
from pawnlore.models.classifier import Classifier, shipped_classifier
from pawnlore.models.cross_validation import FOLDS, HeldOut, cross_validate, held_misfits
from pawnlore.models.exam_figures import FiguresError
from pawnlore.models.label_sets import shipped_label_sets
from pawnlore.models.own_family import OwnFamily
from pawnlore.models.sampling import game_skeletons
from pawnlore.models.split import skeleton_keys
from pawnlore.models.taught_classifier import TaughtClassifier
from pawnlore.models.taught_examination import check_family, examine_taught, own_classes
from pawnlore.models.taught_figures import (
    FamilyLearnt,
    LabelsLearnt,
    LearntFrom,
    TaughtReport,
    report_value,
    taught_report,
)
from pawnlore.models.teaching import AuthorLabels, no_labels, teach
from pawnlore.models.teaching_comparison import compare_teaching
from pawnlore.models.teaching_reference import Reference
from pawnlore.structures.skeleton import mirror_batch, skeletons_from_fens
from pawnlore.structures.verdict import BLACK, BOTH, NONE, WHITE

# Both sides have doubled the e-pawns: no shipped family speaks of it.
PILLARS = tuple(
    f"8/{a}/4p3/4p3/4P3/4P3/{b}/8"
    for a, b in zip(
        ("ppp2ppp", "1pp2ppp", "ppp2pp1", "pp3ppp", "p1p2ppp", "ppp2p1p"),
        ("PPP2PPP", "PPP2PP1", "PP3PPP", "PP3PPP", "PPP2PPP", "P1P2PPP"),
        strict=True,
    )
)
NOTHING = np.empty((0, 2), dtype=np.uint64)
LEARNT = LearntFrom(
    "b" * 64,
    3,
    (LabelsLearnt("Ada", "carlsbad", 12),),
    (FamilyLearnt("own/pillars", "Pillars", "", 6, 1, "Ada", "must have own e4"),),
)


def pillars(**changes: object) -> OwnFamily:
    masks = skeletons_from_fens(PILLARS)
    against = skeletons_from_fens(["8/ppp2ppp/3p4/8/4P3/8/PPP2PPP/8"])
    holders = np.full(len(PILLARS), BOTH, dtype=np.int8)
    return replace(OwnFamily("own/pillars", "Pillars", masks, holders, against), **changes)  # type: ignore[arg-type]


def some_labels(count: int = 12) -> AuthorLabels:
    """Labels that say of positions off the cores what the shipped model says."""
    base = shipped_classifier()
    masks = game_skeletons().masks[::97]
    exam = shipped_label_sets(base.catalogue).exam
    masks = masks[~np.isin(skeleton_keys(masks), skeleton_keys(exam.masks))]
    found = base.classify(masks)
    rows = np.flatnonzero(~found.core & (found.family != NONE))[:count]
    return AuthorLabels(
        masks[rows], tuple(found.structure(row) for row in rows.tolist()), found.holder[rows]
    )


@pytest.fixture(scope="module")
def labels() -> AuthorLabels:
    return some_labels()


@pytest.fixture(scope="module")
def taught(labels: AuthorLabels) -> TaughtClassifier:
    found = teach(shipped_classifier(), labels, [pillars()]).classifier
    return replace(found, digest="d" * 64)


@pytest.fixture(scope="module")
def held(labels: AuthorLabels) -> HeldOut:
    return cross_validate(shipped_classifier(), labels, [pillars()])


@pytest.fixture(scope="module")
def report(taught: TaughtClassifier, labels: AuthorLabels, held: HeldOut) -> TaughtReport:
    return examine_taught(taught, labels, held, LEARNT)


def test_no_statement_is_judged_by_what_has_learnt_it(
    labels: AuthorLabels, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each part is judged by a model that was taught without its pawns and their mirrors."""
    learnt: list[set[bytes]] = []
    asked: list[set[bytes]] = []

    def keys(masks: np.ndarray) -> set[bytes]:  # type: ignore[type-arg]
        return {key.tobytes() for key in skeleton_keys(masks)}

    def adjusted(base: Classifier, given: AuthorLabels, reference: Reference) -> Classifier:
        learnt.append(keys(given.masks))
        return base

    def families(given: list[OwnFamily], reference: Reference, seed: int) -> tuple[object, ...]:
        learnt[-1] |= keys(np.concatenate([m for f in given for m in (f.examples, f.counter)]))
        return ()

    def take(self: object, model: object, said: object, rows: object, names: object) -> None:
        asked.append(keys(said.masks[rows]))  # type: ignore[attr-defined]

    monkeypatch.setattr(cross_validation, "adjusted_to", adjusted)
    monkeypatch.setattr(cross_validation, "learn_families", families)
    monkeypatch.setattr(cross_validation._Answers, "take", take)
    # One label is told of the mirror of an example, and one of an example itself.
    both = AuthorLabels(
        np.concatenate([labels.masks, mirror_batch(pillars().examples[:1])]),
        (*labels.structures, "own/pillars"),
        np.append(labels.holders, np.int8(BOTH)),
    )
    parts: list[int] = []
    found = cross_validate(
        shipped_classifier(), both, [pillars()], progress=lambda done, _: parts.append(done)
    )
    assert parts == list(range(FOLDS + 1)) and len(learnt) == len(asked) == FOLDS
    for there, here in zip(learnt, asked, strict=True):
        assert here and not there & here
    assert set.union(*asked) == keys(found.statements.masks)
    assert len(found.statements) == len(labels) + len(PILLARS) + 1
    # Each kind is spread over the parts, so that no part has most of what is rare.
    assert max(len(here) for here in asked) - min(len(here) for here in asked) <= 3


@pytest.mark.slow
def test_the_same_statements_give_the_same_answers(held: HeldOut, labels: AuthorLabels) -> None:
    again = cross_validate(shipped_classifier(), labels, [pillars()])
    assert again.answers == held.answers and np.array_equal(again.chance, held.chance)


def test_what_the_others_teach_is_found_again(held: HeldOut) -> None:
    examples, found, counter, kept_out = check_family(held, "own/pillars")
    assert examples == len(PILLARS) and found >= 4
    assert counter == 1 + 12 and kept_out == counter


def test_the_figures_count_every_statement(report: TaughtReport, held: HeldOut) -> None:
    said = report.statements
    assert said.count == 12 + len(PILLARS) and said.labels == said.drawn == 12
    assert sum(one.count for one in said.classes) == sum(one.given for one in said.classes)
    assert sum(one.count for one in said.classes) == said.count
    assert said.right == sum(one.right for one in said.classes) == int(held.right().sum())
    assert sum(pair.count for pair in said.confusions) == said.count - said.right
    assert sum(one.count for one in said.calibration) == said.calibration_count
    (own,) = report.own
    assert (own.id, own.learnt, own.examples) == ("own/pillars", 6, 6)
    assert 0 <= own.of_games < own.games / 50
    assert report.learnt_from == LEARNT


def test_the_examination_is_that_of_the_shipped_model(
    report: TaughtReport, taught: TaughtClassifier
) -> None:
    measured, sets = report.report, shipped_label_sets(taught.catalogue)
    assert measured.digest == "d" * 64
    assert measured.off_core.count == len(sets.exam)
    assert len({one.structure for one in measured.cores.classes}) == len(taught.catalogue)
    assert measured.cores.macro_f1 > 0.98 and measured.far_unsettled > 0.97
    assert measured.off_core_calibration_error < 0.08
    wrong = sum(pair.count for pair in measured.confusions if pair.paper == "off the core")
    assert wrong == round((1 - measured.off_core.agreement) * measured.off_core.count)
    assert report.own_named == sum(
        one.given for one in measured.off_core.classes if one.structure == "own/pillars"
    )


def test_old_and_new_tell_of_the_same_examination(
    report: TaughtReport, taught: TaughtClassifier, labels: AuthorLabels, held: HeldOut
) -> None:
    found = compare_teaching(shipped_classifier(), taught, labels, held)
    assert found.exam.new == round(report.report.off_core.agreement, 4)
    # The labels say what the shipped model says.
    assert found.labels.count == found.labels.old == 12
    assert found.families[0].found == report.own[0].found


def test_positions_of_the_examination_that_were_labelled_are_not_asked(
    taught: TaughtClassifier, held: HeldOut
) -> None:
    exam = shipped_label_sets(taught.catalogue).exam
    mine = AuthorLabels(
        mirror_batch(exam.masks[:5]), ("unsettled",) * 5, np.zeros(5, dtype=np.int8)
    )
    assert examine_taught(taught, mine, held, LEARNT).report.off_core.count == len(exam) - 5


def test_slips_among_labels_are_found_though_they_were_learnt() -> None:
    base = shipped_classifier()
    given = shipped_label_sets(base.catalogue).calibration
    given = given.take(np.arange(0, len(given), 28))
    said = ["unsettled" if f == NONE else base.catalogue.ids[f] for f in given.family.tolist()]
    holders = given.holder.copy()
    slips = (3, 11, 20)
    for row in slips:
        assert said[row] != "stonewall"
        said[row], holders[row] = "stonewall", WHITE
    labels = AuthorLabels(given.masks, tuple(said), holders)
    found = held_misfits(cross_validate(base, labels, []))
    wrong = {tuple(given.masks[row].tolist()) for row in slips}
    assert {one.skeleton for one in found[:3]} == wrong and len(found) <= 5
    assert all(one.structure == "stonewall" and one.chance < 0.02 for one in found[:3])


def test_few_statements_are_not_judged_and_none_need_no_teaching() -> None:
    few = pillars(
        examples=pillars().examples[:3],
        holders=pillars().holders[:3],
        counter=NOTHING,
    )
    held = cross_validate(shipped_classifier(), no_labels(), [few])
    assert len(held.statements) == 0 and check_family(held, "own/pillars") == (0, 0, 0, 0)
    three = some_labels(3)
    assert len(cross_validate(shipped_classifier(), three, []).statements) == 0


def test_a_finer_family_does_not_contradict_the_one_that_it_refines(held: HeldOut) -> None:
    said = held.statements
    row = said.structures.index("own/pillars")
    parent = replace(
        said,
        structures=tuple("carlsbad" if r == row else s for r, s in enumerate(said.structures)),
    )
    answers = tuple("own/pillars" if r == row else a for r, a in enumerate(held.answers))
    assert not replace(held, statements=parent, answers=answers).right()[row]
    assert replace(held, statements=parent, answers=answers, parents=("carlsbad",)).right()[row]


def test_own_classes_come_after_those_of_the_network(taught: TaughtClassifier) -> None:
    classes, base = own_classes(taught), taught.classes
    assert len(classes) == len(base) + 3
    rank = np.array([0, len(taught.catalogue), len(taught.catalogue), NONE], dtype=np.int16)
    holder = np.array([WHITE, BOTH, BLACK, BOTH], dtype=np.int8)
    numbers = classes.number(rank, holder).tolist()
    assert numbers[0] == base.number(rank[:1], holder[:1])[0]
    assert numbers[1:] == [len(base), len(base) + 2, 0]
    assert classes.names[classes.family[numbers[2]]] == "own/pillars"


def test_figures_are_read_back_as_they_were_and_changed_ones_refused(report: TaughtReport) -> None:
    value = report_value(report)
    assert taught_report(value) == report
    for name in value:
        with pytest.raises(FiguresError):
            taught_report({key: part for key, part in value.items() if key != name})
    with pytest.raises(FiguresError):
        taught_report({**value, "own_named": -1})
    with pytest.raises(FiguresError):
        taught_report({**value, "own": [{**value["own"][0], "id": 7}]})
