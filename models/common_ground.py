"""What the tool believes an own family's examples have in common, for its author to correct.

Told twice: in words, a line for each trait that matters, and as squares and
files to be drawn on an empty board with the holder as White.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pawnlore.models.own_family import LearntFamily
from pawnlore.models.traits import CODES, EITHER, FILE_TRAITS, FOE, Trait, traits
from pawnlore.structures.skeleton import FILES

MATTERS = 0.5
"""The share of the definitions that must ask for something before a trait is told."""

_SIDE_WORDS = ("the holder", "the other side", "either side")


@dataclass(frozen=True)
class CommonTrait:
    """One thing that the examples have in common.

    ``trait`` is the name that a correction uses, ``sure`` the share of the
    definitions that ask for it, ``words`` tells it.
    """

    trait: str
    sure: float
    words: str


@dataclass(frozen=True)
class SquareWeight:
    """How much a pawn of one side on a square is asked for, 0 to 1."""

    side: str
    square: str
    weight: float


@dataclass(frozen=True)
class CommonGround:
    """What a family's examples have in common.

    ``squares`` are where a pawn belongs, ``empty_files`` name side and file
    where there must be none, both with the holder as White.
    """

    traits: tuple[CommonTrait, ...]
    squares: tuple[SquareWeight, ...]
    empty_files: tuple[tuple[str, str], ...]

    def text(self) -> str:
        """All of it in one sentence a line."""
        return "\n".join(one.words for one in self.traits) or "nothing that is sure yet"


def common_ground(family: LearntFamily) -> CommonGround:
    """What was learnt, the surest first."""
    found: list[CommonTrait] = []
    squares: list[SquareWeight] = []
    empty: list[tuple[str, str]] = []
    for place, trait in enumerate(traits()):
        allowed = family.definitions.allowed(place)
        sure, words = _told(trait, allowed)
        if sure < MATTERS:
            continue
        found.append(CommonTrait(trait.name, round(sure, 2), words))
        if place < FILE_TRAITS:
            side, file = ("own", "foe")[trait.side], FILES[trait.file]
            weights = _square_weights(allowed)
            if not weights:
                empty.append((side, file))
            squares += [SquareWeight(side, f"{file}{r}", w) for r, w in weights]
    found.sort(key=lambda one: -one.sure)
    return CommonGround(tuple(found), tuple(squares), tuple(empty))


def _told(trait: Trait, allowed: npt.NDArray[np.float64]) -> tuple[float, str]:
    """How sure it is that the trait matters, and the condition that says it best."""
    codes = np.flatnonzero([(trait.conditions[0].codes >> c) & 1 for c in range(CODES)])
    likely = allowed[codes] >= MATTERS
    if likely.all():
        return 0.0, ""
    # The condition whose codes are most nearly those that half of the definitions allow.
    wanted = {int(code) for code, yes in zip(codes, likely, strict=True) if yes}
    best = min(
        trait.conditions[1:],
        key=lambda c: (
            sum(((c.codes >> int(code)) & 1) != (int(code) in wanted) for code in codes),
            len(c.text),
        ),
    )
    sure = 1.0 - float(allowed[[c for c in codes if not (best.codes >> int(c)) & 1]].max())
    return sure, f"{_SIDE_WORDS[trait.side]}: {_words(trait, best.text)}"


def _words(trait: Trait, text: str) -> str:
    """A condition in words of the board.

    >>> _words(traits()[3], "d4"), _words(traits()[12], "no e")
    ('a pawn on d4, alone on its file', 'no pawn on the e-file')
    """
    if trait.group != "file":
        return text
    file = FILES[trait.file]
    if text == f"no {file}":
        return f"no pawn on the {file}-file"
    if text == f"has {file}":
        return f"a pawn on the {file}-file, wherever it stands"
    if text in (f"one {file}", f"two {file}"):
        one = text.startswith("one")
        return f"{'one pawn' if one else 'two pawns'} on the {file}-file"
    if text.startswith("on "):
        return f"a pawn on {text[3:]}"
    if text.startswith("not "):
        return f"no pawn on {text[4:]}"
    if text.startswith("no "):
        squares = text.split(" or ", 1)[1]
        return f"no pawn on the {file}-file, or one on {_either(squares.split('|'))}"
    if "+" in text:
        return f"pawns on {' and '.join(text.split('+'))}"
    return f"a pawn on {_either(text.split('|'))}, alone on its file"


def _either(squares: Iterable[str]) -> str:
    *most, last = squares
    return f"{', '.join(most)} or {last}" if most else last


def _square_weights(allowed: npt.NDArray[np.float64]) -> list[tuple[int, float]]:
    """Ranks on which a pawn is allowed, where the file is not to be empty."""
    alone = [float(allowed[1 << bit]) for bit in range(6)]
    least = float(allowed[0])
    return [
        (bit + 2, round(weight, 2))
        for bit, weight in enumerate(alone)
        if weight >= MATTERS and least < MATTERS
    ]


assert (FOE, EITHER) == (1, 2), "the words of the sides stand in this order"
