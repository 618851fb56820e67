"""Diagrams as in a printed chess book, in vector form (SVG 1.1 path data and text).

Dark squares are hatched, coordinates stand outside a double frame, and
everything is ink on paper: whose a piece is and what a mark means can be seen
without colour. In the view ``skeleton`` the pawns are strong and the pieces
light.

A diagram can stand alone, or share its parts with others of the same page:
then `diagram_parts` goes into the page once. All drawing is done with
presentation attributes, so a page's content security policy needs no inline
style. Every part has a class by which a page can set other colours: fills are
``pl-ink`` and ``pl-paper``, strokes ``pl-edge``, ``pl-rim`` and ``pl-line``, and
``pl-pale`` is either, in a light piece.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

import chess

from pawnlore.service.diagram_pieces import OUTLINES
from pawnlore.structures.skeleton import Skeleton, placement

SQUARE = 40
"""The side of one square, in the units of the drawing."""

SHAPES = ("ring", "frame", "cross", "dot")
"""How a square can be marked."""

VIEWS = ("position", "skeleton")
"""All pieces alike, or pawns strong and pieces light."""

_BOARD = 8 * SQUARE
_LEFT, _TOP, _RIGHT, _BOTTOM = 24, 7, 18, 26
_WIDTH, _HEIGHT = _LEFT + _BOARD + _RIGHT, _TOP + _BOARD + _BOTTOM
_INK, _GREY, _PAPER = "#1b1a17", "#9a968d", "#fffefb"
_EDGE = f'class="pl-edge" stroke="{_INK}"'
_FONT = "font-family=\"Palatino, 'Palatino Linotype', 'Book Antiqua', Georgia, serif\""
_NAMES = {"p": "pawns", "n": "knights", "b": "bishops", "r": "rooks", "q": "queens", "k": "kings"}


@dataclass(frozen=True, slots=True)
class Mark:
    """A square that is pointed out by a shape around it (see `SHAPES`)."""

    square: int
    shape: str = "ring"


@dataclass(frozen=True, slots=True)
class Arrow:
    """A move that is pointed out; a dashed one is the other side's."""

    start: int
    end: int
    dashed: bool = False


def skeleton_svg(
    skeleton: Skeleton,
    *,
    orientation: str = "white",
    marks: Iterable[Mark] = (),
    arrows: Iterable[Arrow] = (),
    label: str = "",
    standalone: bool = True,
    width: int | None = None,
) -> str:
    """The pawns alone.

    >>> pawns = Skeleton(chess.BB_D4, chess.BB_E6)
    >>> picture = skeleton_svg(pawns)
    >>> picture.startswith("<svg") and "White pawns d4. Black pawns e6." in picture
    True
    """
    return board_svg(
        placement(skeleton),
        orientation=orientation,
        marks=marks,
        arrows=arrows,
        label=label,
        standalone=standalone,
        width=width,
    )


def board_svg(
    fen: str,
    *,
    orientation: str = "white",
    view: str = "position",
    marks: Iterable[Mark] = (),
    arrows: Iterable[Arrow] = (),
    label: str = "",
    standalone: bool = True,
    width: int | None = None,
) -> str:
    """A position, from a FEN, an EPD or a bare piece placement.

    ``orientation`` is the side at the bottom, ``view`` one of `VIEWS`.
    ``label`` is what a screen reader says, by default the position in words.
    With ``standalone`` the drawing holds all its parts, else it points to those
    of `diagram_parts`. ``width`` is in pixels; without one the drawing takes
    the room that it is given. Where the side to move is known, a small square
    in the margin tells it: light for White, dark for Black, at its side.

    Raises `ValueError` for a placement that cannot be read and for unknown
    words.
    """
    if orientation not in chess.COLOR_NAMES or view not in VIEWS:
        raise ValueError(f"no such orientation or view: {orientation!r}, {view!r}")
    fields = fen.split(None, 2)
    if not fields:
        raise ValueError("the FEN is empty")
    board = chess.BaseBoard(fields[0])
    flipped = orientation == "black"
    pieces = {square: piece.symbol() for square, piece in sorted(board.piece_map().items())}
    pale = set(pieces.values()) - {"P", "p"} if view == "skeleton" else set()
    drawn = "".join(
        _piece(square, symbol, flipped, light=symbol in pale) for square, symbol in pieces.items()
    )
    turn = fields[1] if len(fields) > 1 else ""
    said = escape(label or position_in_words(board, turn), quote=True)
    size = f' width="{width}" height="{round(width * _HEIGHT / _WIDTH)}"' if width else ""
    strong = set(pieces.values()) - pale
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="pl-diagram" role="img" '
        f'aria-label="{said}" viewBox="0 0 {_WIDTH} {_HEIGHT}"{size}>'
        + (f"<defs>{_parts(strong, pale, (orientation,))}</defs>" if standalone else "")
        + f'<use href="#pl-board"/><use href="#pl-{orientation}"/>'
        + _turn(turn, flipped)
        + f'<g transform="translate({_LEFT} {_TOP})">'
        + drawn
        + "".join(_mark(mark, flipped) for mark in marks)
        + "".join(_arrow(arrow, flipped) for arrow in arrows)
        + "</g></svg>"
    )


def diagram_parts() -> str:
    """The parts that all diagrams of one page share; it takes no room there."""
    every = set("PNBRQKpnbrqk")
    parts = _parts(every, every - {"P", "p"}, chess.COLOR_NAMES)
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" class="pl-parts" width="0" height="0" '
        f'aria-hidden="true" focusable="false"><defs>{parts}</defs></svg>'
    )


def position_in_words(board: chess.BaseBoard, turn: str = "") -> str:
    """What stands where, for somebody who cannot see the diagram.

    >>> position_in_words(chess.BaseBoard("8/8/4p3/8/3P4/8/8/4K3"), "w")
    'White king e1, pawns d4. Black pawns e6. White to move.'
    """
    told = []
    for color, name in ((chess.WHITE, "White"), (chess.BLACK, "Black")):
        kinds = []
        for kind in reversed(chess.PIECE_TYPES):
            squares = sorted(chess.square_name(square) for square in board.pieces(kind, color))
            if squares:
                word = _NAMES[chess.piece_symbol(kind)]
                word = word[:-1] if len(squares) == 1 and kind != chess.PAWN else word
                kinds.append(f"{word} {' '.join(squares)}")
        if kinds:
            told.append(f"{name} {', '.join(kinds)}.")
    if turn in ("w", "b"):
        told.append(f"{'White' if turn == 'w' else 'Black'} to move.")
    return " ".join(told) or "An empty board."


def _parts(strong: set[str], pale: set[str], orientations: Sequence[str]) -> str:
    """The board, the coordinates, and the pieces that are drawn strong and pale."""
    hatch = "".join(
        f"M{max(0, k - SQUARE)} {min(k, SQUARE)}L{min(k, SQUARE)} {max(0, k - SQUARE)}"
        for k in range(5, 2 * SQUARE, 5)
    )
    # A dark square, a rank of four, two ranks, the board.
    rank = "".join(f'<use href="#pl-dark" x="{2 * SQUARE * file}"/>' for file in range(4))
    ranks = "".join(
        f'<use href="#pl-rank" x="{SQUARE * ((row + 1) % 2)}" y="{SQUARE * row}"/>'
        for row in range(8)
    )
    x, y = _LEFT, _TOP
    parts = [
        f'<path id="pl-dark" {_EDGE} stroke-width=".9" d="{hatch}"/><g id="pl-rank">{rank}</g>',
        f'<g id="pl-board"><rect class="pl-paper" fill="{_PAPER}" x="{x}" y="{y}" '
        f'width="{_BOARD}" height="{_BOARD}"/><g transform="translate({x} {y})">{ranks}</g>'
        f'<rect fill="none" {_EDGE} x="{x}" y="{y}" width="{_BOARD}" height="{_BOARD}"/>'
        f'<rect fill="none" {_EDGE} stroke-width="2.4" x="{x - 4}" y="{y - 4}" '
        f'width="{_BOARD + 8}" height="{_BOARD + 8}"/></g>',
    ]
    parts += [_coordinates(orientation) for orientation in orientations]
    parts += [_outline(kind) for kind in sorted({symbol.lower() for symbol in strong | pale})]
    parts += [_symbol(symbol) for symbol in sorted(strong)]
    parts += [_symbol(symbol, light=True) for symbol in sorted(pale)]
    return "".join(parts)


def _coordinates(orientation: str) -> str:
    flipped = orientation == "black"
    names = []
    for place in range(8):
        line = 7 - place if flipped else place
        middle = SQUARE * place + SQUARE // 2
        names.append(
            f'<text x="{_LEFT + middle}" y="{_TOP + _BOARD + 20}">{chess.FILE_NAMES[line]}</text>'
            f'<text x="10" y="{_TOP + _BOARD - middle + 5}">{chess.RANK_NAMES[line]}</text>'
        )
    return (
        f'<g id="pl-{orientation}" class="pl-ink" fill="{_INK}" {_FONT} font-size="15" '
        f'text-anchor="middle">{"".join(names)}</g>'
    )


def _outline(kind: str) -> str:
    """A piece's paths without colours, which its symbols give."""
    outline = OUTLINES[kind]
    return (
        f'<path id="pl-body-{kind}" d="{outline.body}"/>'
        f'<path id="pl-in-{kind}" d="{outline.lines}"/>'
    )


def _symbol(symbol: str, *, light: bool = False) -> str:
    """One piece; a rim of paper keeps the hatching away from it."""
    kind, white = symbol.lower(), symbol.isupper()
    ink, edge = (_GREY, "pl-pale") if light else (_INK, "pl-edge")
    body, fill = ("pl-paper", _PAPER) if white else ("pl-pale" if light else "pl-ink", ink)
    line = f'class="{edge}" stroke="{ink}"' if white else f'class="pl-line" stroke="{_PAPER}"'
    return (
        f'<g id="pl-{_name(symbol, light=light)}" stroke-linejoin="round" stroke-linecap="round">'
        f'<use href="#pl-body-{kind}" class="pl-rim" fill="none" stroke="{_PAPER}" '
        'stroke-width="5"/>'
        f'<use href="#pl-body-{kind}" class="{body} {edge}" fill="{fill}" stroke="{ink}" '
        'stroke-width="1.7"/>'
        f'<use href="#pl-in-{kind}" fill="none" {line} stroke-width="1.4"/></g>'
    )


def _name(symbol: str, *, light: bool) -> str:
    return f"{'l' if light else ''}{'w' if symbol.isupper() else 'b'}{symbol.lower()}"


def _corner(square: int, flipped: bool) -> tuple[int, int]:
    file, rank = chess.square_file(square), chess.square_rank(square)
    return (
        SQUARE * (7 - file if flipped else file),
        SQUARE * (rank if flipped else 7 - rank),
    )


def _piece(square: int, symbol: str, flipped: bool, *, light: bool) -> str:
    x, y = _corner(square, flipped)
    return f'<use href="#pl-{_name(symbol, light=light)}" x="{x}" y="{y}"/>'


def _turn(turn: str, flipped: bool) -> str:
    if turn not in ("w", "b"):
        return ""
    at_the_bottom = (turn == "w") != flipped
    y = _TOP + _BOARD - 9 if at_the_bottom else _TOP
    body, fill = ("pl-paper", _PAPER) if turn == "w" else ("pl-ink", _INK)
    return (
        f'<rect class="{body} pl-edge" fill="{fill}" stroke="{_INK}" stroke-width="1.4" '
        f'x="{_WIDTH - 12}" y="{y}" width="9" height="9"/>'
    )


def _mark(mark: Mark, flipped: bool) -> str:
    x, y = _corner(mark.square, flipped)
    middle = SQUARE // 2
    if mark.shape == "dot":
        return (
            f'<circle class="pl-ink pl-rim" fill="{_INK}" stroke="{_PAPER}" stroke-width="2" '
            f'cx="{x + middle}" cy="{y + middle}" r="6.5"/>'
        )
    if mark.shape == "ring":
        shape = f'<circle %s cx="{x + middle}" cy="{y + middle}" r="17.5"/>'
    elif mark.shape == "frame":
        shape = f'<rect %s x="{x + 3}" y="{y + 3}" width="34" height="34"/>'
    elif mark.shape == "cross":
        shape = f'<path %s d="M{x + 8} {y + 8}l24 24m0-24l-24 24"/>'
    else:
        raise ValueError(f"no such shape: {mark.shape!r}; there are {', '.join(SHAPES)}")
    rim = f'class="pl-rim" fill="none" stroke="{_PAPER}" stroke-width="6.5"'
    ink = f'fill="none" {_EDGE} stroke-width="2.4"'
    return shape % rim + shape % ink


def _arrow(arrow: Arrow, flipped: bool) -> str:
    half = SQUARE / 2
    (x0, y0), (x1, y1) = _corner(arrow.start, flipped), _corner(arrow.end, flipped)
    length = ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5
    if not length:
        raise ValueError("an arrow needs two different squares")
    dx, dy = (x1 - x0) / length, (y1 - y0) / length
    tip = (x1 + half - 4 * dx, y1 + half - 4 * dy)
    neck = (tip[0] - 13 * dx, tip[1] - 13 * dy)
    start = (x0 + half + 8 * dx, y0 + half + 8 * dy)
    shaft = f"M{start[0]:.1f} {start[1]:.1f}L{neck[0]:.1f} {neck[1]:.1f}"
    head = (
        f"M{tip[0]:.1f} {tip[1]:.1f}L{neck[0] - 6.5 * dy:.1f} {neck[1] + 6.5 * dx:.1f}"
        f"L{neck[0] + 6.5 * dy:.1f} {neck[1] - 6.5 * dx:.1f}z"
    )
    dashes = ' stroke-dasharray="6 4"' if arrow.dashed else ""
    return (
        f'<path class="pl-rim" fill="none" stroke="{_PAPER}" stroke-width="6.5" d="{shaft}{head}"/>'
        f'<path fill="none" {_EDGE} stroke-width="3"{dashes} d="{shaft}"/>'
        f'<path class="pl-ink" fill="{_INK}" d="{head}"/>'
    )
