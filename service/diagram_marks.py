"""Squares and moves that a diagram points out, by shape, so that no colour is needed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pawnlore.service.diagram_grid import EDGE, INK, PAPER, SQUARE, corner
from pawnlore.service.html_text import html_text

SHAPES = ("ring", "frame", "cross", "dot")
"""How a square can be marked."""

OURS, THEIRS = "ring", "frame"
"""The shapes for the squares of our plan and of the other side's."""

_RIM = f'class="pl-rim" fill="none" stroke="{PAPER}" stroke-width="6"'
_LINE = f'fill="none" {EDGE} stroke-width="2.4"'
_CLEAR = 15
_LEGEND = {
    OURS: "a square of our plan",
    THEIRS: "a square of their plan",
    "cross": "a square that is lost or weak",
    "dot": "a square that a move reaches",
    "arrow": "a move of our plan",
    "dashed": "a move of their plan",
}


@dataclass(frozen=True, slots=True)
class Mark:
    """A square that is pointed out by a shape around it (see `SHAPES`)."""

    square: int
    shape: str = OURS


@dataclass(frozen=True, slots=True)
class Arrow:
    """A move that is pointed out; a dashed one is the other side's."""

    start: int
    end: int
    dashed: bool = False


def mark_svg(mark: Mark, flipped: bool) -> str:
    """One mark; raises `ValueError` for a shape that there is not."""
    return _shape(mark.shape, *corner(mark.square, flipped))


def arrow_svg(arrow: Arrow, flipped: bool) -> str:
    """One arrow; raises `ValueError` where it leads nowhere."""
    if arrow.start == arrow.end:
        raise ValueError("an arrow needs two different squares")
    half = SQUARE / 2
    (x0, y0), (x1, y1) = corner(arrow.start, flipped), corner(arrow.end, flipped)
    # It begins beside the piece that moves, so that this can still be seen.
    return _shaft((x0 + half, y0 + half), (x1 + half, y1 + half), (_CLEAR, 5), dashed=arrow.dashed)


def legend_html(
    marks: Iterable[Mark], arrows: Iterable[Arrow], words: dict[str, str] | None = None
) -> str:
    """What the shapes of a diagram mean, as an HTML list; empty where it has none.

    ``words`` has other words for a shape, or for ``arrow`` and ``dashed``.

    >>> "a square of our plan" in legend_html([Mark(28)], [])
    True
    """
    used = {mark.shape for mark in marks}
    used |= {"dashed" if arrow.dashed else "arrow" for arrow in arrows}
    told = {**_LEGEND, **(words or {})}
    rows = [
        f'<li><svg class="pl-sign" viewBox="-2 -2 44 44" width="22" height="22" '
        f'aria-hidden="true" focusable="false">{_sign(sign)}</svg> {html_text(told[sign])}</li>'
        for sign in _LEGEND
        if sign in used
    ]
    return f'<ul class="pl-legend">{"".join(rows)}</ul>' if rows else ""


def _sign(sign: str) -> str:
    if sign in SHAPES:
        return _shape(sign, 0, 0)
    return _shaft((0, 36), (40, 4), (0, 0), dashed=sign == "dashed")


def _shape(shape: str, x: int, y: int) -> str:
    middle = SQUARE // 2
    if shape == "dot":
        return (
            f'<circle class="pl-ink pl-rim" fill="{INK}" stroke="{PAPER}" stroke-width="2" '
            f'cx="{x + middle}" cy="{y + middle}" r="6.5"/>'
        )
    if shape == "ring":
        drawn = f'<circle %s cx="{x + middle}" cy="{y + middle}" r="17.5"/>'
    elif shape == "frame":
        drawn = f'<rect %s x="{x + 3}" y="{y + 3}" width="34" height="34"/>'
    elif shape == "cross":
        drawn = f'<path %s d="M{x + 7} {y + 7}l26 26m0-26l-26 26"/>'
    else:
        raise ValueError(f"no such shape: {shape!r}; there are {', '.join(SHAPES)}")
    return drawn % _RIM + drawn % _LINE


def _shaft(
    start: tuple[float, float],
    end: tuple[float, float],
    kept: tuple[float, float],
    *,
    dashed: bool,
) -> str:
    """An arrow that keeps some distance from the middle of its first and its last square."""
    (x0, y0), (x1, y1) = start, end
    length = ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5
    dx, dy = (x1 - x0) / length, (y1 - y0) / length
    tip = (x1 - kept[1] * dx, y1 - kept[1] * dy)
    neck = (tip[0] - 12 * dx, tip[1] - 12 * dy)
    tail = (x0 + kept[0] * dx, y0 + kept[0] * dy)
    shaft = f"M{tail[0]:.1f} {tail[1]:.1f}L{neck[0]:.1f} {neck[1]:.1f}"
    head = (
        f"M{tip[0]:.1f} {tip[1]:.1f}L{neck[0] - 6.5 * dy:.1f} {neck[1] + 6.5 * dx:.1f}"
        f"L{neck[0] + 6.5 * dy:.1f} {neck[1] - 6.5 * dx:.1f}z"
    )
    dashes = ' stroke-dasharray="5 4"' if dashed else ""
    return (
        f'<path class="pl-rim" fill="none" stroke="{PAPER}" stroke-width="6" d="{shaft}{head}"/>'
        f'<path fill="none" {EDGE} stroke-width="3"{dashes} d="{shaft}"/>'
        f'<path class="pl-ink" fill="{INK}" d="{head}"/>'
    )
