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


def frequency_figure(rows: Sequence[Row], most: int = MOST_BARS) -> str:
    """How often games hold structures, from rows of ``structures`` (SVG)."""
    bars = [_bar(row, "share", f"{row['games']:,} games") for row in rows[:most]]
    return bar_plot("How often games hold a structure", bars, axis="share of all games")


def score_figure(rows: Sequence[Row], most: int = MOST_BARS) -> str:
    """White's scores with structures, from rows of ``structures`` (SVG)."""
    bars = [_bar(row, "score", f"{row['decided']:,} games") for row in rows[:most]]
    return bar_plot("White's score", bars, axis="score", middle=0.5)


def group_figure(rows: Sequence[Row], most: int = MOST_BARS) -> str:
    """How often a repertoire's groups are met, from rows of ``groups`` (SVG)."""
    bars = [
        _bar(row, "in_a_hundred", f"{row['games']:,} games", hundred=True) for row in rows[:most]
    ]
    return bar_plot(
        "What students will meet", bars, axis="share of the games that go with the repertoire"
    )


def _bar(row: Row, name: str, note: str, *, hundred: bool = False) -> Bar:
    value, low, high = (
        math.nan if row[key] is None else row[key] / (100 if hundred else 1)
        for key in (name, f"{name}_low", f"{name}_high")
    )
    return Bar(row_label(row), value, low, high, note)
