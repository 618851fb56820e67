"""A verdict for reading: what the structure is, whose, how sure, and why."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import chess

from pawnlore.models.explanation import Explanation, PawnVoice
from pawnlore.service.diagram_marks import Mark
from pawnlore.service.exports.explanation_text import core_in_words
from pawnlore.service.pages.finer_form import FinerForm, finer_form
from pawnlore.service.pages.group_keys import HOLDERS, heading
from pawnlore.structures.catalogue import UNSETTLED, Catalogue
from pawnlore.structures.core_squares import core_squares
from pawnlore.structures.skeleton import Skeleton
from pawnlore.structures.verdict import Verdict

_MOST_PAWNS = 6


@dataclass(frozen=True, slots=True)
class VerdictView:
    """What is told of a verdict.

    ``name`` is the heading, ``whose`` the holder in words, empty where there is
    none. ``sure`` is one sentence. Each of ``reasons`` is a term and its text.
    ``marks`` point out on the pawns why; ``marked`` says how. ``finer`` is the
    author's own family that stands beside the structure, told to authors alone.
    """

    structure: str
    holder: str
    name: str
    whose: str
    sure: str
    reasons: tuple[tuple[str, str], ...]
    marks: tuple[Mark, ...]
    marked: str
    finer: FinerForm | None = None

    @property
    def settled(self) -> bool:
        """Whether a structure is named."""
        return self.structure != UNSETTLED

    @property
    def said(self) -> str:
        """All in one sentence, for a screen reader."""
        return f"{self.name}, {self.whose}." if self.whose else f"{self.name}."


def verdict_view(
    verdict: Verdict,
    by: str,
    explanation: Explanation | None,
    catalogue: Catalogue,
    skeleton: Skeleton,
) -> VerdictView:
    """The view of a verdict; ``by`` says who decided: ``label``, ``core`` or ``classifier``.

    Without ``by``, for a student, nothing is told beside the verdict itself.
    ``explanation`` is that of the classifier, and is left out where a label decided.
    """
    settled = verdict.structure != UNSETTLED
    labelled = by == "label"
    told = None if labelled else explanation
    signs = _signs(verdict, told, catalogue, skeleton) if settled and told else ((), "")
    return VerdictView(
        verdict.structure,
        verdict.holder,
        heading(verdict.structure) if settled else "No settled structure",
        HOLDERS[verdict.holder] if settled else "",
        "" if not by else "You labelled these pawns." if labelled else _sure(verdict),
        tuple(_reasons(verdict, told, catalogue)) if by else (),
        *signs,
        finer_form(*verdict.finer, verdict.structure) if by and verdict.finer else None,
    )


def chance(probability: float) -> str:
    """A probability in per cent; never more certain than it is.

    >>> chance(0.984), chance(0.9999), chance(0.0001)
    ('98 %', 'over 99 %', 'under 1 %')
    """
    if probability > 0.995:
        return "over 99 %"
    return "under 1 %" if probability < 0.005 else f"{100 * probability:.0f} %"


def _sure(verdict: Verdict) -> str:
    if verdict.core:
        return "Its core is met: every pawn that the structure asks for is there."
    if verdict.structure == UNSETTLED:
        return f"{chance(verdict.probability)} sure that these pawns have no name yet."
    return f"{chance(verdict.probability)} sure, by the trained classifier: its core is not met."


def _reasons(
    verdict: Verdict, told: Explanation | None, catalogue: Catalogue
) -> Iterable[tuple[str, str]]:
    if verdict.structure in catalogue.ids and verdict.structure != UNSETTLED:
        yield "The core", f"{core_in_words(catalogue[verdict.structure].core, verdict.holder)}."
    if verdict.second != UNSETTLED:
        second = f"{heading(verdict.second)}, {HOLDERS[verdict.second_holder]}"
        if verdict.core:
            if verdict.finer is None:  # which is told by itself
                yield "Next to it", f"{second}."
        elif verdict.second_probability >= 0.005:
            yield "Second choice", f"{second}, {chance(verdict.second_probability)}."
    if told is None:
        return
    # Where a core decided, what the network makes of the pawns did not; and that no
    # name fits is said by no single pawn.
    heard = not verdict.core and verdict.structure != UNSETTLED
    if heard and told.speaks_for:
        yield "For it", f"{_pawns(told.speaks_for)}."
    if heard and told.speaks_against:
        yield "Against it", f"{_pawns(told.speaks_against)}."
    for missed in told.missed:
        name = f"{heading(missed.structure)}, {HOLDERS[missed.holder]}"
        yield "What it lacks", f"For {name}: {missed.change}."
    if told.nearest is not None:
        near = told.nearest
        turned = ", colours reversed" if near.mirrored else ""
        yield "Nearest example", f"{heading(near.structure)}{turned} ({near.reason})."


def _pawns(voices: Iterable[PawnVoice]) -> str:
    """The loudest pawns, White's first.

    >>> _pawns([PawnVoice("black", "c5", 3.0), PawnVoice("white", "d4", 2.0)])
    'White d4; Black c5'
    """
    loudest = list(voices)[:_MOST_PAWNS]
    told = []
    for side in ("white", "black"):
        squares = sorted(voice.square for voice in loudest if voice.side == side)
        if squares:
            told.append(f"{side.capitalize()} {', '.join(squares)}")
    return "; ".join(told)


def _signs(
    verdict: Verdict, told: Explanation, catalogue: Catalogue, skeleton: Skeleton
) -> tuple[tuple[Mark, ...], str]:
    """The marks on the pawns, and the words for them."""
    if verdict.core and verdict.structure in catalogue.ids:
        found = core_squares(catalogue[verdict.structure].core, skeleton, verdict.holder)
        if found is None:
            return (), ""
        marks = [Mark(square, "ring") for square in found.pawns]
        marks += [Mark(square, "frame") for square in found.empty]
        words = [
            *(["ringed: the pawns that the structure asks for"] if found.pawns else []),
            *(["framed: no pawn on this file, as it asks"] if found.empty else []),
        ]
        return tuple(marks), "; ".join(words)
    marks = list(_voices(told))
    shapes = {mark.shape for mark in marks}
    words = [
        *(["ringed: they speak for the name"] if "ring" in shapes else []),
        *(["crossed: against it"] if "cross" in shapes else []),
    ]
    return tuple(marks), "; ".join(words)


def _voices(told: Explanation) -> Iterable[Mark]:
    for voice in told.speaks_for[:_MOST_PAWNS]:
        yield Mark(chess.parse_square(voice.square), "ring")
    for voice in told.speaks_against[:_MOST_PAWNS]:
        yield Mark(chess.parse_square(voice.square), "cross")
