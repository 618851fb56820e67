"""What the pages tell of an own family: its examples, and what they have in common, drawn."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import chess

from pawnlore.service.diagram_marks import Mark
from pawnlore.service.pages.group_keys import HOLDERS
from pawnlore.service.store.family_shelf import Example
from pawnlore.structures.skeleton import Skeleton, placement, skeleton_from_fen
from pawnlore.structures.verdict import SWAPPED

SIDES = {"own": "the holder", "foe": "the other side"}
"""Whose pawns a condition speaks of."""

_HOME = {"own": 2, "foe": 7}
_MOST_RINGS = 3


@dataclass(frozen=True, slots=True)
class ShownExample:
    """An example as the author gave it; ``whose`` is empty for a counter-example."""

    skeleton: Skeleton
    fen: str
    whose: str


@dataclass(frozen=True, slots=True)
class CommonView:
    """What examples have in common.

    ``traits`` are name, words, and how sure in per cent. ``skeleton`` has a pawn
    where one is most wanted, ``marks`` ring where it may stand as well and cross
    the files that must be empty.
    """

    traits: tuple[tuple[str, str, int], ...]
    skeleton: Skeleton
    marks: tuple[Mark, ...]
    said: str


def shown_example(example: Example) -> ShownExample:
    """An example with the holder of the position that the author gave."""
    kept = Skeleton(*example.skeleton)
    fen = example.fen or placement(kept)
    skeleton = skeleton_from_fen(fen)
    holder = SWAPPED[example.holder] if skeleton.canonical()[1] else example.holder
    return ShownExample(skeleton, fen, "" if example.counter else HOLDERS[holder])


def common_view(found: Mapping[str, Any]) -> CommonView:
    """The view of what `TeachingDesk.common_ground` gives."""
    best: dict[tuple[str, str], tuple[float, str]] = {}
    for one in found["squares"]:
        place = (one["side"], one["square"][0])
        best[place] = max(best.get(place, (0.0, "")), (one["weight"], one["square"]))
    # A pawn that may stand anywhere on its file would ring all of it.
    places = Counter((one["side"], one["square"][0]) for one in found["squares"])
    chosen = {(side, square) for (side, _), (_, square) in best.items()}
    masks = {"own": 0, "foe": 0}
    for side, square in chosen:
        masks[side] |= chess.BB_SQUARES[chess.parse_square(square)]
    # Where both sides may stand on one square, the holder's pawn is drawn.
    masks["foe"] &= ~masks["own"]
    taken = masks["own"] | masks["foe"]
    marks = []
    for one in found["squares"]:
        there = chess.parse_square(one["square"])
        if not taken >> there & 1 and places[one["side"], one["square"][0]] <= _MOST_RINGS:
            marks.append(Mark(there, "ring"))
    for one in found["empty_files"]:
        there = chess.parse_square(f"{one['file']}{_HOME[one['side']]}")
        if not taken >> there & 1:
            marks.append(Mark(there, "cross"))
    traits = tuple(
        (one["trait"], one["words"], round(100 * one["sure"])) for one in found["traits"]
    )
    distinct = {mark.square: mark for mark in marks}
    return CommonView(
        traits,
        Skeleton(masks["own"], masks["foe"]),
        tuple(distinct.values()),
        "; ".join(words for _, words, _ in traits) or "nothing that is sure yet",
    )


def correction_in_words(text: str) -> str:
    """A correction in words.

    >>> correction_in_words("own d4"), correction_in_words("foe no e")
    ('the holder: a pawn on d4', 'the other side: no pawn on the e-file')
    >>> correction_in_words("own has e"), correction_in_words("foe c6|c7")
    ('the holder: a pawn on the e-file', 'the other side: a pawn on c6 or c7')
    """
    side, _, rest = text.partition(" ")
    if side not in SIDES:
        return text
    if rest.startswith(("no ", "has ")) and len(rest.split()[-1]) == 1:
        word = "no pawn" if rest.startswith("no ") else "a pawn"
        return f"{SIDES[side]}: {word} on the {rest[-1]}-file"
    return f"{SIDES[side]}: a pawn on {rest.replace('|', ' or ').removeprefix('on ')}"


def trait_in_words(name: str) -> str:
    """The name of a trait in words.

    >>> trait_in_words("own h"), trait_in_words("foe islands")
    ('how the holder’s h-pawn stands', 'the other side: islands')
    """
    side, _, rest = name.partition(" ")
    if side not in SIDES:
        return name
    if len(rest) == 1:
        return f"how {SIDES[side]}’s {rest}-pawn stands"
    return f"{SIDES[side]}: {rest}"


def condition_of(side: str, asks: str, where: str) -> str:
    """The condition that a form's fields make; raises `ValueError` with words for its author.

    >>> condition_of("own", "pawn", "d4"), condition_of("foe", "none", "e")
    ('own d4', 'foe no e')
    >>> condition_of("foe", "pawn", "c6 or c7"), condition_of("own", "pawn", "e")
    ('foe c6|c7', 'own has e')
    """
    places = where.lower().replace(",", " ").replace("/", " ").replace("|", " ").split()
    places = [one.removesuffix("-file") for one in places if one != "or"]
    files = [one for one in places if len(one) == 1 and one in "abcdefgh"]
    squares = [
        one for one in places if len(one) == 2 and one[0] in "abcdefgh" and one[1] in "234567"
    ]
    if side not in SIDES or asks not in ("pawn", "none"):
        raise ValueError("Say whose pawns it is about, and what must be.")
    if len(files) == 1 and len(places) == 1:
        return f"{side} {'no' if asks == 'none' else 'has'} {files[0]}"
    if asks == "none":
        raise ValueError("Give one file that must be without a pawn, such as e.")
    if not squares or len(squares) != len(places) or len({one[0] for one in squares}) > 1:
        raise ValueError("Give a square such as d4, several of one file such as c6 c7, or a file.")
    return f"{side} {'|'.join(dict.fromkeys(squares))}"


def slug(name: str) -> str:
    """The short name that goes with a name, or nothing where no letter of it can be used.

    >>> slug("The Wing Clamp (a4)"), slug("Клин")
    ('the-wing-clamp-a4', '')
    """
    plain = "".join(sign if sign.isascii() and sign.isalnum() else " " for sign in name.lower())
    return "-".join(plain.split())[:60].strip("-")


def fen_lines(text: str) -> Sequence[str]:
    """The positions of a text field, one a line."""
    return [" ".join(line.split()) for line in text.splitlines() if line.strip()]
