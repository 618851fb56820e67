"""``/api/model``: the model in use."""

from __future__ import annotations

from dataclasses import asdict

from flask import Blueprint, Response

from pawnlore.service.access.needs import READ, needs
from pawnlore.service.api.answers import json_answer
from pawnlore.service.api.describe import JSON, Answer, Operation, described, ref
from pawnlore.service.api.lookups import lookups, provide_lookups
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.request_values import query_values
from pawnlore.service.model_figures import figures_in_use
from pawnlore.service.running import running

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
            "examined": figures_in_use(running().model).report is not None,
            "asked": known.memory.asked,
            "remembered": known.memory.hits,
        }
    )


@resources.get("/api/model/figures")
@needs(READ)
@described(
    Operation(
        "figuresOfModel",
        "model",
        "What was measured on the model in use",
        {200: Answer("The figures.", {JSON: ref("ModelFigures")})},
        words="404 where nothing was measured on just this model.",
        problems=(404, 406),
    )
)
def figures() -> Response:
    """The figures of the classifier that gives the verdicts."""
    query_values()
    found = figures_in_use(running().model)
    if found.report is None:
        raise Problem(404, f"No figures were measured on this model: {found.refused}.")
    return json_answer(asdict(found.report))
