"""Which conditions tend to define a family, before any example is seen.

Learnt from the cores of a catalogue and smoothed, so that no file and no kind of
condition is ruled out: central files are named in most cores and wing files
seldom; "a pawn on this or the next square" is common, "two pawns on exactly
these squares" is rare. An author's family need not be of the catalogue's kind,
so every file keeps a share of its own.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pawnlore.models.traits import FILE_TRAITS, FOE, Condition, file_codes, traits
from pawnlore.structures.catalogue import Family

WING_SHARE = 0.12
"""The least chance that a wing file matters."""

CENTRE_SHARE = 0.35
"""The least chance that one of the files c to f matters."""

NUMBER_SHARE = 0.04
"""The chance that a count, such as that of islands, matters beside the files."""

PAIR_SHARE = 0.03
"""The chance that a question to two files at once matters."""

OPEN_SHARE = 0.01
"""The chance that it matters that a file is not open, whoever's pawn stands on it."""

_SHARES = {"number": NUMBER_SHARE, "pair": PAIR_SHARE, "open": OPEN_SHARE}

_BORROWED = 8.0
"""How many cores the habits of all files count for, where one file's own are asked."""

_SMOOTH = 2.0


def condition_priors(families: Sequence[Family]) -> list[npt.NDArray[np.float64]]:
    """Log chances of the conditions of every trait, one array (conditions,) a trait."""
    kinds: Counter[str] = Counter()
    named: Counter[tuple[int, int]] = Counter()
    local: Counter[tuple[int, int, str]] = Counter()
    ranks: Counter[tuple[str, tuple[int, ...]]] = Counter()
    for family in families:
        for place, condition in _conditions_of(family):
            trait = traits()[place]
            where = (trait.side, trait.file)
            kinds[condition.kind] += 1
            named[where] += 1
            local[*where, condition.kind] += 1
            ranks[condition.kind, _advance(condition, trait.side)] += 1
    every = {c.kind for c in traits()[0].conditions} - {"anything"}
    total = sum(kinds[kind] + _SMOOTH for kind in every)
    habits = {kind: (kinds[kind] + _SMOOTH) / total for kind in every}
    found = []
    for trait in traits():
        if trait.group != "file":
            share = _SHARES[trait.group]
            others = len(trait.conditions) - 1
            found.append(np.log(np.array([1 - share, *[share / others] * others])))
            continue
        where = (trait.side, trait.file)
        least = CENTRE_SHARE if 2 <= trait.file <= 5 else WING_SHARE
        share = max(least, (named[where] + 1) / (len(families) + 2))
        of_kind: dict[str, float] = defaultdict(float)
        for condition in trait.conditions:
            of_kind[condition.kind] += _weight(condition, trait.side, ranks)
        chances = []
        for condition in trait.conditions:
            if condition.kind == "anything":
                chances.append(1 - share)
                continue
            kind = (local[*where, condition.kind] + _BORROWED * habits[condition.kind]) / (
                named[where] + _BORROWED
            )
            within = _weight(condition, trait.side, ranks) / of_kind[condition.kind]
            chances.append(share * kind * within)
        found.append(np.log(np.array(chances)))
    return found


def _weight(condition: Condition, side: int, ranks: Counter[tuple[str, tuple[int, ...]]]) -> float:
    return _SMOOTH + ranks[condition.kind, _advance(condition, side)]


def _advance(condition: Condition, side: int) -> tuple[int, ...]:
    """The ranks of a condition as that side counts them, so that both sides teach each other."""
    if side == FOE:
        return tuple(sorted(9 - rank for rank in condition.ranks))
    return condition.ranks


def _conditions_of(family: Family) -> list[tuple[int, Condition]]:
    """The conditions of a core that speak of one file, each with its trait's place."""
    found = []
    for side, conditions in enumerate((family.core.own, family.core.foe)):
        for condition in conditions:
            if len(condition.alternatives) == 1:
                alternative = condition.alternatives[0]
                place = side * (FILE_TRAITS // 2) + alternative.file
                codes = file_codes(alternative)
                for known in traits()[place].conditions:
                    if known.codes == codes:
                        found.append((place, known))
                        break
    return found
