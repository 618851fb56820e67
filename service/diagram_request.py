"""A diagram that somebody asks for in words: the same over HTTP and on the command line."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import chess

from pawnlore.service.diagram import board_svg
from pawnlore.service.diagram_marks import OURS, THEIRS, Arrow, Mark
from pawnlore.service.study_position import study_position
from pawnlore.structures.plan_moves import plan_steps
from pawnlore.structures.skeleton import SkeletonError

MOST_POINTED_OUT = 64
"""Squares, and moves, that one diagram points out."""

SMALLEST, LARGEST = 40, 2000
"""Width of a diagram in pixels."""

_SIDES = {"white": chess.WHITE, "black": chess.BLACK}


class DiagramError(ValueError):
    """A diagram that cannot be drawn; ``messages`` tells every reason."""

    def __init__(self, messages: Iterable[str]) -> None:
        self.messages = tuple(messages)
        super().__init__("; ".join(self.messages))


@dataclass(frozen=True, slots=True)
class DiagramRequest:
    """What is to be drawn.

    ``side`` is the side at the bottom, and ``squares`` and ``moves`` are its
    plan, in the notation of a plan note; the other two are the other side's.
    ``label`` is what a screen reader says. ``width`` is in pixels.
    """

    fen: str
    view: str = "position"
    side: str = "white"
    squares: Sequence[str] = ()
    moves: Sequence[str] = ()
    their_squares: Sequence[str] = ()
    their_moves: Sequence[str] = ()
    small: bool = False
    width: int | None = None
    label: str = ""


def requested_svg(wanted: DiagramRequest) -> str:
    """Draw it; raises `DiagramError`.

    >>> requested_svg(DiagramRequest("8/8/8/8/8/8/PPP5/8", moves=["b4"]))[:4]
    '<svg'
    >>> requested_svg(DiagramRequest("8/8/8/8/8/8/PPP5/8", moves=["g4"]))
    Traceback (most recent call last):
    ...
    pawnlore.service.diagram_request.DiagramError: moves: White has nothing there that goes 'g4'
    """
    faults: list[str] = []
    try:
        study_position(wanted.fen)
        board = chess.BaseBoard(wanted.fen.split(None, 1)[0])
    except SkeletonError as error:
        raise DiagramError([f"the position cannot be read: {error}"]) from None
    if wanted.width is not None and not SMALLEST <= wanted.width <= LARGEST:
        faults.append(f"width must be a number of pixels from {SMALLEST} to {LARGEST:,}")
    color = _SIDES[wanted.side]
    marks = _marks("squares", wanted.squares, OURS, faults)
    marks += _marks("their_squares", wanted.their_squares, THEIRS, faults)
    arrows = _arrows(board, "moves", wanted.moves, color, faults)
    arrows += _arrows(board, "their_moves", wanted.their_moves, not color, faults, dashed=True)
    if faults:
        raise DiagramError(faults)
    return board_svg(
        wanted.fen,
        orientation=wanted.side,
        view=wanted.view,
        marks=marks,
        arrows=arrows,
        label=wanted.label,
        small=wanted.small,
        width=wanted.width,
    )


def _marks(name: str, squares: Sequence[str], shape: str, faults: list[str]) -> list[Mark]:
    bad = [square for square in squares if square not in chess.SQUARE_NAMES]
    faults += [f"{name}: {square[:20]!r} is no square" for square in bad[:5]]
    faults += _too_many(name, squares)
    return [] if bad else [Mark(chess.parse_square(square), shape) for square in squares]


def _arrows(
    board: chess.BaseBoard,
    name: str,
    moves: Sequence[str],
    color: chess.Color,
    faults: list[str],
    *,
    dashed: bool = False,
) -> list[Arrow]:
    faults += _too_many(name, moves)
    found = []
    for step in plan_steps(board, moves[:MOST_POINTED_OUT], color):
        if step.squares is None:
            whose = chess.COLOR_NAMES[color].capitalize()
            faults.append(f"{name}: {whose} has nothing there that goes {step.text[:20]!r}")
        else:
            found.append(Arrow(*step.squares, dashed=dashed))
    return found


def _too_many(name: str, given: Sequence[str]) -> list[str]:
    most = MOST_POINTED_OUT
    return [f"{name} has {len(given):,} entries; at most {most} fit"] if len(given) > most else []
