"""Plans for reading: the author's notes with what they draw, and what stands in for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import chess
from markupsafe import Markup

from pawnlore.service.diagram_marks import OURS, THEIRS, Arrow, Mark
from pawnlore.service.lookup import AppliedNote, CatalogueText, Lookup
from pawnlore.service.note_text import note_html, note_paragraphs
from pawnlore.service.pages.group_keys import heading
from pawnlore.service.pages.shown_text import shown
from pawnlore.structures.line_text import numbered_moves
from pawnlore.structures.plan_moves import plan_steps

_ROOM, _ROOM_EACH, _ROOM_CUT, _ROOM_SMALL = 30_000, 14_000, 1_200, 400
_ROOM_TITLE, _ROOM_BOARD, _ROOM_MARK, _ROOM_ARROW = 320, 1_800, 230, 340
_MOST_NOTES, _MOST_SIGNS, _MOST_PLIES = 8, 24, 60


@dataclass(frozen=True, slots=True)
class NotePlan:
    """A note: its text, or where that is long how it begins, and what it draws here.

    ``html`` is empty where only the beginning, ``start``, is shown.
    """

    id: str
    title: str
    plan_of: str
    reason: str
    published: bool
    html: Markup
    start: str
    marks: tuple[Mark, ...]
    arrows: tuple[Arrow, ...]
    squares: str
    moves: str
    model_line: str


@dataclass(frozen=True, slots=True)
class PlanView:
    """The plans of a position: the author's, then what is not the author's; others are counted.

    ``reversed`` are notes on another thing than what stands here. ``near`` says
    what all but the author's notes are on, where no structure is settled.
    """

    notes: tuple[NotePlan, ...]
    near: str
    reversed: tuple[NotePlan, ...]
    texts: tuple[CatalogueText, ...]
    more: int


def plan_view(
    found: Lookup, board: chess.BaseBoard, side: str = "", *, room: int = _ROOM
) -> PlanView:
    """What a page shows of a lookup.

    ``board`` is what is drawn on. ``side`` is ours, where it is known: its plans
    come first among equals, and those of the other side are drawn as theirs.
    ``room`` is what their texts and drawings may take, in bytes.
    """
    notes = sorted(found.notes, key=lambda one: one.plan_of not in (side, "both") if side else 0)
    turned = [best.applied for best in found.next_best if best.applied is not None]
    texts = [best.text for best in found.next_best if best.text is not None]
    texts.sort(key=lambda text: bool(side) and text.plan_of != side)
    shown_notes = []
    for applied in notes[:_MOST_NOTES]:
        one = _note(applied, board, side, room)
        room = max(0, room - _size(one))
        shown_notes.append(one)
    return PlanView(
        tuple(shown_notes),
        next((best.near for best in found.next_best), ""),
        tuple(_note(one, None, side, room // 2) for one in turned[:2]),
        tuple(texts),
        max(0, len(notes) - _MOST_NOTES),
    )


def _note(applied: AppliedNote, board: chess.BaseBoard | None, side: str, room: int) -> NotePlan:
    known, note = applied.known, applied.known.note
    whole = note_html(note.body, heading=5) if len(note.body) <= _ROOM_EACH else ""
    if len(whole.encode()) > min(room, _ROOM_EACH):
        whole = ""
    theirs = bool(side) and applied.plan_of not in (side, "both")
    room -= len(whole.encode())
    # A drawing takes more room than most texts; where there is none, its squares are named.
    marks = () if board is None else _marks(note.squares, theirs)
    arrows = () if board is None else _arrows(board, note.moves, applied.plan_of, theirs)
    if _drawn(marks, arrows) > room:
        marks, arrows = (), ()
    return NotePlan(
        known.id,
        shown(note.title, _ROOM_TITLE),
        applied.plan_of,
        shown(_with_name(applied.reason, note.structure), _ROOM_SMALL),
        known.published,
        Markup(whole),  # made by note_html, which shows raw HTML as text
        "" if whole else shown(" ".join(note_paragraphs(note.body[:_ROOM_EACH])), _ROOM_CUT),
        marks,
        arrows,
        ", ".join(note.squares[:_MOST_SIGNS]),
        " ".join(note.moves[:_MOST_SIGNS]),
        model_line_text(note.model_line),
    )


def _with_name(reason: str, structure: str) -> str:
    """A reason that begins with a structure's id, with its name instead.

    >>> _with_name("c5-wedge held by White; queens are on", "c5-wedge")
    'c5 wedge held by White; queens are on'
    """
    rest = reason.removeprefix(structure)
    return reason if rest == reason else f"{heading(structure)}{rest}"


def _size(one: NotePlan) -> int:
    """The bytes that the text and the drawing of a note take."""
    return len(one.html.encode()) + _drawn(one.marks, one.arrows)


def _drawn(marks: Sequence[Mark], arrows: Sequence[Arrow]) -> int:
    """The bytes that a drawing takes, at most: the board with its pieces, and each sign."""
    if not marks and not arrows:
        return 0
    return _ROOM_BOARD + _ROOM_MARK * len(marks) + _ROOM_ARROW * len(arrows)


def _marks(squares: Sequence[str], theirs: bool) -> tuple[Mark, ...]:
    shape = THEIRS if theirs else OURS
    return tuple(Mark(chess.parse_square(square), shape) for square in squares[:_MOST_SIGNS])


def _arrows(
    board: chess.BaseBoard, moves: Sequence[str], plan_of: str, theirs: bool
) -> tuple[Arrow, ...]:
    if plan_of not in chess.COLOR_NAMES:
        return ()
    steps = plan_steps(board, moves[:_MOST_SIGNS], plan_of == "white")
    return tuple(Arrow(*step.squares, dashed=theirs) for step in steps if step.squares is not None)


def model_line_text(sans: Sequence[str]) -> str:
    """A line from a game's beginning with its numbers, as far as a page shows it.

    >>> model_line_text(("d4", "d5", "c4"))
    '1.d4 d5 2.c4'
    """
    return " ".join(numbered_moves(sans[:_MOST_PLIES])) + (" …" if len(sans) > _MOST_PLIES else "")
