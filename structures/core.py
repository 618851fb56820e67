"""Cores: the strict textbook form of a family, written as conditions on files.

A core is read from its holder's side. ``own`` is the holder and ``foe`` the
other side, both in the holder's own coordinates (the holder's first rank is
rank 1). Conditions are separated by commas:

=============== =============================================================
``d4``          exactly one pawn on the d-file, and it stands on d4
``c2|c3``       exactly one pawn on the c-file, on c2 or on c3
``no c``        no pawn on the c-file
``has c``       at least one pawn on the c-file
``has c/e``     at least one pawn on the c- or the e-file
``e5/c5``       at least one of these single-pawn conditions holds
``on c4``       a pawn stands on c4, whatever else is on the file
``two c``       exactly two pawns on the c-file
``c3+c4``       exactly these two pawns on the c-file
=============== =============================================================
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_FILES = "abcdefgh"
_SQUARE = re.compile(r"[a-h][2-7]\Z")
_FILE = re.compile(r"[a-h]\Z")


class CoreError(ValueError):
    """A core that cannot be read; the message is meant for people."""


@dataclass(frozen=True, slots=True)
class FileCondition:
    """What one file may hold for a condition to be met.

    ``allowed`` has one bit for each of the 256 ways in which a file's eight
    squares can be filled (bit i set: rank pattern i is allowed), so that any
    condition on a single file is one table look-up.
    """

    file: int
    allowed: int


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition of a core: any of its `FileCondition` alternatives meets it."""

    text: str
    alternatives: tuple[FileCondition, ...]

    @property
    def files(self) -> tuple[int, ...]:
        """The files that the condition speaks of, a = 0."""
        return tuple(alternative.file for alternative in self.alternatives)

    def met(self, mask: int) -> bool:
        """Whether one side's pawns meet the condition.

        >>> parse_conditions("c2|c3")[0].met(1 << 10)
        True
        """
        return any(
            (alternative.allowed >> file_pattern(mask, alternative.file)) & 1
            for alternative in self.alternatives
        )


@dataclass(frozen=True, slots=True)
class Core:
    """The conditions on the holder's pawns and on the other side's."""

    own: tuple[Condition, ...]
    foe: tuple[Condition, ...]

    def met(self, own: int, foe: int) -> bool:
        """Whether the core is met, both masks in the holder's coordinates."""
        return all(c.met(own) for c in self.own) and all(c.met(foe) for c in self.foe)


def file_pattern(mask: int, file: int) -> int:
    """The eight squares of one file as a number: bit r is rank r + 1."""
    pattern = 0
    for rank in range(8):
        pattern |= ((mask >> (8 * rank + file)) & 1) << rank
    return pattern


def _allowed(patterns: list[int]) -> int:
    allowed = 0
    for pattern in patterns:
        allowed |= 1 << pattern
    return allowed


def _single_pawn(text: str) -> FileCondition:
    squares = text.split("|")
    for square in squares:
        if not _SQUARE.match(square):
            raise CoreError(f"{square!r} is no square that a pawn can stand on")
    if len({square[0] for square in squares}) != 1:
        raise CoreError(f"{text!r} names squares of more than one file; use '/' between files")
    return FileCondition(
        _FILES.index(squares[0][0]), _allowed([1 << (int(s[1]) - 1) for s in squares])
    )


def _file(text: str) -> int:
    if not _FILE.match(text):
        raise CoreError(f"{text!r} is no file")
    return _FILES.index(text)


def _condition(text: str) -> Condition:
    word, _, rest = text.partition(" ")
    rest = rest.strip()
    if word == "no":
        alternatives = [FileCondition(_file(rest), _allowed([0]))]
    elif word == "has":
        alternatives = [
            FileCondition(_file(f), _allowed(list(range(1, 256)))) for f in rest.split("/")
        ]
    elif word == "two":
        pairs = [p for p in range(256) if p.bit_count() == 2]
        alternatives = [FileCondition(_file(rest), _allowed(pairs))]
    elif word == "on":
        single = _single_pawn(rest)
        bit = single.allowed.bit_length() - 1
        alternatives = [FileCondition(single.file, _allowed([p for p in range(256) if p & bit]))]
        if "|" in rest:
            raise CoreError(f"{text!r}: 'on' takes one square")
    elif rest:
        raise CoreError(f"{text!r} is no condition")
    elif "+" in word:
        squares = word.split("+")
        for square in squares:
            _single_pawn(square)
        if len({s[0] for s in squares}) != 1:
            raise CoreError(f"{text!r} names squares of more than one file")
        alternatives = [
            FileCondition(
                _FILES.index(squares[0][0]), _allowed([sum(1 << (int(s[1]) - 1) for s in squares)])
            )
        ]
    else:
        alternatives = [_single_pawn(part) for part in word.split("/")]
    return Condition(text, tuple(alternatives))


def parse_conditions(text: str) -> tuple[Condition, ...]:
    """Read one side of a core.

    Raises `CoreError` with the offending condition.

    >>> [c.text for c in parse_conditions("c2|c3, no d")]
    ['c2|c3', 'no d']
    >>> parse_conditions("d9")
    Traceback (most recent call last):
    ...
    pawnlore.structures.core.CoreError: 'd9' is no square that a pawn can stand on
    """
    conditions = [part.strip() for part in text.split(",")]
    if conditions == [""]:
        return ()
    return tuple(_condition(part) for part in conditions)
