"""What an author's statements are worth: each is judged by a model that has not learnt it.

Labels, examples and counter-examples are dealt into parts by their pawns, so
that no skeleton and no mirror is in two. For each part everything is taught
anew from the others - the network's last layer and all own families - and that
classifier is asked about the part, as it would be in use. Of a family, or of
the shipped structures, with less than `LEAST` statements nothing is measured.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pawnlore.models.classifier import Classifier
from pawnlore.models.family_teaching import learn_families
from pawnlore.models.own_chance import chance_of
from pawnlore.models.own_family import PREFIX, OwnFamily
from pawnlore.models.split import skeleton_keys
from pawnlore.models.taught_classifier import TaughtClassifier, with_families
from pawnlore.models.teaching import (
    UNLIKELY,
    AuthorLabels,
    Misfit,
    adjusted_to,
    complete_family,
    find_contradictions,
)
from pawnlore.models.teaching_reference import Reference, shipped_reference
from pawnlore.models.traits import trait_codes
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.skeleton import Masks, mirror_batch
from pawnlore.structures.verdict import BOTH, HOLDERS, NONE

FOLDS = 5
"""Parts into which statements are dealt."""

LEAST = 4
"""Of fewer statements than this nothing is measured."""

MOST_DEALT = 2_000
"""Of more labels on shipped structures than this, so many are drawn and dealt."""

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Statements:
    """N statements of an author's: ``masks`` (N, 2), and what is said of each.

    Where ``counter`` is empty, the pawns are ``structures``, held by ``holders``;
    else they do not belong to the family ``counter``, and nothing more is said.
    """

    masks: Masks
    structures: tuple[str, ...]
    holders: npt.NDArray[np.int8]
    counter: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.structures)


@dataclass(frozen=True)
class HeldOut:
    """What was said of N statements without having learnt them.

    ``answers`` and ``holders`` are the verdicts, with the own family in the place
    of a core's name where the statement is about an own family. ``core`` is true
    where a core decided, and ``chance`` is the verdict's probability; ``said_chance``
    is what the network gives to what the author said, 1 for own families. ``stands``
    (N, own families) tells which own families would be named, ``own_holders``
    whose they would be and ``own_chances`` how sure that is; ``parents`` are the
    families that the own ones refine. ``labels`` is how many there
    were on shipped structures and on none, before some were drawn.
    """

    statements: Statements
    answers: tuple[str, ...]
    holders: npt.NDArray[np.int8]
    chance: npt.NDArray[np.float64]
    core: npt.NDArray[np.bool_]
    said_chance: npt.NDArray[np.float64]
    families: tuple[str, ...]
    parents: tuple[str, ...]
    stands: npt.NDArray[np.bool_]
    own_holders: npt.NDArray[np.int8]
    own_chances: npt.NDArray[np.float64]
    labels: int

    def right(self) -> npt.NDArray[np.bool_]:
        """Which verdicts are what the author said, (N,); false for counter-examples.

        A finer family on pawns that were labelled with the one that it refines
        is right too.
        """
        parents = dict(zip(self.families, self.parents, strict=True))
        said = self.statements
        found = np.zeros(len(said), dtype=bool)
        for row, (structure, answer) in enumerate(zip(said.structures, self.answers, strict=True)):
            if said.counter[row]:
                continue
            same = answer == structure or parents.get(answer) == structure
            pair = (int(self.holders[row]), int(said.holders[row]))
            either = structure == UNSETTLED or (answer.startswith(PREFIX) and BOTH in pair)
            found[row] = same and (either or pair[0] == pair[1])
        return found


def cross_validate(
    base: Classifier,
    labels: AuthorLabels,
    families: Sequence[OwnFamily],
    *,
    seed: int = 0,
    reference: Reference | None = None,
    progress: Progress = lambda done, total: None,
) -> HeldOut:
    """Judge each statement by what the others teach.

    The same arguments give the same answers. Pawns of which two things are said
    are left out. ``progress`` is told of parts done, and may raise to end it.
    """
    reference = reference or shipped_reference()
    disputed = _keys([c.skeleton for c in find_contradictions(labels, families)])
    labels = labels.take(np.flatnonzero(~np.isin(skeleton_keys(labels.masks), disputed)))
    shipped = np.array([not s.startswith(PREFIX) for s in labels.structures], dtype=bool)
    drawn = int(shipped.sum())
    if drawn > MOST_DEALT:
        # Each part learns anew; so many tell as much as all, in seconds.
        some = np.random.default_rng([seed, drawn]).permutation(np.flatnonzero(shipped))
        labels = labels.take(np.sort(np.concatenate([np.flatnonzero(~shipped), some[:MOST_DEALT]])))
    said = _statements(labels, families, disputed)
    fold = _deal(said, seed)
    found = _Answers(len(said), len(families))
    label_keys = skeleton_keys(labels.masks)
    keys = skeleton_keys(said.masks)
    for number in range(FOLDS if len(said) else 0):
        progress(number, FOLDS)
        here = np.flatnonzero(fold == number)
        if not here.size:
            continue
        there = labels.take(np.flatnonzero(~np.isin(label_keys, keys[here])))
        rest = [complete_family(_without(f, keys[here]), there, disputed) for f in families]
        moved = adjusted_to(base, there, reference)
        own = learn_families([f for f in rest if f.examples.shape[0]], reference, seed=seed)
        found.take(with_families(moved, own), said, here, [f.id for f in families])
    progress(FOLDS, FOLDS)
    return HeldOut(
        said,
        tuple(found.answers),
        found.holders,
        found.chance,
        found.core,
        found.said_chance,
        tuple(f.id for f in families),
        tuple(f.parent for f in families),
        found.stands,
        found.own_holders,
        found.own_chances,
        drawn,
    )


class _Answers:
    """The columns of `HeldOut`, filled part by part."""

    def __init__(self, count: int, families: int) -> None:
        self.answers = [UNSETTLED] * count
        self.holders = np.full(count, BOTH, dtype=np.int8)
        self.chance = np.zeros(count)
        self.core = np.zeros(count, dtype=bool)
        self.said_chance = np.ones(count)
        self.stands = np.zeros((count, families), dtype=bool)
        self.own_holders = np.full((count, families), BOTH, dtype=np.int8)
        self.own_chances = np.zeros((count, families))

    def take(
        self,
        model: TaughtClassifier,
        said: Statements,
        rows: npt.NDArray[np.intp],
        families: Sequence[str],
    ) -> None:
        masks = said.masks[rows]
        verdicts, own = model.classify(masks), model.own_verdicts(masks)
        self.said_chance[rows] = said_chances(model, said, rows)
        white, black = trait_codes(masks), trait_codes(mirror_batch(masks))
        for family in model.own:
            place = families.index(family.id)
            share, holder = family.judge(white, black)
            self.stands[rows, place] = share >= family.stands
            self.own_holders[rows, place] = holder
            self.own_chances[rows, place] = chance_of(share)
        for place, row in enumerate(rows.tolist()):
            if said.structures[row].startswith(PREFIX) and own.family[place] != NONE:
                self.answers[row] = model.own[own.family[place]].id
                self.holders[row] = own.holder[place]
                self.chance[row] = own.probability[place]
            else:
                self.answers[row] = verdicts.structure(place)
                self.holders[row] = verdicts.holder[place]
                self.chance[row] = verdicts.probability[place]
                self.core[row] = verdicts.core[place]


def said_chances(
    model: Classifier, said: Statements, rows: npt.NDArray[np.intp]
) -> npt.NDArray[np.float64]:
    """What a network gives to some statements, 1 where they are not on shipped structures."""
    ranks = {UNSETTLED: NONE, **{id: rank for rank, id in enumerate(model.catalogue.ids)}}
    shipped = np.array([said.structures[row] in ranks for row in rows.tolist()], dtype=bool)
    found = np.ones(rows.size)
    asked = rows[shipped]
    family = np.array([ranks[said.structures[row]] for row in asked.tolist()], dtype=np.int16)
    number = model.classes.number(family, said.holders[asked])
    found[shipped] = model.probabilities(said.masks[asked])[np.arange(asked.size), number]
    return found


def held_misfits(held: HeldOut) -> tuple[Misfit, ...]:
    """Labels that all the others speak against, the unlikeliest first: perhaps slips.

    A label that was learnt is seldom contradicted by what learnt it; so each is
    held against a network that has learnt only the others.
    """
    said = held.statements
    found = [
        Misfit(
            (int(said.masks[row, 0]), int(said.masks[row, 1])),
            said.structures[row],
            HOLDERS[said.holders[row]],
            round(float(held.said_chance[row]), 5),
        )
        for row in np.flatnonzero(held.said_chance < UNLIKELY).tolist()
    ]
    return tuple(sorted(found, key=lambda one: (one.chance, one.skeleton)))


def _statements(
    labels: AuthorLabels, families: Sequence[OwnFamily], disputed: npt.NDArray[np.void]
) -> Statements:
    """All that is measured: what has `LEAST` of its kind, each only once."""
    masks: list[tuple[int, int]] = []
    rows: list[tuple[str, int, str]] = []
    seen: set[tuple[bytes, str, str]] = set()

    def say(batch: Masks, holders: Sequence[int], structure: str, counter: str) -> None:
        keys = skeleton_keys(batch)
        free = ~np.isin(keys, disputed)
        for row in np.flatnonzero(free).tolist():
            known = (keys[row].tobytes(), structure, counter)
            if known not in seen:
                seen.add(known)
                masks.append((int(batch[row, 0]), int(batch[row, 1])))
                rows.append((structure, int(holders[row]), counter))

    kinds = np.array(labels.structures, dtype=object)
    if sum(not s.startswith(PREFIX) for s in labels.structures) >= LEAST:
        for structure in sorted({s for s in labels.structures if not s.startswith(PREFIX)}):
            mine = np.flatnonzero(kinds == structure)
            say(labels.masks[mine], labels.holders[mine].tolist(), structure, "")
    for family in families:
        whole = complete_family(family, labels, disputed)
        if whole.examples.shape[0] < LEAST:
            continue
        say(whole.examples, whole.holders.tolist(), family.id, "")
        # Labels on other structures are among the counter-examples, and are said above.
        given = family.counter
        say(given, [BOTH] * given.shape[0], "", family.id)
    return Statements(
        np.array(masks, dtype=np.uint64).reshape(len(masks), 2),
        tuple(structure for structure, _, _ in rows),
        np.array([holder for _, holder, _ in rows], dtype=np.int8),
        tuple(counter for _, _, counter in rows),
    )


def _deal(said: Statements, seed: int) -> npt.NDArray[np.intp]:
    """The part of each statement: each structure is spread evenly, and no pawns are in two."""
    keys = skeleton_keys(said.masks)
    parts: dict[bytes, int] = {}
    fold = np.zeros(len(said), dtype=np.intp)
    kinds = [f"{s} {c}" for s, c in zip(said.structures, said.counter, strict=True)]
    order = np.random.default_rng([seed, len(said)]).permutation(len(said))
    dealt: dict[str, int] = {}
    for row in order.tolist():
        key = keys[row].tobytes()
        if key not in parts:
            # Kinds begin in different parts, else the first part would have all that is rare.
            begin = dealt.setdefault(kinds[row], len(dealt))
            parts[key] = begin % FOLDS
            dealt[kinds[row]] = begin + 1
        fold[row] = parts[key]
    return fold


def _without(family: OwnFamily, keys: npt.NDArray[np.void]) -> OwnFamily:
    kept = ~np.isin(skeleton_keys(family.examples), keys)
    counter = ~np.isin(skeleton_keys(family.counter), keys)
    return replace(
        family,
        examples=family.examples[kept],
        holders=family.holders[kept],
        counter=family.counter[counter],
    )


def _keys(skeletons: Sequence[tuple[int, int]]) -> npt.NDArray[np.void]:
    return skeleton_keys(np.array(skeletons, dtype=np.uint64).reshape(len(skeletons), 2))


def told(structure: str, holder: int) -> str:
    """A statement or a verdict as the figures write it.

    >>> told("carlsbad", 1), told("unsettled", 0)
    ('carlsbad white', 'unsettled')
    """
    return structure if structure == UNSETTLED else f"{structure} {HOLDERS[holder]}"
