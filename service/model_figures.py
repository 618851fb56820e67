"""The figures of the model in use: those that were measured on it, or none."""

from __future__ import annotations

from dataclasses import dataclass

from pawnlore.models.classifier import Classifier
from pawnlore.models.exam_figures import FiguresError, Report, shipped_figures
from pawnlore.service.model_in_use import ModelInUse


@dataclass(frozen=True, slots=True)
class ModelFigures:
    """A classifier's figures; ``refused`` says why there are none."""

    report: Report | None
    refused: str = ""


def figures_in_use(model: ModelInUse) -> ModelFigures:
    """Those of the classifier that a service uses, be it a taught version or its own.

    Raises `StoreError`.
    """
    classifier, desk = model.now(), model.desk
    if classifier is model.base:
        return model_figures(classifier)
    number = desk.models.in_use().version
    if number and desk.models.get(number).digest == classifier.digest:
        try:
            found = desk.report(number)
        except FiguresError as error:
            return ModelFigures(None, str(error))
        if found is not None:
            return ModelFigures(found.report)
    return model_figures(classifier)


def model_figures(classifier: Classifier) -> ModelFigures:
    """The figures that were measured on a shipped classifier and on no other one."""
    try:
        return ModelFigures(shipped_figures(classifier))
    except FiguresError as error:
        return ModelFigures(None, str(error))
