"""The plots of a survey's answers, from rows of its tables."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from pawnlore.service.survey.answer_plots import Bar, bar_plot
from pawnlore.structures.line_text import family_name

Row = dict[str, Any]

MOST_BARS = 20
"""Structures in one plot."""


def row_label(row: Row) -> str:
    """The name of a row's structure, with its holder where one side holds it.

    >>> row_label({"structure": "carlsbad", "holder": "white"})
    'Carlsbad structure (white)'
    """
    holder = "" if row["holder"] == "both" else f" ({row['holder']})"
    return family_name(row["structure"]) + holder


def frequency_figure(rows: Sequence[Row], most: int = MOST_BARS, *, narrow: bool = False) -> str:
    """How often games hold structures, from rows of ``structures`` (SVG)."""
    bars = [_bar(row, "share", f"{row['games']:,} games") for row in rows[:most]]
    return bar_plot(
        "How often games hold a structure", bars, axis="share of all games", narrow=narrow
    )


def score_figure(rows: Sequence[Row], most: int = MOST_BARS, *, narrow: bool = False) -> str:
    """White's scores with structures, from rows of ``structures`` (SVG)."""
    bars = [_bar(row, "score", f"{row['decided']:,} games") for row in rows[:most]]
    return bar_plot("White's score", bars, axis="score", middle=0.5, narrow=narrow)


def group_figure(rows: Sequence[Row], most: int = MOST_BARS, *, narrow: bool = False) -> str:
    """How often a repertoire's groups are met, from rows of ``groups`` (SVG)."""
    bars = [
        _bar(row, "in_a_hundred", f"{row['games']:,} games", hundred=True) for row in rows[:most]
    ]
    return bar_plot(
        "What students will meet",
        bars,
        axis="share of the games that go with the repertoire",
        narrow=narrow,
    )


def ply_figure(structure: str, holder: str, rows: Sequence[Row], *, narrow: bool = False) -> str:
    """How often a structure stands as games go on, from its rows of ``by_ply`` (SVG)."""
    bars = [
        _bar(row, "share", f"{row['games']:,} games", label=f"after {move_count(row['ply'])}")
        for row in rows
    ]
    return bar_plot(
        f"{row_label({'structure': structure, 'holder': holder})}: how often it stands",
        bars,
        axis="share of the games that are so long",
        narrow=narrow,
    )


def rating_figure(structure: str, holder: str, rows: Sequence[Row], *, narrow: bool = False) -> str:
    """White's score with a structure by rating, from its rows of ``by_rating`` (SVG)."""
    bars = [_bar(row, "score", f"{row['decided']:,} games", label=row["rating"]) for row in rows]
    return bar_plot(
        f"{row_label({'structure': structure, 'holder': holder})}: White's score by rating",
        bars,
        axis="score",
        middle=0.5,
        narrow=narrow,
    )


def move_count(ply: int) -> str:
    """A count of half-moves in moves.

    >>> move_count(12), move_count(13)
    ('move 6', 'move 6½')
    """
    return f"move {ply // 2}" + ("½" if ply % 2 else "")


def _bar(row: Row, name: str, note: str, *, hundred: bool = False, label: str = "") -> Bar:
    value, low, high = (
        math.nan if row[key] is None else row[key] / (100 if hundred else 1)
        for key in (name, f"{name}_low", f"{name}_high")
    )
    return Bar(label or row_label(row), value, low, high, note)
