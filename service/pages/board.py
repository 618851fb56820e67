"""Boards on pages: drawings that share their parts, and are told in words as well."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import chess
from flask import Flask
from markupsafe import Markup

from pawnlore.service.diagram import board_svg, diagram_parts, skeleton_svg
from pawnlore.service.diagram_marks import Arrow, Mark
from pawnlore.structures.skeleton import Skeleton


def diagram(
    fen: str,
    *,
    orientation: str = "white",
    view: str = "position",
    marks: Iterable[Mark] = (),
    arrows: Iterable[Arrow] = (),
    label: str = "",
    small: bool = False,
) -> Markup:
    """A position, drawn with the parts that `shared_parts` puts into the page once.

    It takes the width that its figure gives it. Raises as `board_svg` does.
    """
    drawn = board_svg(
        fen,
        orientation=orientation,
        view=view,
        marks=marks,
        arrows=arrows,
        label=label,
        standalone=False,
        small=small,
    )
    return Markup(drawn)


def skeleton_diagram(
    skeleton: Skeleton,
    *,
    orientation: str = "white",
    marks: Iterable[Mark] = (),
    arrows: Iterable[Arrow] = (),
    label: str = "",
    small: bool = False,
) -> Markup:
    """The pawns alone, drawn with the shared parts; a small one is for a page with many."""
    drawn = skeleton_svg(
        skeleton,
        orientation=orientation,
        marks=marks,
        arrows=arrows,
        label=label,
        standalone=False,
        small=small,
    )
    return Markup(drawn)


def shared_parts() -> Markup:
    """The parts of all drawings of a page; they go into it once, before the first drawing."""
    return Markup(diagram_parts())


@dataclass(frozen=True, slots=True)
class BoardCell:
    """A square of a board that can be played on: its name, and what a screen reader says."""

    name: str
    said: str


def board_cells(fen: str, orientation: str = "white") -> list[list[BoardCell]]:
    """The squares of a board rank by rank as they are seen, each with what stands there.

    >>> board_cells("8/8/8/8/8/8/8/4K3")[7][4]
    BoardCell(name='e1', said='e1, white king')
    """
    board = chess.BaseBoard(fen.split(None, 1)[0])
    ranks, files = list(range(7, -1, -1)), list(range(8))
    if orientation == "black":
        ranks, files = ranks[::-1], files[::-1]
    return [[_cell(board, chess.square(file, rank)) for file in files] for rank in ranks]


def _cell(board: chess.BaseBoard, square: int) -> BoardCell:
    piece, name = board.piece_at(square), chess.square_name(square)
    if piece is None:
        return BoardCell(name, name)
    color, kind = chess.COLOR_NAMES[piece.color], chess.piece_name(piece.piece_type)
    return BoardCell(name, f"{name}, {color} {kind}")


def register_board(app: Flask) -> None:
    """Give an application's templates the drawings."""
    app.jinja_env.globals.update(
        diagram=diagram,
        skeleton_diagram=skeleton_diagram,
        shared_parts=shared_parts,
        board_cells=board_cells,
    )
