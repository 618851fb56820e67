"""A lookup for reading in a terminal: the structure and why, the plans, the repertoire's moves."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator

from pawnlore.service.html_text import clean
from pawnlore.service.lookup import AppliedNote, CatalogueText, Lookup
from pawnlore.service.note_text import note_paragraphs
from pawnlore.service.position_places import Places
from pawnlore.structures.line_text import Naming, family_name

_WIDTH = 96
_MOST_MOVES = 20


def plans_text(found: Lookup, name_of: Naming = family_name) -> Iterator[str]:
    """The plans, line by line: the author's notes, then what is not the author's.

    ``name_of`` is what the reasons call structures.
    """
    for applied in found.notes:
        yield from _note(applied, "", name_of)
    for best in found.next_best:
        reason = best.reason
        if best.applied is not None:
            reason = _with_name(reason, best.applied.known.note.structure, name_of)
        yield f"\n{_sentence(reason)}\n"
        if best.applied is not None:
            yield from _note(best.applied, "  ", name_of)
        if best.text is not None:
            yield from _catalogue(best.text)
    if not found.notes and not found.next_best:
        # Of a family of the author's own the catalogue says nothing.
        why = "you have not written one yet" if found.verdict.settled else "no structure is settled"
        yield f"\nThere is no plan for it: {why}.\n"


def places_text(places: Places) -> Iterator[str]:
    """Where a repertoire has the position, and how it goes on."""
    if not places.nodes:
        why = "" if places.complete else ", as far as positions with these pawns were compared"
        yield f"\nThe repertoire does not have this position{why}.\n"
        return
    lines = "line comes" if places.lines == 1 else "lines come"
    yield f"\nIn the repertoire {places.lines:,} {lines} through this position.\n"
    for move in places.moves[:_MOST_MOVES]:
        yield f"  {move.san}: {move.lines:,} {'line' if move.lines == 1 else 'lines'}\n"
    if len(places.moves) > _MOST_MOVES:
        yield f"  and {len(places.moves) - _MOST_MOVES} more moves\n"


def _note(applied: AppliedNote, indent: str, name_of: Naming) -> Iterator[str]:
    note = applied.known.note
    whose = {"white": "White’s plan", "black": "Black’s plan"}.get(applied.plan_of, "for both")
    yield f"\n{indent}{clean(' '.join(note.title.split()))} ({whose})\n"
    reason = _with_name(applied.reason, note.structure, name_of)
    yield f"{indent}  {_sentence(reason)}\n"
    for paragraph in note_paragraphs(note.body):
        yield from _wrapped(paragraph, f"{indent}  ")
    if note.moves:
        yield f"{indent}  Moves: {' '.join(note.moves)}\n"
    if note.squares:
        yield f"{indent}  Squares: {', '.join(note.squares)}\n"


def _with_name(reason: str, structure: str, name_of: Naming) -> str:
    """A reason with a structure's name where it tells whose the structure is by its id.

    >>> _with_name("c5-wedge held by White; queens are on", "c5-wedge", family_name)
    'c5 wedge held by White; queens are on'
    """
    name = name_of(structure)
    told = rf"(?<![\w/-]){re.escape(structure)}(?=,? held by )"
    return re.sub(told, lambda _: name, reason)


def _catalogue(text: CatalogueText) -> Iterator[str]:
    yield f"  {text.plan_of.capitalize()}’s plan\n"
    yield from _wrapped(text.summary, "    ")
    for name, told in text.sections:
        yield from _wrapped(f"{name.capitalize()}: {told}", "    ")


def _wrapped(text: str, indent: str) -> Iterator[str]:
    for line in textwrap.wrap(
        text, _WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False
    ):
        yield f"{line}\n"


def _sentence(text: str) -> str:
    """A text as a sentence.

    >>> _sentence("queens are on")
    'Queens are on.'
    """
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith(".") else ".")
