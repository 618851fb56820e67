"""The desk of teaching: what is taught, measured, accepted and taken back.

Commands, API and pages all work here. Nothing is kept before all of it is done,
so a program that ends in mid-training leaves the store as it was.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from hashlib import sha256
from threading import Lock
from typing import Any

import numpy as np
from sqlalchemy import Connection

from pawnlore.models.classifier import Classifier, ModelError, shipped_classifier
from pawnlore.models.exam_figures import FiguresError
from pawnlore.models.own_family import Corrections, FamilyError, OwnFamily
from pawnlore.models.taught_classifier import TaughtClassifier, taught_bytes
from pawnlore.models.taught_figures import TaughtReport, report_value, taught_report
from pawnlore.service.labelled_verdicts import OwnLabels
from pawnlore.service.learnt_from import learnt_from
from pawnlore.service.store.asked_shelf import AskedShelf
from pawnlore.service.store.errors import Refused
from pawnlore.service.store.family_shelf import Example, FamilyShelf, StoredFamily
from pawnlore.service.store.label_shelf import LabelShelf, StoredLabel
from pawnlore.service.store.model_shelf import SHIPPED, ModelShelf, ModelVersion
from pawnlore.service.store.repertoire_shelf import RepertoireShelf
from pawnlore.service.store.store import Store
from pawnlore.service.store.values import one_line
from pawnlore.service.stored_version import stored_version
from pawnlore.structures.skeleton import Masks, Skeleton, canonical_batch
from pawnlore.structures.verdict import HOLDERS

MOST_GROUPS = 500
"""Groups of changed nodes, and labels that do not fit in, that are kept with a version."""

REPORT = "report"
"""Where among a version's figures its report stands."""

Progress = Callable[[int, int], None]


class UnusableModel(Refused):
    """A version whose numbers cannot be used: changed, damaged, or of another program."""


@dataclass(frozen=True, slots=True)
class ChangedGroup:
    """Nodes of one repertoire whose verdict would change in the same way."""

    repertoire: str
    name: str
    old: str
    old_holder: str
    new: str
    new_holder: str
    nodes: int
    skeletons: int


@dataclass(frozen=True, slots=True)
class Beside:
    """Nodes of one repertoire that keep their core's name, with another own family next to it.

    ``own`` is told there from then on, and ``before`` until then; either is
    empty where there is none.
    """

    repertoire: str
    name: str
    structure: str
    holder: str
    own: str
    own_holder: str
    before: str
    before_holder: str
    nodes: int


class TeachingDesk:
    """Teaches from a store's labels and families. It may be used by several threads.

    ``base`` is the classifier that every version is taught from.
    """

    def __init__(self, store: Store, base: Classifier | None = None) -> None:
        self.store = store
        self.base = base or shipped_classifier()
        self.labels = LabelShelf(store)
        self.families = FamilyShelf(store)
        self.models = ModelShelf(store)
        self.asked = AskedShelf(store)
        self.repertoires = RepertoireShelf(store)
        self._lock = Lock()
        self._held: tuple[int, Classifier] | None = None

    def version(self, number: int, *, stored: bool = False) -> Classifier:
        """The classifier of a version, or the base for `SHIPPED`.

        With ``stored`` it is read from the store even where it is in memory.
        Raises `NotFound`, and `UnusableModel` where what is stored is not what was kept.
        """
        if number == SHIPPED:
            return self.base
        with self._lock:
            held = self._held
        kept = self.models.get(number)
        if not stored and held and held[0] == number and held[1].digest == kept.digest:
            return held[1]
        try:
            found = stored_version(self.models, number, self.base.catalogue)
        except ModelError as error:
            raise UnusableModel(
                f"version {number} cannot be used: {error}. Return to another version, or retrain"
            ) from None
        with self._lock:
            self._held = (number, found)
        return found

    def in_use(self) -> Classifier:
        """The classifier that is in use; raises `UnusableModel`."""
        return self.version(self.models.in_use().version)

    def judging(self) -> Classifier:
        """The classifier that gives the verdicts: the base where the one chosen is unusable.

        So that there is always something to compare with, and a version of an
        earlier release can be replaced by retraining.
        """
        try:
            return self.in_use()
        except UnusableModel:
            return self.base

    def retrain(
        self,
        *,
        author: str = "",
        seed: int = 0,
        progress: Progress = lambda done, total: None,
        then: Callable[[Connection, ModelVersion], None] = lambda connection, made: None,
    ) -> ModelVersion:
        """Teach anew from all labels and families, measure, and keep a proposed version.

        ``progress`` may raise to end it; then nothing is kept. ``then`` writes
        more in the same transaction. Raises `Refused` where there is nothing to
        learn from.
        """
        with _training_extra():
            from pawnlore.models.cross_validation import FOLDS, cross_validate, held_misfits
            from pawnlore.models.taught_examination import examine_taught
            from pawnlore.models.teaching import teach
            from pawnlore.models.teaching_comparison import compare_teaching

        states = {name: self.store.counter(name) for name in ("labels", "families")}
        stored, families = self.labels.list(), self.families.list()
        labels = author_labels(stored)
        learnable = [one for one in families if any(not e.counter for e in one.examples)]
        named = {structure for structure in labels.structures}
        learnable += [one for one in families if one not in learnable and one.id in named]
        if not stored and not learnable:
            raise Refused(
                "there is nothing to learn from yet: label a position, or give a family of your "
                "own an example"
            )
        own = [own_family(one) for one in learnable]
        choice, old = self.models.in_use(), self.judging()
        learning = len(own) + 2
        # Each part of the measuring learns everything anew.
        steps = learning + FOLDS * (len(own) + 1) + 1

        def measuring(done: int, parts: int) -> None:
            progress(learning + done * (len(own) + 1), steps)

        try:
            taught = teach(
                self.base,
                labels,
                own,
                seed=seed,
                progress=lambda done, _: progress(done, steps),
            )
            held = cross_validate(self.base, labels, own, seed=seed, progress=measuring)
        except FamilyError as error:
            raise Refused(str(error)) from None
        content = taught_bytes(taught.classifier)
        new = replace(taught.classifier, digest=sha256(content).hexdigest())
        measured = compare_teaching(old, new, labels, held)
        # What is not followed though it was learnt, and what all the others speak against.
        known = {(one.skeleton, one.structure) for one in taught.misfits}
        others = (m for m in held_misfits(held) if (m.skeleton, m.structure) not in known)
        misfits = sorted([*taught.misfits, *others], key=lambda one: (one.chance, one.skeleton))
        learnt = learnt_from(stored, learnable, base=self.base.digest, seed=seed)
        report = examine_taught(new, labels, held, learnt)
        changed, beside = self.changed(old, new)
        figures: dict[str, Any] = {
            **asdict(measured),
            "contradictions": [asdict(one) for one in taught.contradictions],
            "misfits": [asdict(one) for one in misfits[:MOST_GROUPS]],
            "nodes_changed": sum(group.nodes for group in changed),
            "changed": [asdict(group) for group in changed[:MOST_GROUPS]],
            "nodes_beside": sum(group.nodes for group in beside),
            "beside": [asdict(group) for group in beside[:MOST_GROUPS]],
            "without_examples": [one.id for one in families if one not in learnable],
            REPORT: report_value(report),
        }
        progress(steps, steps)
        taught_from = {
            "labels": len(labels),
            "families": [
                {"id": one.id, "revision": one.revision, "examples": len(one.examples)}
                for one in learnable
            ],
            "states": states,
            "seed": seed,
            "compared_with": choice.version,
            "choice": choice.number,
        }
        with self.store.writing() as connection:
            made = self.models.add_within(
                connection,
                content,
                base=self.base.digest,
                taught_from=taught_from,
                figures=figures,
                author=one_line(author, "the author's name", needed=False),
            )
            then(connection, made)
        return made

    def compare(self, number: int) -> dict[str, Any]:
        """What was measured of a version, with the nodes that would change now.

        ``newer`` tells whether labels or families were changed since it was taught.
        """
        kept = self.models.get(number)
        measured = {name: value for name, value in kept.figures.items() if name != REPORT}
        old, new = self.judging(), self.version(number)
        changed, beside = self.changed(old, new)
        states = {name: self.store.counter(name) for name in ("labels", "families")}
        return {
            **measured,
            "nodes_changed": sum(group.nodes for group in changed),
            "changed": [asdict(group) for group in changed[:MOST_GROUPS]],
            "nodes_beside": sum(group.nodes for group in beside),
            "beside": [asdict(group) for group in beside[:MOST_GROUPS]],
            "newer": states != kept.taught_from.get("states"),
        }

    def report(self, number: int) -> TaughtReport | None:
        """What was measured of a version when it was taught; none where it was taught before that.

        Raises `NotFound`, and `FiguresError` where what is stored is no report of this version.
        """
        kept = self.models.get(number)
        if REPORT not in kept.figures:
            return None
        try:
            found = taught_report(kept.figures[REPORT])
        except FiguresError as error:
            raise FiguresError(f"{error}; retrain to have them anew") from None
        if found.report.digest != kept.digest:
            raise FiguresError(f"the figures of version {number} are those of another model")
        return found

    def changed(self, old: Classifier, new: Classifier) -> tuple[list[ChangedGroup], list[Beside]]:
        """Nodes of all repertoires whose verdict would change, grouped, the largest first.

        The second list has those that a core names before and after, and next to
        which another family of the author's own would be told, or none any more.
        """
        found: list[ChangedGroup] = []
        beside: list[Beside] = []
        labels = self.own_labels()
        for stored in self.repertoires.list():
            content = self.repertoires.content(stored.id)
            masks = content.distinct.masks
            labelled = _labelled(masks, labels)
            nodes = np.bincount(content.distinct.inverse, minlength=masks.shape[0])
            before, after = old.classify(masks), new.classify(masks)
            counts: Counter[tuple[str, str, str, str]] = Counter()
            skeletons: Counter[tuple[str, str, str, str]] = Counter()
            told: Counter[tuple[str, str, str, str, str, str]] = Counter()
            for row in np.flatnonzero(~labelled).tolist():
                was, now = before[row], after[row]
                one, other = (was.structure, was.holder), (now.structure, now.holder)
                own, own_before = now.finer or ("", ""), was.finer or ("", "")
                if one != other:
                    counts[*one, *other] += int(nodes[row])
                    skeletons[*one, *other] += 1
                elif own != own_before:
                    told[*other, *own, *own_before] += int(nodes[row])
            found += [
                ChangedGroup(stored.id, stored.name, *key, nodes=count, skeletons=skeletons[key])
                for key, count in counts.items()
            ]
            beside += [
                Beside(stored.id, stored.name, *key, nodes=count) for key, count in told.items()
            ]
        return (
            sorted(found, key=lambda group: (-group.nodes, group.repertoire, group.old)),
            sorted(beside, key=lambda group: (-group.nodes, group.repertoire, group.own)),
        )

    def own_labels(self) -> OwnLabels:
        """The author's labels, as what decides needs them."""
        return {
            Skeleton(*label.skeleton): (label.structure, label.holder)
            for label in self.labels.list()
        }

    def questions(self, count: int = 10) -> list[dict[str, Any]]:
        """What to label next, from the nodes of the stored repertoires.

        Raises `Refused` where there is no repertoire to ask about.
        """
        from pawnlore.models.label_queue import label_queue
        from pawnlore.models.taught_classifier import with_families

        parts, nodes = [], []
        for stored in self.repertoires.list():
            content = self.repertoires.content(stored.id)
            parts.append(content.distinct.masks)
            nodes.append(
                np.bincount(content.distinct.inverse, minlength=content.distinct.masks.shape[0])
            )
        if not parts:
            raise Refused("there is no repertoire in the store; upload one to be asked about it")
        known = [label.skeleton for label in self.labels.list()]
        known += [e.skeleton for family in self.families.list() for e in family.examples]
        known += self.asked.skeletons()
        model = self.judging()
        if not isinstance(model, TaughtClassifier):
            model = with_families(model, ())
        found = label_queue(
            model,
            np.concatenate(parts),
            np.concatenate(nodes).astype(np.int64),
            np.array(known, dtype=np.uint64).reshape(len(known), 2),
            count=count,
        )
        return [
            {
                "fen": placement_of(question.skeleton),
                "nodes": question.nodes,
                "reason": question.reason,
                "structure": question.verdict.structure,
                "holder": question.verdict.holder,
                "probability": question.verdict.probability,
                "core": question.verdict.core,
                "second": question.verdict.second,
                "second_holder": question.verdict.second_holder,
                "second_probability": question.verdict.second_probability,
            }
            for question in found
        ]

    def common_ground(self, id: str) -> dict[str, Any]:
        """What the examples of a family have in common, learnt on the spot.

        ``unmet`` are the author's own conditions that some examples lack. Raises
        `NotFound`, and `Refused` where it has no example.
        """
        with _training_extra():
            from pawnlore.models.common_ground import common_ground
            from pawnlore.models.family_teaching import example_views, learn_family
            from pawnlore.models.teaching import complete_family
            from pawnlore.models.teaching_reference import shipped_reference

        stored = self.families.get(id)
        labels = author_labels(self.labels.list())
        nobody = np.empty(0, dtype=[("white", "u8"), ("black", "u8")])
        family = complete_family(own_family(stored), labels, nobody)
        try:
            learnt = learn_family(family, shipped_reference())
        except FamilyError as error:
            raise Refused(str(error)) from None
        found = common_ground(learnt)
        views = example_views(family.examples, family.holders)
        return {
            "traits": [asdict(one) for one in found.traits],
            "squares": [asdict(one) for one in found.squares],
            "empty_files": [{"side": side, "file": file} for side, file in found.empty_files],
            "unmet": [
                {"must": must, "lacking": lacking, "of": len(views)}
                for must, lacking in family.corrections.unmet(views)
            ],
        }


@contextmanager
def _training_extra() -> Iterator[None]:
    """What learning needs is not there with every installation."""
    try:
        yield
    except ImportError as error:
        raise Refused(
            f"teaching needs the extra 'train' (pip install 'pawnlore[train]'): {error}"
        ) from None


def author_labels(stored: list[StoredLabel]) -> Any:
    """Stored labels as teaching takes them, on the canonical skeletons."""
    with _training_extra():
        from pawnlore.models.teaching import AuthorLabels

    return AuthorLabels(
        np.array([label.skeleton for label in stored], dtype=np.uint64).reshape(len(stored), 2),
        tuple(label.structure for label in stored),
        np.array([HOLDERS.index(label.holder) for label in stored], dtype=np.int8),
    )


def own_family(stored: StoredFamily) -> OwnFamily:
    """A stored family as teaching takes it."""
    examples = [e for e in stored.examples if not e.counter]
    return OwnFamily(
        stored.id,
        stored.name,
        _masks(examples),
        np.array([HOLDERS.index(e.holder) for e in examples], dtype=np.int8),
        _masks([e for e in stored.examples if e.counter]),
        stored.parent,
        Corrections(stored.must, stored.free),
    )


def placement_of(skeleton: tuple[int, int]) -> str:
    """A skeleton as a line that every command takes."""
    from pawnlore.structures.skeleton import placement

    return f"{placement(Skeleton(*skeleton))} w - - 0 1"


def _masks(examples: list[Example]) -> Masks:
    return np.array([e.skeleton for e in examples], dtype=np.uint64).reshape(len(examples), 2)


def _labelled(masks: Masks, labels: OwnLabels) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Where a label decides, whatever the model says."""
    canonical, _, _ = canonical_batch(masks)
    return np.array(
        [Skeleton(white, black) in labels for white, black in canonical.tolist()], dtype=bool
    )
