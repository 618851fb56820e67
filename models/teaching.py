"""Teaching: from an author's labels and own families to a classifier that knows them.

A label names one skeleton. On that skeleton, and on its mirror, the service lets
it decide at once and without any learning. Here labels also teach what lies
around them: a label with an own family is an example of it, any other label is a
counter-example to the own families, and labels with shipped families, or with
none, move the network a little (`pawnlore.models.label_adjustment`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from pawnlore.models.classifier import Classifier
from pawnlore.models.family_teaching import learn_families
from pawnlore.models.label_adjustment import adjusted
from pawnlore.models.own_chance import chance_of
from pawnlore.models.own_family import PREFIX, LearntFamily, OwnFamily
from pawnlore.models.split import skeleton_keys
from pawnlore.models.taught_classifier import TaughtClassifier, with_families
from pawnlore.models.teaching_reference import Reference, shipped_reference
from pawnlore.models.traits import trait_codes
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.skeleton import Masks, Skeleton, mirror_batch
from pawnlore.structures.verdict import BOTH, HOLDERS, NONE, SWAPPED

_SAMPLE = 2_000
UNLIKELY = 0.02
"""A label that a network gives less chance than this does not fit in."""

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class AuthorLabels:
    """N labels of an author: ``masks`` (N, 2), the structures' ids, and holders (N,)."""

    masks: Masks
    structures: tuple[str, ...]
    holders: npt.NDArray[np.int8]

    def __len__(self) -> int:
        return len(self.structures)

    def take(self, rows: npt.NDArray[np.intp]) -> AuthorLabels:
        """Some of them, in that order."""
        return AuthorLabels(
            self.masks[rows],
            tuple(self.structures[row] for row in rows.tolist()),
            self.holders[rows],
        )


def no_labels() -> AuthorLabels:
    """No label at all."""
    return AuthorLabels(np.empty((0, 2), dtype=np.uint64), (), np.empty(0, dtype=np.int8))


@dataclass(frozen=True)
class Contradiction:
    """Two statements of the author's on the same pawns that cannot both hold."""

    skeleton: tuple[int, int]
    one: str
    other: str


@dataclass(frozen=True)
class Misfit:
    """A label or example that the taught classifier does not follow elsewhere: perhaps wrong.

    ``chance`` is what it gives to what the author said.
    """

    skeleton: tuple[int, int]
    structure: str
    holder: str
    chance: float


@dataclass(frozen=True)
class Taught:
    """What came of teaching: the classifier, and what the author should look at."""

    classifier: TaughtClassifier
    contradictions: tuple[Contradiction, ...]
    misfits: tuple[Misfit, ...]
    facts: dict[str, object] = field(default_factory=dict)


def teach(
    base: Classifier,
    labels: AuthorLabels,
    families: Sequence[OwnFamily],
    *,
    seed: int = 0,
    reference: Reference | None = None,
    progress: Progress = lambda done, total: None,
) -> Taught:
    """Teach a classifier.

    The same arguments give the same numbers. Skeletons on which the author says
    two things are left out and told. Raises `FamilyError` for a family without
    examples. ``progress`` is told of steps done and of all; it may raise to end it.
    """
    reference = reference or shipped_reference()
    steps = len(families) + 2
    contradictions = find_contradictions(labels, families)
    disputed = _keys([c.skeleton for c in contradictions])
    labels = labels.take(np.flatnonzero(~np.isin(skeleton_keys(labels.masks), disputed)))
    complete = [complete_family(family, labels, disputed) for family in families]
    progress(0, steps)
    moved = adjusted_to(base, labels, reference)
    progress(1, steps)
    own = learn_families(
        complete, reference, seed=seed, progress=lambda done, _: progress(1 + done, steps)
    )
    facts = {
        **base.facts,
        "taught": {
            "base": base.digest,
            "labels": len(labels),
            "seed": seed,
            "families": {f.id: int(f.examples.shape[0]) for f in complete},
        },
    }
    classifier = with_families(replace(moved, facts=facts), own)
    misfits = find_misfits(classifier, labels, complete)
    progress(steps, steps)
    return Taught(classifier, contradictions, misfits)


def complete_family(
    family: OwnFamily, labels: AuthorLabels, disputed: npt.NDArray[np.void]
) -> OwnFamily:
    """A family with the labels on it as further examples, and the others as counter-examples."""
    mine = np.array([s == family.id for s in labels.structures], dtype=bool)
    masks = np.concatenate([family.examples, labels.masks[mine]])
    holders = np.concatenate([family.holders, labels.holders[mine]])
    kept = _first_of_each(masks) & ~np.isin(skeleton_keys(masks), disputed)
    # A label with the parent says nothing against the finer family.
    others = np.array([s not in (family.id, family.parent) for s in labels.structures], dtype=bool)
    counter = np.concatenate([family.counter, labels.masks[others]])
    keys = skeleton_keys(counter)
    free = _first_of_each(counter) & ~np.isin(keys, disputed)
    free &= ~np.isin(keys, skeleton_keys(masks))
    return replace(family, examples=masks[kept], holders=holders[kept], counter=counter[free])


def find_contradictions(
    labels: AuthorLabels, families: Sequence[OwnFamily]
) -> tuple[Contradiction, ...]:
    """Skeletons on which the author says two things, in the order of the statements.

    The mirror of a skeleton is the same skeleton with the holder swapped. A family
    and the one that it refines do not contradict each other.
    """
    said: dict[tuple[int, int], list[tuple[str, str, str]]] = {}
    parents = {(family.id, family.parent) for family in families}

    def say(masks: Masks, holders: npt.NDArray[np.int8], kind: str, names: Sequence[str]) -> None:
        for (white, black), code, name in zip(masks.tolist(), holders.tolist(), names, strict=True):
            key, holder = _canonical(white, black, HOLDERS[code])
            said.setdefault(key, []).append((kind, name, holder))

    say(labels.masks, labels.holders, "label", labels.structures)
    for family in families:
        say(family.examples, family.holders, "example", [family.id] * len(family.examples))
        nobody = np.zeros(len(family.counter), dtype=np.int8)
        say(family.counter, nobody, "counter-example", [family.id] * len(family.counter))
    found = []
    for skeleton, statements in said.items():
        for place, one in enumerate(statements):
            other = next((o for o in statements[place + 1 :] if _clash(one, o, parents)), None)
            if other is not None:
                found.append(Contradiction(skeleton, _told(one), _told(other)))
                break
    return tuple(found)


def _clash(
    one: tuple[str, str, str], other: tuple[str, str, str], parents: set[tuple[str, str]]
) -> bool:
    if "counter-example" in (one[0], other[0]):
        # It says only what the position is not.
        return one[0] != other[0] and one[1] == other[1]
    if (one[1], other[1]) in parents or (other[1], one[1]) in parents:
        return False
    return one[1:] != other[1:]


def _told(statement: tuple[str, str, str]) -> str:
    kind, name, holder = statement
    if kind == "counter-example":
        return f"a counter-example to {name}"
    held = "" if name == UNSETTLED else f", held by {holder}"
    return f"{'an' if kind == 'example' else 'a'} {kind} {'of ' * (kind == 'example')}{name}{held}"


def find_misfits(
    classifier: TaughtClassifier, labels: AuthorLabels, families: Sequence[OwnFamily]
) -> tuple[Misfit, ...]:
    """Labels and examples that the classifier does not follow, the unlikeliest first."""
    found = []
    learnt = {family.id: family for family in classifier.own}
    for family in families:
        for mask, holder, chance in zip(
            family.examples.tolist(),
            family.holders.tolist(),
            _chances(learnt[family.id], family.examples, family.holders),
            strict=True,
        ):
            if chance < chance_of(np.array([learnt[family.id].stands]))[0]:
                skeleton = (int(mask[0]), int(mask[1]))
                found.append(Misfit(skeleton, family.id, HOLDERS[holder], float(chance)))
    rows = np.array(
        [row for row, s in enumerate(labels.structures) if not s.startswith(PREFIX)], dtype=np.intp
    )
    shipped = labels.take(rows)
    numbers = classifier.classes.number(_ranks(classifier, shipped), shipped.holders)
    chances = classifier.probabilities(shipped.masks)[np.arange(len(shipped)), numbers]
    for row in np.flatnonzero(chances < UNLIKELY).tolist():
        white, black = shipped.masks[row].tolist()
        holder = HOLDERS[shipped.holders[row]]
        chance = round(float(chances[row]), 5)
        found.append(Misfit((white, black), shipped.structures[row], holder, chance))
    return tuple(sorted(found, key=lambda misfit: (misfit.chance, misfit.skeleton)))


def _chances(
    family: LearntFamily, masks: Masks, holders: npt.NDArray[np.int8]
) -> npt.NDArray[np.float64]:
    share, holder = family.judge(trait_codes(masks), trait_codes(mirror_batch(masks)))
    right = (holder == holders) | (holder == BOTH) | (holders == BOTH)
    return np.where(right, chance_of(share), 0.0)


def adjusted_to(base: Classifier, labels: AuthorLabels, reference: Reference) -> Classifier:
    """The base with the labels on shipped families, and on none, learnt."""
    known = {*base.catalogue.ids, UNSETTLED}
    rows = np.array([row for row, s in enumerate(labels.structures) if s in known], dtype=np.intp)
    mine = labels.take(rows)
    sample = reference.pool[:_SAMPLE]
    sample = sample[~np.isin(skeleton_keys(sample), skeleton_keys(mine.masks))]
    return adjusted(base, mine.masks, _ranks(base, mine), mine.holders, sample)


def _ranks(base: Classifier, labels: AuthorLabels) -> npt.NDArray[np.int16]:
    ranks = {UNSETTLED: NONE, **{id: rank for rank, id in enumerate(base.catalogue.ids)}}
    return np.array([ranks.get(s, NONE) for s in labels.structures], dtype=np.int16)


def _canonical(white: int, black: int, holder: str) -> tuple[tuple[int, int], str]:
    skeleton, swapped = Skeleton(white, black).canonical()
    return (skeleton.white, skeleton.black), SWAPPED[holder] if swapped else holder


def _keys(skeletons: Sequence[tuple[int, int]]) -> npt.NDArray[np.void]:
    return skeleton_keys(np.array(skeletons, dtype=np.uint64).reshape(len(skeletons), 2))


def _first_of_each(masks: Masks) -> npt.NDArray[np.bool_]:
    first = np.zeros(masks.shape[0], dtype=bool)
    first[np.unique(skeleton_keys(masks), return_index=True)[1]] = True
    return first
