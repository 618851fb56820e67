"""Rows of kept surveys as a page shows them: shares of a hundred, scores, and what is thin."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pawnlore.service.pages.group_keys import HOLDERS, heading
from pawnlore.service.pages.paging import Paging, paging
from pawnlore.service.pages.shown_text import shown
from pawnlore.service.survey.answer_figures import move_count

Row = Mapping[str, Any]

THIN = 30
"""Games with a result below which a score says little."""

SOME, MANY = 10, 40
"""Rows of a table beside others, and on a page of its own."""

_WORDS_ROOM = 200

PARTS = {
    "by_ply": "as games go on",
    "by_rating": "by rating",
    "by_year": "by year",
    "by_opening": "by opening",
    "breaks": "breaks",
    "transitions": "what it turns into",
}
"""The tables on one structure, and what they are called."""


@dataclass(frozen=True, slots=True)
class Measure:
    """A share with its interval, of a hundred; ``value`` is a dash where nothing is known."""

    value: str
    between: str


@dataclass(frozen=True, slots=True)
class SurveyRow:
    """A row of a table: what it is about, how often, and how it scored.

    ``structure`` and ``holder`` lead on to a structure, where they are not
    empty. ``thin`` tells that the score stands on few games.
    """

    label: str
    structure: str
    holder: str
    share: Measure | None
    games: int
    score: Measure
    draws: Measure
    thin: bool
    aside: str = ""


@dataclass(frozen=True, slots=True)
class SurveyPart:
    """A table, or some of it: ``more`` rows are on its own page, ``left_out`` were not kept."""

    name: str
    title: str
    rows: tuple[SurveyRow, ...]
    paging: Paging
    left_out: int

    @property
    def more(self) -> int:
        """How many rows are on other pages."""
        return self.paging.total - len(self.rows)


def measure(row: Row, name: str, *, hundred: bool = False) -> Measure:
    """A share, score or rate of a row.

    >>> measure({"share": 0.0341, "share_low": 0.03, "share_high": 0.04}, "share")
    Measure(value='3.4', between='3.0 to 4.0')
    >>> measure({"score": None, "score_low": 0.0, "score_high": 1.0}, "score").value
    '–'
    """
    value, low, high = row[name], row[f"{name}_low"], row[f"{name}_high"]
    if value is None:
        return Measure("–", "nothing is known")
    scale = 1 if hundred else 100
    return Measure(of_hundred(scale * value), f"{_fixed(scale * low)} to {_fixed(scale * high)}")


def of_hundred(value: float) -> str:
    """A number of a hundred.

    >>> of_hundred(14.26), of_hundred(0.041), of_hundred(0.0004), of_hundred(0)
    ('14.3', '0.04', 'under 0.01', '0')
    """
    if not value:
        return "0"
    return "under 0.01" if value < 0.01 else _fixed(value)


def _fixed(value: float) -> str:
    return f"{value:.2f}" if 0 < value < 0.95 else f"{value:.1f}"


def with_holder(structure: str, holder: str) -> str:
    """A structure with whose it is, for the label of a row."""
    whose = HOLDERS.get(holder, holder)
    return heading(structure) + (f", {whose}" if holder != "both" else "")


def survey_row(
    row: Row,
    label: str,
    *,
    structure: str = "",
    holder: str = "",
    share: str = "share",
    hundred: bool = False,
    aside: str = "",
) -> SurveyRow:
    """A row of any table; ``share`` names the column of how often, empty for none."""
    return SurveyRow(
        shown(label, _WORDS_ROOM),
        structure,
        holder,
        measure(row, share, hundred=hundred) if share else None,
        row["games"],
        measure(row, "score"),
        measure(row, "draws"),
        row["decided"] < THIN,
        aside,
    )


def structure_rows(rows: Iterable[Row]) -> tuple[SurveyRow, ...]:
    """Rows of ``structures`` and of other tables whose rows are structures."""
    return tuple(
        survey_row(
            row,
            with_holder(row["structure"], row["holder"]),
            structure=row["structure"],
            holder=row["holder"],
        )
        for row in rows
    )


def _ply(row: Row) -> SurveyRow:
    return survey_row(row, f"after {move_count(row['ply'])}")


def _break(row: Row) -> SurveyRow:
    side = "White" if row["side"] == "white" else "Black"
    held = max(1, row["held"])
    # A break may be played before the structure is held, so this is no share.
    often = f"{of_hundred(100 * row['games'] / held)} to a hundred that hold it"
    return survey_row(row, f"{row['move']}, {side}’s {row['kind']}", share="", aside=often)


def _transition(row: Row) -> SurveyRow:
    return survey_row(
        row,
        with_holder(row["to"], row["to_holder"]),
        structure=row["to"],
        holder=row["to_holder"],
    )


_ROW: dict[str, Callable[[Row], SurveyRow]] = {
    "by_ply": _ply,
    "by_rating": lambda row: survey_row(row, str(row["rating"])),
    "by_year": lambda row: survey_row(row, str(row["year"])),
    "by_opening": lambda row: survey_row(row, str(row["opening"])),
    "breaks": _break,
    "transitions": _transition,
}


def survey_part(name: str, rows: Sequence[Row], left_out: int, *, page: int = 0) -> SurveyPart:
    """A table on one structure: its first rows, or a page of its own.

    Years and ratings stand in their order, the newest years first; openings,
    breaks and what it turns into with the most games first.
    """
    if name == "by_year":
        rows = sorted(rows, key=lambda row: str(row["year"]), reverse=True)
        rows = [row for row in rows if row["year"] != "unknown"] + [
            row for row in rows if row["year"] == "unknown"
        ]
    elif name in ("by_opening", "breaks", "transitions"):
        rows = sorted(rows, key=lambda row: -row["games"])
    paged = paging(len(rows), page or 1, MANY if page else SOME)
    found = tuple(_ROW[name](row) for row in rows[paged.start : paged.end])
    return SurveyPart(name, PARTS[name], found, paged, left_out)
