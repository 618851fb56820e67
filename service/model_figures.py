"""The figures of the model in use: those that were measured on it, or none."""

from __future__ import annotations

from dataclasses import dataclass

from pawnlore.models.classifier import Classifier
from pawnlore.models.exam_figures import FiguresError, Report, shipped_figures


@dataclass(frozen=True, slots=True)
class ModelFigures:
    """A classifier's figures; ``refused`` says why there are none."""

    report: Report | None
    refused: str = ""


def model_figures(classifier: Classifier) -> ModelFigures:
    """The figures that were measured on a classifier and on no other one."""
    try:
        return ModelFigures(shipped_figures(classifier))
    except FiguresError as error:
        return ModelFigures(None, str(error))
