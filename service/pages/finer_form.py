"""An author's own family that stands beside a structure which a core names, for pages."""

from __future__ import annotations

from dataclasses import dataclass

from pawnlore.service.pages.group_keys import HOLDERS, heading


@dataclass(frozen=True, slots=True)
class FinerForm:
    """Its id and holder, its name, and its holder in words."""

    structure: str
    holder: str
    name: str
    words: str


def finer_form(structure: str, holder: str) -> FinerForm:
    """How a finer form is told."""
    return FinerForm(structure, holder, heading(structure), HOLDERS[holder])
