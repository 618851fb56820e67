"""Learning an author's own families from their examples."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from pawnlore.models.family_learner import (
    DECLARED,
    INDEPENDENCE,
    REFINED_INDEPENDENCE,
    UNDECLARED,
    Surroundings,
    learn_definitions,
)
from pawnlore.models.own_family import FamilyError, LearntFamily, OwnFamily
from pawnlore.models.split import skeleton_keys
from pawnlore.models.teaching_reference import Reference
from pawnlore.models.traits import Codes, trait_codes
from pawnlore.structures.skeleton import Masks, mirror_batch
from pawnlore.structures.verdict import BLACK, BOTH

STANDS = 0.2
"""The share of the definitions that must be met for the family to be named."""

REFINEMENT_STANDS = 0.4
"""The same where the author calls the family a finer one of a shipped family."""

_PARENT_EXAMPLES = 2
_PARENT_SHARE = 0.4
_MOST_PARENT_POSITIONS = 300


def learn_family(family: OwnFamily, reference: Reference, *, seed: int = 0) -> LearntFamily:
    """Learn a family from its examples; the same arguments give the same family.

    Raises `FamilyError` where there is no example or a correction cannot be read.
    """
    if not family.examples.shape[0]:
        raise FamilyError(f"{family.id} has no example yet; give it a position that belongs to it")
    fixed = family.corrections.fixed()
    views = example_views(family.examples, family.holders)
    parents = _parents(family, reference, views)
    own_keys = skeleton_keys(family.examples)
    ids = reference.matcher.catalogue.ids
    outside = ~reference.met[:, [rank for rank, _ in parents]].any(axis=1)
    outside &= ~np.isin(skeleton_keys(reference.named), own_keys)
    around = Surroundings(
        reference.pool_codes,
        np.concatenate([reference.white[outside], reference.black[outside]]),
        both_views(family.counter),
        tuple(
            (
                _parent_positions(reference, rank, by_foe),
                DECLARED if ids[rank] == family.parent else UNDECLARED,
            )
            for rank, by_foe in parents
        ),
    )
    definitions = learn_definitions(
        views,
        around,
        reference.priors,
        np.random.default_rng(seed),
        independence=REFINED_INDEPENDENCE if family.parent else INDEPENDENCE,
        fixed=fixed,
    )
    return LearntFamily(
        family.id,
        family.name,
        family.parent,
        bool((family.holders == BOTH).all()),
        REFINEMENT_STANDS if family.parent else STANDS,
        int(family.examples.shape[0]),
        definitions,
    )


def example_views(masks: Masks, holders: npt.NDArray[np.int8]) -> Codes:
    """The codes of examples from their holders' sides; one of both sides is told twice."""
    turned = np.where((holders == BLACK)[:, None], mirror_batch(masks), masks)
    shared = holders == BOTH
    return trait_codes(np.concatenate([turned, mirror_batch(masks[shared])]))


def both_views(masks: Masks) -> Codes:
    """The codes of N skeletons with White and then with Black as the holder, (2 N, traits)."""
    return trait_codes(np.concatenate([masks, mirror_batch(masks)]))


def _parents(family: OwnFamily, reference: Reference, views: Codes) -> list[tuple[int, bool]]:
    """The families whose positions the examples are, and whether the other side holds those."""
    turned = np.where(
        (family.holders == BLACK)[:, None], mirror_batch(family.examples), family.examples
    )
    match = reference.matcher.match(turned)
    least = max(_PARENT_SHARE * len(turned), min(_PARENT_EXAMPLES, len(turned)))
    by_own, by_foe = match.white.sum(axis=0), match.black.sum(axis=0)
    found = {
        int(rank): bool(by_foe[rank] > by_own[rank])
        for rank in np.flatnonzero(np.maximum(by_own, by_foe) >= least)
    }
    if family.parent:
        ids = reference.matcher.catalogue.ids
        if family.parent not in ids:
            raise FamilyError(f"{family.parent!r} is no shipped family, so it cannot be a parent")
        found.setdefault(ids.index(family.parent), False)
    return sorted(found.items())


def _parent_positions(reference: Reference, rank: int, by_foe: bool) -> Codes:
    """Positions of a family, told from the side from which the examples are."""
    white, black = reference.white_met[:, rank], reference.black_met[:, rank]
    if by_foe:
        white, black = black, white
    rows = np.concatenate([reference.white[white], reference.black[black]])
    return rows[:_MOST_PARENT_POSITIONS]


def learn_families(
    families: Sequence[OwnFamily],
    reference: Reference,
    *,
    seed: int = 0,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> tuple[LearntFamily, ...]:
    """Learn several families, each as if it were the only one."""
    found = []
    for done, family in enumerate(families):
        progress(done, len(families))
        found.append(learn_family(family, reference, seed=seed))
    progress(len(families), len(families))
    return tuple(found)
