"""``/api/model``: the model in use."""

from __future__ import annotations

from flask import Blueprint, Response

from pawnlore.service.access.needs import READ, needs
from pawnlore.service.api.answers import json_answer
from pawnlore.service.api.describe import JSON, Answer, Operation, described, ref
from pawnlore.service.api.lookups import lookups, provide_lookups
from pawnlore.service.api.request_values import query_values

resources = Blueprint("api-model", __name__)
resources.record(provide_lookups)


@resources.get("/api/model")
@needs(READ)
@described(
    Operation(
        "model",
        "model",
        "The model in use, and how often its verdicts were remembered",
        {200: Answer("The model.", {JSON: ref("Model")})},
        problems=(406,),
    )
)
def model() -> Response:
    """The classifier that gives the verdicts."""
    query_values()
    known = lookups()
    classifier = known.classifier
    return json_answer(
        {
            "digest": classifier.digest,
            "structures": len(classifier.catalogue),
            "threshold": classifier.threshold,
            "made": classifier.facts,
            "asked": known.memory.asked,
            "remembered": known.memory.hits,
        }
    )
