"""``/model``: the model in use, how it was examined, and where it is weak."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, Response, request

from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs
from pawnlore.service.model_figures import model_figures
from pawnlore.service.pages.calibration_plot import calibration_plot
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.model_view import (
    agreed_on,
    core_confusions,
    family_rows,
    mix_rows,
    not_examined,
    weaknesses,
)
from pawnlore.service.pages.own_names import own_names
from pawnlore.service.pages.paging import page_number, paging
from pawnlore.service.running import running

pages = Blueprint("model", __name__)

ROWS = 25
"""Structures on one page of the table."""


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
        "unused": unused,
        "own": own_names(),
        "may_write": caller().may(WRITE),
    }
    found = model_figures(classifier)
    report = found.report
    if report is None:
        return page("model/model.html", report=None, refused=found.refused, **shown)
    rows = family_rows(report, classifier.catalogue)
    mixed = mix_rows(report)
    part = paging(len(rows), page_number(request.args.get("page")), ROWS)
    return page(
        "model/model.html",
        **shown,
        report=report,
        skeletons=sum(one.count for one in report.cores.classes),
        right=sum(one.right for one in report.cores.classes),
        weak=weaknesses(report, classifier.catalogue),
        plot=calibration_plot(report.calibration),
        mixed=[row for row in mixed if row.right < row.count],
        agreed=agreed_on(mixed),
        missing=not_examined(report, classifier.catalogue),
        core_mixed=core_confusions(report),
        families=rows[part.start : part.end],
        part=part,
        seed=classifier.facts.get("plan", {}).get("seed"),
    )
