"""What the pages tell of a version of the model: what would change, and what is doubtful."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from pawnlore.service.pages.group_keys import heading
from pawnlore.service.pages.label_form import told_verdict
from pawnlore.structures.skeleton import Skeleton, placement

MOST_DOUBTS = 20
"""Contradictions and misfits that are shown, of each."""


_STATEMENT = re.compile(
    r"an? (?P<kind>label|example of|counter-example to) (?P<structure>[^\s,]+)"
    r"(?:, held by (?P<holder>white|black|both))?"
)
_KINDS = {"label": "Label", "example of": "Example"}


@dataclass(frozen=True, slots=True)
class ChangedRow:
    """Nodes of one repertoire whose verdict would change alike."""

    repertoire: str
    name: str
    old: str
    new: str
    nodes: int
    href: str


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something that the author should look at: two statements, or one that does not fit in."""

    skeleton: Skeleton
    fen: str
    one: str
    other: str


def changed_rows(groups: Iterable[Mapping[str, Any]], own: Mapping[str, str]) -> list[ChangedRow]:
    """A row for each group of changed nodes, with a link to the lines that are in it now."""
    names = dict(own)
    rows = []
    for one in groups:
        old = told_verdict(one["old"], one["old_holder"], names)
        new = told_verdict(one["new"], one["new_holder"], names)
        href = f"/repertoires/{one['repertoire']}?structure={one['old']}"
        rows.append(ChangedRow(one["repertoire"], one["name"], old, new, int(one["nodes"]), href))
    return rows


def beside_rows(groups: Iterable[Mapping[str, Any]], own: Mapping[str, str]) -> list[ChangedRow]:
    """A row for each group of nodes with another own family next to their core, or none now."""
    names = dict(own)
    rows = []
    for one in groups:
        was = ""
        # Figures of an earlier release have none.
        if one.get("before"):
            was = told_verdict(one["before"], one["before_holder"], names)
        now = told_verdict(one["own"], one["own_holder"], names) if one["own"] else ""
        rows.append(
            ChangedRow(
                one["repertoire"],
                one["name"],
                told_verdict(one["structure"], one["holder"], names),
                f"{now} instead of {was}" if now and was else now or f"No longer {was}",
                int(one["nodes"]),
                f"/repertoires/{one['repertoire']}?structure={one['structure']}",
            )
        )
    return rows


def doubts(figures: Mapping[str, Any], own: Mapping[str, str]) -> list[Doubt]:
    """Contradictions first, then the labels that the model does not follow elsewhere."""
    found = [
        _doubt(
            one["skeleton"],
            statement_in_words(one["one"], own),
            statement_in_words(one["other"], own),
        )
        for one in figures["contradictions"][:MOST_DOUBTS]
    ]
    for one in figures["misfits"][:MOST_DOUBTS]:
        told = told_verdict(one["structure"], one["holder"], dict(own))
        held = f"the model gives this {100 * one['chance']:.0f} % from all the rest"
        found.append(_doubt(one["skeleton"], f"you said {told}", held))
    return found


def statement_in_words(text: str, own: Mapping[str, str]) -> str:
    """One side of a contradiction, with names instead of ids.

    >>> statement_in_words("a label carlsbad, held by white", {})
    'Label: Carlsbad structure, White’s'
    >>> statement_in_words("a counter-example to own/clamp", {"own/clamp": "The clamp"})
    'Counter-example to The clamp'
    """
    found = _STATEMENT.fullmatch(text)
    if found is None:
        return text
    kind, structure, holder = found.group("kind", "structure", "holder")
    if kind == "counter-example to":
        return f"Counter-example to {own.get(structure) or heading(structure)}"
    told = told_verdict(structure, holder or "both", dict(own))
    return f"{_KINDS[kind]}: {told}"


def _doubt(skeleton: Iterable[int], one: str, other: str) -> Doubt:
    white, black = skeleton
    pawns = Skeleton(int(white), int(black))
    return Doubt(pawns, placement(pawns), one, other)
