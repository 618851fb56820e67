"""An explanation of a verdict, in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pawnlore.models.explanation import Explanation, PawnVoice, wish
from pawnlore.structures.catalogue import UNSETTLED, Catalogue
from pawnlore.structures.core import Core
from pawnlore.structures.line_text import NO_NAMES
from pawnlore.structures.verdict import Verdict

_MOST_PAWNS = 6


def explanation_lines(
    explanation: Explanation,
    catalogue: Catalogue,
    *,
    labelled: bool = False,
    own_names: Mapping[str, str] = NO_NAMES,
) -> Iterator[str]:
    """The explanation line by line, for reading; ``labelled`` where the author's label decides.

    ``own_names`` are what the author calls the own families, by id.
    """
    verdict = explanation.verdict

    def in_words(structure: str, holder: str) -> str:
        return structure_in_words(structure, holder, catalogue, own_names)

    certainty = "your label decides" if labelled else _certainty(verdict)
    yield f"{in_words(verdict.structure, verdict.holder)}: {certainty}"
    if verdict.structure in catalogue.ids:
        yield f"  the core: {core_in_words(catalogue[verdict.structure].core, verdict.holder)}"
    if verdict.core and verdict.second != UNSETTLED:
        second = in_words(verdict.second, verdict.second_holder)
        yield f"  {'your finer form' if verdict.finer else 'next to it'}: {second}"
    elif not verdict.core:
        second = in_words(verdict.second, verdict.second_holder)
        yield f"  runner-up: {second}, {verdict.second_probability:.0%}"
    if explanation.speaks_for:
        yield f"  for it: {_pawns(explanation.speaks_for)}"
    if explanation.speaks_against:
        yield f"  against it: {_pawns(explanation.speaks_against)}"
    for missed in explanation.missed:
        name = in_words(missed.structure, missed.holder)
        yield f"  short of the core of {name}: {missed.change}"
    if explanation.nearest is not None:
        nearest = explanation.nearest
        name = in_words(nearest.structure, nearest.holder)
        turned = ", colours reversed" if nearest.mirrored else ""
        yield f"  nearest labelled example: {nearest.id}, {name}{turned} ({nearest.reason})"


def core_in_words(core: Core, holder: str) -> str:
    """What a core asks of each side, in board squares; White is the holder where both are.

    >>> from pawnlore.structures.catalogue import shipped_catalogue
    >>> chain = shipped_catalogue()["kings-indian-chain"].core
    >>> core_in_words(chain, "white").split("; ")[0]
    'White: a single pawn on d5, a single pawn on e4'
    >>> core_in_words(chain, "black").split("; ")[0]
    'Black: a single pawn on d4, a single pawn on e5'
    """
    black = holder == "black"
    sides = ("Black", "White") if black else ("White", "Black")
    told = [
        f"{side}: {', '.join(wish(condition.text, black=black) for condition in conditions)}"
        for side, conditions in zip(sides, (core.own, core.foe), strict=True)
        if conditions
    ]
    return "; ".join(told) + ("; or colours reversed" if holder == "both" else "")


def explanation_value(explanation: Explanation) -> dict[str, Any]:
    """The explanation as plain values, for JSON."""
    nearest = explanation.nearest
    return {
        "for": [_voice(v) for v in explanation.speaks_for],
        "against": [_voice(v) for v in explanation.speaks_against],
        "missed": [
            {"structure": m.structure, "holder": m.holder, "gap": m.gap, "change": m.change}
            for m in explanation.missed
        ],
        "nearest": nearest
        and {
            "id": nearest.id,
            "structure": nearest.structure,
            "holder": nearest.holder,
            "reason": nearest.reason,
            "distance": nearest.distance,
            "mirrored": nearest.mirrored,
        },
    }


def structure_in_words(
    structure: str, holder: str, catalogue: Catalogue, own_names: Mapping[str, str] = NO_NAMES
) -> str:
    """A structure by its trade name, or as the author called it, with whose it is.

    >>> from pawnlore.structures.catalogue import shipped_catalogue
    >>> structure_in_words("carlsbad", "black", shipped_catalogue())
    "Carlsbad structure, Black's"
    """
    if structure == UNSETTLED:
        return "unsettled"
    whose = {"white": ", White's", "black": ", Black's", "both": ""}[holder]
    if structure in catalogue.ids:
        name = catalogue[structure].name
    else:
        name = own_names.get(structure) or structure
    return f"{name}{whose}"


def _certainty(verdict: Verdict) -> str:
    if verdict.core:
        return "its core is met"
    return f"{verdict.probability:.0%} sure, by the trained classifier"


def _pawns(voices: Sequence[PawnVoice]) -> str:
    return ", ".join(
        f"{voice.side.capitalize()}'s {voice.square} ({voice.weight:+.1f})"
        for voice in voices[:_MOST_PAWNS]
    )


def _voice(voice: PawnVoice) -> dict[str, Any]:
    return {"side": voice.side, "square": voice.square, "weight": voice.weight}
