"""One line on a structure's or a group's page: how often games come to it."""

from __future__ import annotations

from dataclasses import dataclass

from pawnlore.service.access.caller import caller
from pawnlore.service.pages.group_keys import HOLDERS
from pawnlore.service.pages.survey_rows import THIN, Measure, measure
from pawnlore.service.running import running
from pawnlore.service.store.survey_shelf import WHOLE, SurveyShelf


@dataclass(frozen=True, slots=True)
class HeldBy:
    """How often one side holds a structure, in a hundred games, and how White scores then."""

    holder: str
    whose: str
    share: Measure
    score: Measure
    games: int
    thin: bool


@dataclass(frozen=True, slots=True)
class SurveyLine:
    """What the survey that was kept last tells of a structure; ``held`` may be empty."""

    survey: str
    name: str
    structure: str
    games: int
    held: tuple[HeldBy, ...]


def survey_line(structure: str, holder: str = "") -> SurveyLine | None:
    """What games tell of a structure, of any holder or of one.

    None where no survey is kept, and for students, who see no surveys.
    """
    if caller().student:
        return None
    shelf = SurveyShelf(running().store)
    kept = shelf.newest()
    if kept is None:
        return None
    rows = shelf.table(kept.id, WHOLE, structure).rows
    held = tuple(
        HeldBy(
            row["holder"],
            HOLDERS[row["holder"]],
            measure(row, "share"),
            measure(row, "score"),
            row["games"],
            row["decided"] < THIN,
        )
        for row in rows
        if holder in ("", row["holder"])
    )
    return SurveyLine(kept.id, kept.name, structure, kept.games, held)
