"""``/api/plans``: what to do in a position."""

from __future__ import annotations

from flask import Blueprint, Response

from pawnlore.service.access.needs import READ, needs, students_may
from pawnlore.service.api.answers import json_answer
from pawnlore.service.api.classify import FEN, position_of
from pawnlore.service.api.describe import JSON, Answer, Operation, described, query, ref
from pawnlore.service.api.readers import look_up
from pawnlore.service.api.repertoires_at_hand import provide_repertoires
from pawnlore.service.api.request_values import query_values
from pawnlore.service.api.values import lookup_value
from pawnlore.structures.note_conditions import CHAPTER_LENGTH

resources = Blueprint("api-plans", __name__)
resources.record(provide_repertoires)

_CHAPTER = query(
    "chapter",
    {"type": "string", "maxLength": CHAPTER_LENGTH},
    "The chapter in which the reader stands; notes may ask for one.",
)


@resources.get("/api/plans")
@students_may()
@needs(READ)
@described(
    Operation(
        "plans",
        "plans",
        "The author's notes that apply to a position, the most specific first",
        {200: Answer("The verdict and the plans.", {JSON: ref("Lookup")})},
        words=(
            "Each note says why it applies. Where none does, 'next_best' holds notes for the "
            "colours reversed and the catalogue's own text; where no structure is settled, notes "
            "and text on the one that is nearest, if any is near. 'authors' is false there: they "
            "are not the author's word on this position. A student is given the published notes "
            "on what the repertoire of the link teaches."
        ),
        parameters=(FEN, _CHAPTER),
        problems=(406, 422),
    )
)
def plans() -> Response:
    """Look one position up."""
    values = query_values(FEN, _CHAPTER)
    return json_answer(lookup_value(*look_up(position_of(values), values.get("chapter", ""))))
