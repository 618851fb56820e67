"""What a page with the figures of a model shows, for the shipped model and for taught versions."""

from __future__ import annotations

from typing import Any

from flask import request

from pawnlore.models.exam_figures import Report
from pawnlore.models.taught_figures import TaughtReport
from pawnlore.service.pages.calibration_plot import calibration_plot
from pawnlore.service.pages.model_view import (
    agreed_on,
    core_confusions,
    family_rows,
    mix_rows,
    not_examined,
    weaknesses,
)
from pawnlore.service.pages.paging import page_number, paging
from pawnlore.service.pages.taught_view import (
    author_rows,
    called,
    learnt_rows,
    own_rows,
    own_weaknesses,
    statement_rows,
)
from pawnlore.structures.catalogue import Catalogue

ROWS = 25
"""Structures on one page of a table."""

MOST_MIXED = 25
"""Rows of what the author's statements were taken for."""

MOST_AUTHORS = 20


def figures_values(report: Report, catalogue: Catalogue, address: str) -> dict[str, Any]:
    """The values of the template for what every model is examined in; ``address`` is the page's."""
    rows = family_rows(report, catalogue)
    mixed = mix_rows(report)
    part = paging(len(rows), page_number(request.args.get("page")), ROWS)
    return {
        "report": report,
        "address": address,
        "skeletons": sum(one.count for one in report.cores.classes),
        "right": sum(one.right for one in report.cores.classes),
        "weak": weaknesses(report, catalogue),
        "plot": calibration_plot(report.calibration),
        "mixed": [row for row in mixed if row.right < row.count],
        "agreed": agreed_on(mixed),
        "missing": not_examined(report, catalogue),
        "core_mixed": core_confusions(report),
        "families": rows[part.start : part.end],
        "part": part,
        "own": None,
    }


def taught_values(report: TaughtReport, catalogue: Catalogue, address: str) -> dict[str, Any]:
    """The same for a taught version, with its own families and the author's statements."""
    values = figures_values(report.report, catalogue, address)
    own, learnt = own_rows(report), learnt_rows(report)
    part = paging(len(own), page_number(request.args.get("own_page")), ROWS)
    said = statement_rows(report)
    wrong = [row for row in said if row.right < row.count]
    authors = author_rows(report)
    return {
        **values,
        "own": report,
        "called": called,
        "own_weak": own_weaknesses(report),
        "own_families": own[part.start : part.end],
        "own_learnt": learnt[part.start : part.end],
        "own_part": part,
        "said_mixed": wrong[:MOST_MIXED],
        "said_more": max(0, len(wrong) - MOST_MIXED),
        "said_agreed": agreed_on(said)[:MOST_MIXED],
        "said_plot": calibration_plot(report.statements.calibration),
        "authors": authors[:MOST_AUTHORS],
        "authors_more": max(0, len(authors) - MOST_AUTHORS),
        "labels_learnt": sum(row.count for row in authors),
    }
