"""Learning a family from a handful of examples.

What the examples have in common could be many things. The learner weighs whole
definitions - a condition for each trait - against each other: a definition is
likely where families tend to be defined like that (`trait_prior`), where all
examples meet it, where positions that other families' cores name do not, and
where few positions of games and of families that overlap do, for then it would
be a strange chance that all examples do (the "size principle": Tenenbaum,
"Bayesian modeling of human concept learning", NIPS 1998, quoted from memory).
Definitions are drawn by Gibbs sampling, and 64 of them are kept; the share of
them that a skeleton meets is the chance that the author would call it one of
the family.

A skeleton is then judged by one table look-up a trait: each entry has a bit for
each of the 64 definitions.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pawnlore.models.definitions import DEFINITIONS, Definitions
from pawnlore.models.traits import CODES, FILE_TRAITS, Codes, traits

INDEPENDENCE = 0.4
"""How far each of a few examples counts as drawn by itself; they may resemble each other."""

FULL_INDEPENDENCE = 0.8
"""The same for many examples, and for a family that refines another: what all of those share
is seldom by chance."""

_FEW = 5

_SLIP = np.log(1e-4)
"""The log chance that an example is one by mistake."""

_OTHERS = 4.0
"""How much it counts against a definition that cores of other families meet it."""

_COUNTER = 8.0
"""How much it counts against a definition that a counter-example meets it."""

_PARENT = 8.0
"""How much it counts against a definition that all positions of a parent meet it: something
must tell the new family from it."""

_PARENT_SHARE = 0.35
"""The share of the parent's positions that a refinement may have before that counts."""

_CHAINS = 16
"""Draws begin anew so often, for a chain seldom leaves the kind of definition that it found."""

_WARM_UP = 12
_HOTTEST = 3.0


@dataclass(frozen=True)
class Surroundings:
    """What the examples are seen against, all as codes with either side as the holder.

    ``pool`` are positions as they come in games; ``others`` such as another
    family's core names; ``counter`` counter-examples; ``parents`` the positions
    of each family that examples are positions of.
    """

    pool: Codes
    others: Codes
    counter: Codes
    parents: tuple[Codes, ...] = ()


class _Material:
    """Rows of codes, and how many traits of the definition in hand each row fails."""

    def __init__(self, codes: Codes) -> None:
        self.columns = [np.ascontiguousarray(column) for column in codes.T]
        self.rows = codes.shape[0]

    def begin(self, met: Sequence[npt.NDArray[np.bool_]]) -> None:
        self.failed = [~met[place][column] for place, column in enumerate(self.columns)]
        self.count = np.asarray(np.sum(self.failed, axis=0), dtype=np.int16)
        self._find_near()

    def change(self, place: int, met: npt.NDArray[np.bool_]) -> None:
        failed = ~met[self.columns[place]]
        self.count += failed
        self.count -= self.failed[place]
        self.failed[place] = failed
        self._find_near()

    def _find_near(self) -> None:
        """The few rows that fail at most one trait: no other can meet all conditions but one."""
        self.near = np.flatnonzero(self.count <= 1)
        self.near_count = self.count[self.near]

    def numbers(self, place: int) -> npt.NDArray[np.float64]:
        """How many rows that meet all other conditions have each code of this trait."""
        rows = self.near[self.near_count == self.failed[place][self.near]]
        return np.bincount(self.columns[place][rows], minlength=CODES).astype(np.float64)


def learn_definitions(
    examples: Codes,
    around: Surroundings,
    priors: Sequence[npt.NDArray[np.float64]],
    rng: np.random.Generator,
    *,
    refines: bool = False,
    fixed: Mapping[int, int] | None = None,
) -> Definitions:
    """Learn from examples (k, traits), each told from its holder's side.

    ``priors`` are those of `condition_priors`. ``fixed`` gives traits, by their
    place, for which the author has said which codes are allowed (bit i for code
    i). ``refines`` tells that the family is a finer one of another. The same
    arguments and generator give the same definitions.
    """
    conditions = [
        np.array([[(fixed[place] >> code) & 1 for code in range(CODES)]], dtype=bool)
        if fixed and place in fixed
        else trait.met
        for place, trait in enumerate(traits())
    ]
    chances = [
        np.zeros(1) if fixed and place in fixed else prior for place, prior in enumerate(priors)
    ]
    independence = FULL_INDEPENDENCE if refines else _independence(examples.shape[0])
    known = [np.bincount(column, minlength=CODES).astype(np.float64) for column in examples.T]
    count = examples.shape[0]
    meet = [met @ numbers for met, numbers in zip(conditions, known, strict=True)]
    weight = [chance + (count - fit) * _SLIP for chance, fit in zip(chances, meet, strict=True)]
    as_numbers = [met.astype(np.float64) for met in conditions]
    pool, others, counter = (_Material(c) for c in (around.pool, around.others, around.counter))
    parents = [_Material(codes) for codes in around.parents if codes.shape[0]]
    everything = (pool, others, counter, *parents)
    # Where no game's position is near, those of a family that overlaps are. A finer family has
    # a cost of its own for them.
    near = () if refines else tuple(parents)
    kept: list[list[int]] = []
    sweeps = DEFINITIONS // _CHAINS
    for chain in range(_CHAINS):
        now = [
            _tightest(place, chain, meet[place], count, as_numbers[place], pool)
            for place in range(len(conditions))
        ]
        for material in everything:
            material.begin([conditions[place][choice] for place, choice in enumerate(now)])
        for sweep in range(_WARM_UP + sweeps):
            heat = max(1.0, _HOTTEST * (1 - sweep / _WARM_UP))
            for place in rng.permutation(len(conditions)):
                met = as_numbers[place]
                seen = pool.numbers(place) + known[place]
                for parent in near:
                    seen += parent.numbers(place)
                size = met @ seen
                score = weight[place] - independence * count * np.log(size + 2.0)
                score -= _OTHERS * np.log1p(met @ others.numbers(place))
                if counter.rows:
                    score -= _COUNTER * (met @ counter.numbers(place))
                for parent in parents:
                    share = (met @ parent.numbers(place)) / parent.rows
                    over = (share - _PARENT_SHARE) / (1 - _PARENT_SHARE)
                    score -= _PARENT * np.clip(over, 0, 1)
                choice = _draw(score / heat, rng)
                if choice != now[place]:
                    now[place] = choice
                    for material in everything:
                        material.change(place, conditions[place][choice])
            if sweep >= _WARM_UP:
                kept.append(now.copy())
    return Definitions(_tables(conditions, kept))


def _independence(count: int) -> float:
    """How far each of so many examples counts, between few and many.

    >>> _independence(3), round(_independence(20), 2)
    (0.4, 0.7)
    """
    more = max(0.0, 1 - _FEW / count) if count else 0.0
    return INDEPENDENCE + (FULL_INDEPENDENCE - INDEPENDENCE) * more


def _tightest(
    place: int,
    chain: int,
    meet: npt.NDArray[np.float64],
    count: int,
    met: npt.NDArray[np.float64],
    pool: _Material,
) -> int:
    """Where a chain begins: the narrowest condition that all examples meet, or none."""
    fit = np.flatnonzero(meet == count)
    if not fit.size or place >= FILE_TRAITS or (chain % 2 and not 2 <= place % 8 <= 5):
        return 0
    size = met[fit] @ np.bincount(pool.columns[place], minlength=CODES)
    return int(fit[size.argmin()])


def _draw(score: npt.NDArray[np.float64], rng: np.random.Generator) -> int:
    chances = np.cumsum(np.exp(score - score.max()))
    place = np.searchsorted(chances, rng.random() * chances[-1], side="right")
    return min(int(place), score.size - 1)


def _tables(
    conditions: Sequence[npt.NDArray[np.bool_]], kept: Sequence[Sequence[int]]
) -> npt.NDArray[np.uint64]:
    tables = np.zeros((len(conditions), CODES), dtype=np.uint64)
    for bit, choices in enumerate(kept):
        for place, choice in enumerate(choices):
            tables[place] |= conditions[place][choice].astype(np.uint64) << np.uint64(bit)
    return tables
