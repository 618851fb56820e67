"""Plots of kept surveys: of the most frequent structures, or of one."""

from __future__ import annotations

from pawnlore.service.store.errors import NotFound
from pawnlore.service.store.survey_shelf import WHOLE, SurveyShelf
from pawnlore.service.survey.answer_figures import (
    frequency_figure,
    ply_figure,
    rating_figure,
    score_figure,
)

PLOTS = ("frequencies", "scores")
"""The plots of a survey."""

_OF_ALL = {"frequencies": frequency_figure, "scores": score_figure}
_OF_ONE = {"frequencies": ("by_ply", ply_figure), "scores": ("by_rating", rating_figure)}


def kept_figure(
    shelf: SurveyShelf, survey: str, plot: str, structure: str = "", holder: str = ""
) -> str:
    """A plot of a survey (SVG): of the most frequent structures, or of the one that is named.

    One structure is drawn by half-move (``frequencies``) or by rating
    (``scores``), of the holder that is named or else the more frequent. Raises
    `NotFound` where there is nothing of that name.
    """
    if plot not in PLOTS:
        raise NotFound(f"there is no plot {plot[:60]!r}; there are {', '.join(PLOTS)}")
    rows = shelf.table(survey, WHOLE, structure).rows
    if not structure:
        return _OF_ALL[plot](rows)
    held = [row["holder"] for row in rows if holder in ("", row["holder"])]
    if not held:
        raise NotFound("no game of this survey holds that structure with that holder")
    name, draw = _OF_ONE[plot]
    part = [row for row in shelf.table(survey, name, structure).rows if row["holder"] == held[0]]
    return draw(structure, held[0], part)
