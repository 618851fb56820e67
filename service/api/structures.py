"""``/api/structures``: the families with their definitions."""

from __future__ import annotations

from flask import Blueprint, Response

from pawnlore.service.access.needs import READ, needs, students_may
from pawnlore.service.api.answers import json_answer, table_answer
from pawnlore.service.api.describe import (
    FORMAT,
    JSON,
    Answer,
    Operation,
    described,
    path,
    ref,
    table,
)
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.request_values import query_values
from pawnlore.service.api.values import (
    STRUCTURE_COLUMNS,
    full_structure_value,
    structure_value,
)
from pawnlore.service.running import running

resources = Blueprint("api-structures", __name__)


@resources.get("/api/structures")
@students_may()
@needs(READ)
@described(
    Operation(
        "structures",
        "structures",
        "All structures, by rank",
        {200: Answer("The structures.", table(ref("Structures")))},
        parameters=(FORMAT,),
        problems=(406,),
    )
)
def structures() -> Response:
    """Every family of the catalogue."""
    query_values(FORMAT)
    families = running().classifier.catalogue.families
    return table_answer(STRUCTURE_COLUMNS, map(structure_value, families))


@resources.get("/api/structures/<id>")
@students_may()
@needs(READ)
@described(
    Operation(
        "structure",
        "structures",
        "One structure, with the catalogue's plans",
        {200: Answer("The structure.", {JSON: ref("FullStructure")})},
        words="The texts are told as if White held the structure.",
        parameters=(path("id", "The structure's id, such as carlsbad."),),
        problems=(404, 406),
    )
)
def structure(id: str) -> Response:
    """One family of the catalogue."""
    query_values()
    try:
        family = running().classifier.catalogue[id]
    except KeyError:
        raise Problem(404, "There is no such structure; /api/structures lists them.") from None
    return json_answer(full_structure_value(family))
