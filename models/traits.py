"""Traits: what a family of structures can be told by, as small numbers.

A trait is one thing that can be said of a skeleton from the holder's side: how
one side's pawns stand on one file, how many pawn islands it has, whether it has
a pawn on the c- or the e-file, whether a file is open. Every skeleton has one
*code* for each trait, a number below 64. A *condition* on a trait is the set of
codes that meet it; the conditions that are worth thinking of stand in a list,
the first of which asks for nothing. A family is then a condition for each trait,
most of which ask for nothing.

All ranks are the holder's own: a pawn of the other side on its sixth rank has
advanced one step.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.structures.bits import count_bits
from pawnlore.structures.core import FileCondition
from pawnlore.structures.file_states import islands
from pawnlore.structures.majorities import wing_balance
from pawnlore.structures.matcher import file_patterns
from pawnlore.structures.motifs import backward, doubled, isolated, levers, passed, rams
from pawnlore.structures.skeleton import FILES, Masks

CODES = 64
"""Codes of every trait are below this."""

FILE_TRAITS = 16
"""The first traits: the holder's files a to h, then the other side's."""

Codes = npt.NDArray[np.uint8]
"""The codes of N skeletons, (N, traits)."""

OWN, FOE, EITHER = 0, 1, 2
"""Whose pawns a trait speaks of."""

_RANKS = range(2, 8)
_PAIRS = (("c", "e"), ("c", "d"), ("d", "e"))


@dataclass(frozen=True)
class Condition:
    """One condition on a trait.

    ``kind`` groups conditions that are as likely as each other to begin with;
    ``ranks`` are those that it names, from the holder's side. ``codes`` is the
    set of codes that meet it, bit i for code i.
    """

    text: str
    kind: str
    codes: int
    ranks: tuple[int, ...] = ()


@dataclass(frozen=True)
class Trait:
    """One trait and the conditions on it. ``file`` is -1 where it is not one of the files."""

    name: str
    group: str
    side: int
    file: int
    conditions: tuple[Condition, ...]

    @property
    def met(self) -> npt.NDArray[np.bool_]:
        """Which code meets which condition, (conditions, `CODES`)."""
        return np.array(
            [[(c.codes >> code) & 1 for code in range(CODES)] for c in self.conditions], dtype=bool
        )


def _codes(wanted: npt.NDArray[np.bool_]) -> int:
    return sum(1 << int(code) for code in np.flatnonzero(wanted))


def _file_conditions(side: int, file: str) -> tuple[Condition, ...]:
    """Conditions on one file: its code has a bit for each of the ranks 2 to 7."""
    patterns = np.arange(CODES)
    pawns = np.bitwise_count(patterns)
    found = [
        Condition("anything", "anything", _codes(pawns >= 0)),
        Condition(f"no {file}", "no", _codes(pawns == 0)),
        Condition(f"has {file}", "has", _codes(pawns >= 1)),
        Condition(f"one {file}", "one", _codes(pawns == 1)),
        Condition(f"two {file}", "two", _codes(pawns == 2)),
    ]
    for size in range(1, 6):
        for ranks in combinations(_RANKS, size):
            there = sum(1 << (rank - 2) for rank in ranks)
            on_one = (pawns == 1) & ((patterns & there) != 0)
            text = "|".join(f"{file}{rank}" for rank in ranks)
            row = ranks[-1] - ranks[0] + 1 == size
            if row:
                found.append(Condition(text, f"one of {size}", _codes(on_one), ranks))
            elif size <= 3:
                found.append(Condition(text, "scattered", _codes(on_one), ranks))
            if row and size <= 2:
                codes = _codes(on_one | (pawns == 0))
                found.append(Condition(f"no {file} or {text}", "no or", codes, ranks))
    for rank in _RANKS:
        on = (patterns >> (rank - 2)) & 1 == 1
        found.append(Condition(f"on {file}{rank}", "on", _codes(on), (rank,)))
        found.append(Condition(f"not {file}{rank}", "not on", _codes(~on), (rank,)))
    for low, high in combinations(_RANKS, 2):
        pair = patterns == (1 << (low - 2)) | (1 << (high - 2))
        found.append(Condition(f"{file}{low}+{file}{high}", "two on", _codes(pair), (low, high)))
    return tuple(found)


def _number_conditions(what: str, lowest: int, highest: int) -> tuple[Condition, ...]:
    """Conditions on a number; the code is the number less ``lowest``, bounded above."""
    values = np.arange(highest - lowest + 1)
    found = {_codes(values >= 0): Condition("anything", "anything", _codes(values >= 0))}
    for value in values:
        number = value + lowest
        for text, wanted in (
            (f"{what} {number}{' or more' if number == highest else ''}", values == value),
            (f"{what} {number} or more", values >= value),
            (f"{what} {number} or fewer", values <= value),
        ):
            codes = _codes(wanted)
            found.setdefault(codes, Condition(text, "number", codes))
    return tuple(found.values())


def _pair_conditions(one: str, other: str) -> tuple[Condition, ...]:
    """Conditions on two yes-or-no questions; bit 0 of the code is the first."""
    return (
        Condition("anything", "anything", 0b1111),
        Condition(f"{one} or {other}", "pair", 0b1110),
        Condition(f"not both of {one} and {other}", "pair", 0b0111),
        Condition(f"both of {one} and {other}, or neither", "pair", 0b1001),
        Condition(f"just one of {one} and {other}", "pair", 0b0110),
    )


def _open_conditions(file: str) -> tuple[Condition, ...]:
    """Whether a file is open; bit 0 of the code is a pawn of the holder's, bit 1 of the other's.

    That it is open can be said of each side's pawns on it. That it is not, whoever
    has a pawn there, can only be said here.
    """
    return (
        Condition("anything", "anything", 0b1111),
        Condition(f"a pawn on the {file}-file", "not open", 0b1110),
    )


_SIDES = ("own", "foe")
_COUNTED: tuple[tuple[str, Callable[[Masks], npt.NDArray[Any]], int, int], ...] = (
    ("islands", islands, 0, 4),
    ("isolated pawns", isolated, 0, 3),
    ("doubled pawns", doubled, 0, 2),
    ("backward pawns", backward, 0, 2),
    ("passed pawns", passed, 0, 2),
)
_BALANCES = ("files a to c", "files d and e", "files f to h", "the whole board")


@cache
def traits() -> tuple[Trait, ...]:
    """Every trait, in the order of the columns of `trait_codes`.

    >>> traits()[3].name, traits()[11].conditions[1].text
    ('own d', 'no d')
    """
    found = [
        Trait(f"{side} {file}", "file", number, place, _file_conditions(number, file))
        for number, side in enumerate(_SIDES)
        for place, file in enumerate(FILES)
    ]
    for place in _BALANCES:
        conditions = _number_conditions(f"lead in pawns on {place}", -3, 3)
        found.append(Trait(f"lead on {place}", "number", OWN, -1, conditions))
    for what, _, lowest, highest in _COUNTED:
        for number, side in enumerate(_SIDES):
            conditions = _number_conditions(what, lowest, highest)
            found.append(Trait(f"{side} {what}", "number", number, -1, conditions))
    found.append(Trait("locked pairs", "number", OWN, -1, _number_conditions("locked pairs", 0, 4)))
    found.append(Trait("own levers", "number", OWN, -1, _number_conditions("levers", 0, 3)))
    for one, other in _PAIRS:
        for number, side in enumerate(_SIDES):
            conditions = _pair_conditions(f"a {one}-pawn", f"a {other}-pawn")
            found.append(Trait(f"{side} {one}- or {other}-pawn", "pair", number, -1, conditions))
    for one, other in _PAIRS:
        for number, side in enumerate(_SIDES):
            conditions = _pair_conditions(f"{one}-pawn at home", f"{other}-pawn at home")
            found.append(
                Trait(f"{side} {one}- or {other}-pawn at home", "pair", number, -1, conditions)
            )
    for rank in (3, 4):
        for number, side in enumerate(_SIDES):
            at = rank if number == OWN else 9 - rank
            conditions = _pair_conditions(f"c{at}", f"e{at}")
            found.append(Trait(f"{side} c{at} or e{at}", "pair", number, -1, conditions))
    for file in FILES:
        found.append(Trait(f"open {file}", "open", EITHER, -1, _open_conditions(file)))
    return tuple(found)


def file_codes(condition: FileCondition) -> int:
    """The codes of a file's trait that meet a condition of a core."""
    return sum(1 << code for code in range(CODES) if (condition.allowed >> (code << 1)) & 1)


def trait_codes(masks: Masks) -> Codes:
    """The codes of a batch (N, 2) whose holder is White, ``uint8`` (N, traits).

    For Black as the holder, mirror the batch first.

    >>> from pawnlore.structures.skeleton import skeletons_from_fens
    >>> codes = trait_codes(skeletons_from_fens(["8/8/4p3/3p4/3P4/8/8/8"]))
    >>> codes.shape == (1, len(traits())), int(codes[0, 3])
    (True, 4)
    """
    own, foe = (file_patterns(np.ascontiguousarray(masks[:, side])) for side in (0, 1))
    columns: list[npt.NDArray[Any]] = [(pattern >> 1) & 63 for pattern in (*own, *foe)]
    wings, pawns = wing_balance(masks), count_bits(masks)
    leads = [*wings.T, pawns[:, 0].astype(np.int64) - pawns[:, 1]]
    columns += [np.clip(lead, -3, 3) + 3 for lead in leads]
    for _, count, lowest, highest in _COUNTED:
        found = count(masks)
        counts = count_bits(found) if found.dtype == np.uint64 else found
        columns += [np.clip(counts[:, side], lowest, highest) - lowest for side in (0, 1)]
    columns.append(np.minimum(count_bits(rams(masks))[:, 0], 4))
    columns.append(np.minimum(count_bits(levers(masks))[:, 0], 3))
    pairs = [(FILES.index(one), FILES.index(other)) for one, other in _PAIRS]
    columns += [
        (side[one] > 0) + 2 * (side[other] > 0) for one, other in pairs for side in (own, foe)
    ]
    for one, other in pairs:
        columns.append(((own[one] >> 1) & 1) + 2 * ((own[other] >> 1) & 1))
        columns.append(((foe[one] >> 6) & 1) + 2 * ((foe[other] >> 6) & 1))
    for rank in (3, 4):
        for side, bit in ((own, rank - 1), (foe, 8 - rank)):
            columns.append(((side[2] >> bit) & 1) + 2 * ((side[4] >> bit) & 1))
    columns += [(one > 0) + 2 * (other > 0) for one, other in zip(own, foe, strict=True)]
    return np.stack([column.astype(np.uint8) for column in columns], axis=1)
