"""A question about some pawns, with the answers that one key gives."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pawnlore.service.pages.label_form import told_verdict
from pawnlore.service.pages.verdict_view import chance
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.skeleton import Skeleton, skeleton_from_fen

WHY = {
    "uncertain": "The model is not sure here.",
    "disagrees with the core": "The core says one thing, and the network another.",
}
"""Why a question is asked, in words."""

OTHER_KEY, PASS_KEY = "o", "p"
"""The keys for another structure than those offered, and for passing over."""

_MOST_OWN = 5


@dataclass(frozen=True, slots=True)
class Choice:
    """An answer: the key that gives it, the structure with its holder, and how it is told."""

    key: str
    structure: str
    holder: str
    told: str
    held: str


@dataclass(frozen=True, slots=True)
class QuestionView:
    """A question as the page asks it."""

    fen: str
    skeleton: Skeleton
    nodes: int
    why: str
    choices: tuple[Choice, ...]


def question_view(found: Mapping[str, Any], own: Mapping[str, str]) -> QuestionView:
    """The view of one of the `TeachingDesk.questions`; ``own`` are own families with names."""
    first = (str(found["structure"]), str(found["holder"]))
    second = (str(found["second"]), str(found["second_holder"]))
    held = {second: chance(found["second_probability"]), first: chance(found["probability"])}
    wanted = [first, second, (UNSETTLED, "both")]
    # Of the same structure the other side's, for a wrong holder is a common fault.
    swapped = {"white": "black", "black": "white"}
    if first[1] in swapped:
        wanted.append((first[0], swapped[first[1]]))
    wanted += [
        (id, holder)
        for id in list(own)[:_MOST_OWN]
        for holder in ("white", "black")
        if id not in (first[0], second[0])
    ]
    distinct = list(dict.fromkeys(wanted))[:9]
    return QuestionView(
        str(found["fen"]),
        skeleton_from_fen(str(found["fen"])),
        int(found["nodes"]),
        WHY.get(str(found["reason"]), ""),
        tuple(
            Choice(str(place), *one, told_verdict(*one, dict(own)), held.get(one, ""))
            for place, one in enumerate(distinct, start=1)
        ),
    )
