"""The diagram beside a plan note: a position that fits it, with its squares and moves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import chess
from markupsafe import Markup

from pawnlore.service.diagram_marks import OURS, THEIRS, Arrow, Mark, legend_html
from pawnlore.service.study_position import study_position
from pawnlore.structures.catalogue import Catalogue
from pawnlore.structures.line_text import numbered_moves
from pawnlore.structures.plan_moves import plan_steps
from pawnlore.structures.plan_note import PlanNote, applies
from pawnlore.structures.skeleton import Skeleton, SkeletonError, placement, skeleton_from_fen
from pawnlore.structures.verdict import Verdict

MOST_SIGNS = 64
"""Squares, and moves, that one diagram shows."""

_MOST_PLIES = 80
_EMPTY = "8/8/8/8/8/8/8/8"
_SIDES = ("white", "black")

Judge = Callable[[Skeleton], Verdict]


@dataclass(frozen=True, slots=True)
class Example:
    """A position to draw on: where it comes from, in words."""

    fen: str
    caption: str


@dataclass(frozen=True, slots=True)
class NotePicture:
    """What is drawn, the meaning of its shapes, and the moves that could not be drawn."""

    fen: str
    caption: str
    orientation: str
    marks: tuple[Mark, ...]
    arrows: tuple[Arrow, ...]
    legend: Markup
    not_drawn: tuple[str, ...]
    plan_of: str


def example_of(note: PlanNote, judge: Judge, catalogue: Catalogue) -> Example:
    """A position for a note: on its model line if that comes to its structure, else a model's.

    On the line it is a position where the note applies, or failing that one with
    its structure; of several the one that can show most of the note's moves, and
    of these the last.
    """
    if note.model_line:
        board = chess.Board()
        best: tuple[tuple[int, int], Example] | None = None
        for san in note.model_line[:_MOST_PLIES]:
            board.push_san(san)
            holder = judge(_skeleton(board)).holder_of(note.structure)
            if not holder:
                continue
            holder_fits = note.holder == "any" or holder in (note.holder, "both")
            fits = applies(note, note.structure, holder, board, note.when.chapter)
            colour = plan_colour(note.holder, note.side, holder)
            steps = plan_steps(board, note.moves[:MOST_SIGNS], colour == "white")
            shown = sum(step.squares is not None for step in steps)
            rank = (2 if fits is not None else 1 if holder_fits else 0, shown)
            if best is None or rank >= best[0]:
                best = rank, Example(board.fen(), f"The model line, after {_numbered(board)}")
        if best is not None:
            return best[1]
    return model_example(note.structure, note.holder, catalogue)


def model_example(structure: str, holder: str, catalogue: Catalogue) -> Example:
    """The catalogue's model of a structure, as its holder has it; else an empty board."""
    try:
        skeleton = skeleton_from_fen(catalogue[structure].model)
    except (KeyError, SkeletonError):
        return Example(_EMPTY, "")
    if holder == "black" and not catalogue[structure].shared:
        skeleton = skeleton.mirrored()
    return Example(placement(skeleton), "The structure’s pawns")


def picture(
    example: Example,
    squares: Sequence[str],
    moves: Sequence[str],
    plan_of: str,
    side: str = "",
) -> NotePicture:
    """Draw a note on a position.

    ``plan_of`` is ``white``, ``black`` or ``both``; ``side`` is ours where it is
    known. Then the other side's plan has the other shapes.
    """
    theirs = side in _SIDES and plan_of in _SIDES and plan_of != side
    shape = THEIRS if theirs else OURS
    marks = tuple(Mark(chess.parse_square(one), shape) for one in squares[:MOST_SIGNS])
    board = chess.BaseBoard(example.fen.split(None, 1)[0])
    steps = plan_steps(board, moves[:MOST_SIGNS], plan_of != "black")
    arrows = tuple(Arrow(*one.squares, dashed=theirs) for one in steps if one.squares is not None)
    if side not in _SIDES:
        whose = f"{plan_of.capitalize()}’s plan" if plan_of in _SIDES else "the plan"
        words = {"ring": f"a square of {whose}", "arrow": f"a move of {whose}"}
    else:
        words = {}
    return NotePicture(
        example.fen,
        example.caption,
        side if side in _SIDES else plan_of if plan_of in _SIDES else "white",
        marks,
        arrows,
        Markup(legend_html(marks, arrows, words)),  # it escapes the words
        tuple(one.text for one in steps if one.squares is None),
        plan_of,
    )


def plan_colour(holder: str, side: str, found_holder: str) -> str:
    """Whose plan a note is, to draw it: ``white`` or ``black``.

    ``found_holder`` is the holder in the position that is drawn on. Where both
    sides are meant it is told as White's.

    >>> plan_colour("any", "foe", "black"), plan_colour("black", "holder", "white")
    ('white', 'black')
    """
    held_by = holder if holder in _SIDES else found_holder if found_holder in _SIDES else "white"
    if side != "foe":
        return held_by
    return "black" if held_by == "white" else "white"


def readable(fen: str) -> bool:
    """Whether a text is a position that can be drawn."""
    try:
        study_position(fen)
    except SkeletonError:
        return False
    return True


def _skeleton(board: chess.Board) -> Skeleton:
    return Skeleton(
        int(board.pieces(chess.PAWN, chess.WHITE)), int(board.pieces(chess.PAWN, chess.BLACK))
    )


def _numbered(board: chess.Board) -> str:
    before = board.copy(stack=1)
    move = before.pop()
    return numbered_moves((before.san(move),), before.ply())[0]
