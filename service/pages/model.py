"""``/model``: the model in use, how it was examined, and where it is weak."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, Response

from pawnlore.models.exam_figures import FiguresError
from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs
from pawnlore.service.model_figures import model_figures
from pawnlore.service.pages.figures_page import figures_values, taught_values
from pawnlore.service.pages.group_keys import heading
from pawnlore.service.pages.layout import page
from pawnlore.service.running import running

pages = Blueprint("model", __name__)


@pages.get("/model")
@needs(READ)
def model() -> Response:
    """The model in use with its figures, if they are its own."""
    parts = running()
    classifier = parts.base
    choice = parts.model.desk.models.in_use()
    taught = parts.model.desk.models.get(choice.version) if choice.version else None
    # A version that cannot be used is left aside, and the page says so.
    unused = taught is not None and parts.classifier.digest != taught.digest
    shown: dict[str, Any] = {
        "classifier": classifier,
        "taught": taught,
        "version": choice.version,
        "unused": unused,
        "heading": heading,
        "may_write": caller().may(WRITE),
        "refused": "",
        "own": None,
        "seed": classifier.facts.get("plan", {}).get("seed"),
    }
    if taught is not None and not unused:
        try:
            report = parts.model.desk.report(taught.number)
        except FiguresError as error:
            shown["refused"] = f"What was measured of it cannot be shown: {error}."
        else:
            if report is not None:
                values = taught_values(report, classifier.catalogue, "/model")
                return page("model/model.html", **{**shown, **values})
            shown["refused"] = "It was taught before this was kept: retrain to have its figures."
    found = model_figures(classifier)
    if found.report is None:
        return page("model/model.html", **{**shown, "report": None, "refused": found.refused})
    values = figures_values(found.report, classifier.catalogue, "/model")
    return page("model/model.html", **{**shown, **values})
