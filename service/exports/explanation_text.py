"""An explanation of a verdict, in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from pawnlore.models.explanation import Explanation, PawnVoice
from pawnlore.structures.catalogue import UNSETTLED, Catalogue
from pawnlore.structures.verdict import Verdict

_MOST_PAWNS = 6


def explanation_lines(explanation: Explanation, catalogue: Catalogue) -> Iterator[str]:
    """The explanation line by line, for reading."""
    verdict = explanation.verdict
    yield f"{in_words(verdict.structure, verdict.holder, catalogue)}: {_certainty(verdict)}"
    if verdict.structure != UNSETTLED:
        family = catalogue[verdict.structure]
        yield f"  the core: {family.own} against {family.foe} (seen from its holder)"
    if verdict.core and verdict.second != UNSETTLED:
        second = in_words(verdict.second, verdict.second_holder, catalogue)
        yield f"  next to it: {second}"
    elif not verdict.core:
        second = in_words(verdict.second, verdict.second_holder, catalogue)
        yield f"  runner-up: {second}, {verdict.second_probability:.0%}"
    if explanation.speaks_for:
        yield f"  for it: {_pawns(explanation.speaks_for)}"
    if explanation.speaks_against:
        yield f"  against it: {_pawns(explanation.speaks_against)}"
    for missed in explanation.missed:
        name = in_words(missed.structure, missed.holder, catalogue)
        yield f"  short of the core of {name}: {missed.change}"
    if explanation.nearest is not None:
        nearest = explanation.nearest
        name = in_words(nearest.structure, nearest.holder, catalogue)
        turned = ", colours reversed" if nearest.mirrored else ""
        yield f"  nearest labelled example: {nearest.id}, {name}{turned} ({nearest.reason})"


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


def in_words(structure: str, holder: str, catalogue: Catalogue) -> str:
    """A structure by its trade name, with whose it is.

    >>> from pawnlore.structures.catalogue import shipped_catalogue
    >>> in_words("carlsbad", "black", shipped_catalogue())
    "Carlsbad structure, Black's"
    """
    if structure == UNSETTLED:
        return "unsettled"
    whose = {"white": ", White's", "black": ", Black's", "both": ""}[holder]
    return f"{catalogue[structure].name}{whose}"


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
