"""Learning an author's own families from their examples."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pawnlore.models.definitions import DEFINITIONS, Definitions
from pawnlore.models.family_learner import Surroundings, learn_definitions
from pawnlore.models.own_family import FamilyError, LearntFamily, OwnFamily
from pawnlore.models.split import skeleton_keys
from pawnlore.models.teaching_reference import Reference
from pawnlore.models.traits import Codes, trait_codes
from pawnlore.structures.skeleton import Masks, mirror_batch
from pawnlore.structures.verdict import BLACK, BOTH

LEAST_STANDS, MOST_STANDS = 3, 11
"""Of all `DEFINITIONS`, how many must be met for a family to be named: the least and the most.

Few examples share by chance what does not define the family. Most definitions
then ask for one such thing or another, each for a different one, so that only
few of them let a true position pass."""

AGREED_SHARE = 0.3
"""The share of the definitions from which on a position is one of the family in any case."""

STRANGERS = 12
"""How many more positions of games may be let in than are the family's in any case.

Of some 9,000. Where definitions that few agree with would bring in more, they
are most likely wrong; where they bring hardly any, nothing speaks against them."""

NAMED_STRANGERS = 2
"""The same for positions that other families' cores name, those that overlap included.

Of some 10,000. These are known to be something else, which those of games are not."""

REFINEMENT_STANDS = 0.3
"""The same where the family is a finer one of another, whose other positions are near."""

_PARENT_EXAMPLES = 2
_PARENT_SHARE = 0.4
_WHOLLY = 0.9
"""The share of examples that are one family's positions, from which on they must be finer."""

_MOST_PARENT_POSITIONS = 300

Shares = npt.NDArray[np.float64]
"""The shares of the definitions that N positions meet, (N,)."""


def learn_family(family: OwnFamily, reference: Reference, *, seed: int = 0) -> LearntFamily:
    """Learn a family from its examples; the same arguments give the same family.

    Raises `FamilyError` where there is no example or a correction cannot be read.
    """
    if not family.examples.shape[0]:
        raise FamilyError(f"{family.id} has no example yet; give it a position that belongs to it")
    fixed = family.corrections.fixed()
    views = example_views(family.examples, family.holders)
    parents = _parents(family, reference)
    own_keys = skeleton_keys(family.examples)
    refines = any(parent.refined for parent in parents)
    outside = ~reference.met[:, [parent.rank for parent in parents]].any(axis=1)
    outside &= ~np.isin(skeleton_keys(reference.named), own_keys)
    around = Surroundings(
        reference.pool_codes,
        np.concatenate([reference.white[outside], reference.black[outside]]),
        both_views(family.counter),
        tuple(_parent_positions(reference, parent) for parent in parents),
    )
    definitions = learn_definitions(
        views,
        around,
        reference.priors,
        np.random.default_rng(seed),
        refines=refines,
        fixed=fixed,
    )
    return LearntFamily(
        family.id,
        family.name,
        family.parent,
        bool((family.holders == BOTH).all()),
        REFINEMENT_STANDS if refines else stands_from(*_known_shares(definitions, around)),
        int(family.examples.shape[0]),
        definitions,
    )


def stands_from(games: Shares, named: Shares) -> float:
    """The share of the definitions that must be met, by how many known positions meet how many.

    ``games`` and ``named`` are the shares that positions of games meet, and such
    as other families' cores name.

    >>> nobody = np.zeros(1_000)
    >>> stands_from(nobody, nobody) * DEFINITIONS
    3.0
    >>> stands_from(np.full(20, 0.1), nobody) * DEFINITIONS
    7.0
    >>> stands_from(nobody, np.full(3, 0.05)) * DEFINITIONS
    4.0
    """
    for least in range(LEAST_STANDS, MOST_STANDS):
        if _strangers(games, least) <= STRANGERS and _strangers(named, least) <= NAMED_STRANGERS:
            return least / DEFINITIONS
    return MOST_STANDS / DEFINITIONS


def _strangers(shares: Shares, least: int) -> int:
    return int(((shares >= least / DEFINITIONS) & (shares < AGREED_SHARE)).sum())


def _known_shares(definitions: Definitions, around: Surroundings) -> tuple[Shares, Shares]:
    """The shares that positions of games and of other families meet.

    By whichever side holds it; those of families that overlap are told from one side only.
    """
    games, others = (
        np.maximum(*np.split(definitions.share(codes), 2)) for codes in (around.pool, around.others)
    )
    overlapping = (definitions.share(codes) for codes in around.parents)
    return games, np.concatenate([others, *overlapping])


def example_views(masks: Masks, holders: npt.NDArray[np.int8]) -> Codes:
    """The codes of examples from their holders' sides; one of both sides is told twice."""
    turned = np.where((holders == BLACK)[:, None], mirror_batch(masks), masks)
    shared = holders == BOTH
    return trait_codes(np.concatenate([turned, mirror_batch(masks[shared])]))


def both_views(masks: Masks) -> Codes:
    """The codes of N skeletons with White and then with Black as the holder, (2 N, traits)."""
    return trait_codes(np.concatenate([masks, mirror_batch(masks)]))


@dataclass(frozen=True)
class _Parent:
    """A family whose positions examples are; ``by_foe`` tells that the other side holds it.

    ``refined`` is true where the author says so, or where nearly all examples
    are positions of it: then the new family can only be a finer one.
    """

    rank: int
    by_foe: bool
    refined: bool


def _parents(family: OwnFamily, reference: Reference) -> list[_Parent]:
    turned = np.where(
        (family.holders == BLACK)[:, None], mirror_batch(family.examples), family.examples
    )
    match = reference.matcher.match(turned)
    count = len(turned)
    least = max(_PARENT_SHARE * count, min(_PARENT_EXAMPLES, count))
    by_own, by_foe = match.white.sum(axis=0), match.black.sum(axis=0)
    most = np.maximum(by_own, by_foe)
    found = {
        int(rank): _Parent(
            int(rank), bool(by_foe[rank] > by_own[rank]), bool(most[rank] >= _WHOLLY * count)
        )
        for rank in np.flatnonzero(most >= least)
    }
    if family.parent:
        ids = reference.matcher.catalogue.ids
        if family.parent not in ids:
            raise FamilyError(f"{family.parent!r} is no shipped family, so it cannot be a parent")
        rank = ids.index(family.parent)
        found[rank] = _Parent(rank, bool(by_foe[rank] > by_own[rank]), True)
    return [found[rank] for rank in sorted(found)]


def _parent_positions(reference: Reference, parent: _Parent) -> Codes:
    """Positions of a family, told from the side from which the examples are."""
    white, black = reference.white_met[:, parent.rank], reference.black_met[:, parent.rank]
    if parent.by_foe:
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
