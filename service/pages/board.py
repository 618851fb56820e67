"""Boards on pages: drawings that share their parts, and are told in words as well."""

from __future__ import annotations

from collections.abc import Iterable

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
    )
    return Markup(drawn)


def skeleton_diagram(
    skeleton: Skeleton,
    *,
    orientation: str = "white",
    marks: Iterable[Mark] = (),
    label: str = "",
    small: bool = False,
) -> Markup:
    """The pawns alone, drawn with the shared parts; a small one is for a page with many."""
    drawn = skeleton_svg(
        skeleton, orientation=orientation, marks=marks, label=label, standalone=False, small=small
    )
    return Markup(drawn)


def shared_parts() -> Markup:
    """The parts of all drawings of a page; they go into it once, before the first drawing."""
    return Markup(diagram_parts())


def register_board(app: Flask) -> None:
    """Give an application's templates the drawings."""
    app.jinja_env.globals.update(
        diagram=diagram, skeleton_diagram=skeleton_diagram, shared_parts=shared_parts
    )
