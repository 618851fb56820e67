"""A lookup for reading in a terminal: the structure and why, the plans, the repertoire's moves."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from pawnlore.service.html_text import clean
from pawnlore.service.lookup import AppliedNote, CatalogueText, Lookup
from pawnlore.service.note_text import note_paragraphs
from pawnlore.service.position_places import Places

_WIDTH = 96
_MOST_MOVES = 20


def plans_text(found: Lookup) -> Iterator[str]:
    """The plans, line by line: the author's notes, then what is not the author's."""
    for applied in found.notes:
        yield from _note(applied, "")
    for best in found.next_best:
        yield f"\n{_sentence(best.reason)}\n"
        if best.applied is not None:
            yield from _note(best.applied, "  ")
        if best.text is not None:
            yield from _catalogue(best.text)
    if not found.notes and not found.next_best:
        yield "\nThere is no plan for it: no structure is settled.\n"


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


def _note(applied: AppliedNote, indent: str) -> Iterator[str]:
    note = applied.known.note
    whose = {"white": "White’s plan", "black": "Black’s plan"}.get(applied.plan_of, "for both")
    yield f"\n{indent}{clean(' '.join(note.title.split()))} ({whose})\n"
    yield f"{indent}  {_sentence(applied.reason)}\n"
    for paragraph in note_paragraphs(note.body):
        yield from _wrapped(paragraph, f"{indent}  ")
    if note.moves:
        yield f"{indent}  Moves: {' '.join(note.moves)}\n"
    if note.squares:
        yield f"{indent}  Squares: {', '.join(note.squares)}\n"


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
