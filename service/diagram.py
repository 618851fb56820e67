"""Diagrams as in a printed chess book, in vector form (SVG 1.1 path data and text).

Dark squares are hatched, coordinates stand outside a double frame, and
everything is ink on paper: whose a piece is and what a mark means can be seen
without colour. In the view ``skeleton`` the pawns are strong and the pieces
light.

A diagram can stand alone, or share its parts with others of the same page:
then `diagram_parts` goes into the page once. All drawing is done with
presentation attributes, so a page's content security policy needs no inline
style. Every part has a class by which a style sheet can set other colours;
``service/pages/static/diagram.css`` does that for dark pages:

================================ ==========================================
``pl-ink``, ``pl-paper``         fills: signs, text and black pieces; the
                                 paper of the board
``pl-edge``, ``pl-hatch``        strokes: lines in ink; the hatching
``pl-rim``                       stroke that keeps it away from a sign
``pl-white``, ``pl-black``       bodies of the pieces, fill and stroke
``pl-white-in``, ``pl-black-in`` the lines inside them
``pl-light``                     with these four, in a light piece
================================ ==========================================
"""

from __future__ import annotations

from collections.abc import Iterable

import chess

from pawnlore.service.diagram_grid import BOARD, EDGE, GREY, INK, PAPER, SQUARE, corner
from pawnlore.service.diagram_marks import Arrow, Mark, arrow_svg, mark_svg
from pawnlore.service.diagram_pieces import OUTLINES
from pawnlore.service.html_text import html_text
from pawnlore.structures.skeleton import Skeleton, placement

VIEWS = ("position", "skeleton")
"""All pieces alike, or pawns strong and pieces light."""

_LEFT, _TOP, _RIGHT, _BOTTOM = 24, 7, 18, 26
_WIDTH, _HEIGHT = _LEFT + BOARD + _RIGHT, _TOP + BOARD + _BOTTOM
_MARGIN = 3
_FONT = "font-family=\"Palatino, 'Palatino Linotype', 'Book Antiqua', Georgia, serif\""
_NAMES = {"p": "pawns", "n": "knights", "b": "bishops", "r": "rooks", "q": "queens", "k": "kings"}


def skeleton_svg(
    skeleton: Skeleton,
    *,
    orientation: str = "white",
    marks: Iterable[Mark] = (),
    arrows: Iterable[Arrow] = (),
    label: str = "",
    standalone: bool = True,
    small: bool = False,
    width: int | None = None,
) -> str:
    """The pawns alone; the options are those of `board_svg`.

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
        small=small,
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
    small: bool = False,
    width: int | None = None,
) -> str:
    """A position, from a FEN, an EPD or a bare piece placement.

    ``orientation`` is the side at the bottom, ``view`` one of `VIEWS`.
    ``label`` is what a screen reader says, by default the position in words.
    With ``standalone`` the drawing holds all its parts, else it points to those
    of `diagram_parts`. A ``small`` one has no coordinates and coarser hatching,
    so that it can be read at the size of a stamp. ``width`` is in pixels;
    without one the drawing takes the room that it is given. Where the side to
    move is known, a small square in the margin tells it: light for White, dark
    for Black, at its side; a small diagram leaves that to the words.

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
    light = set(pieces.values()) - {"P", "p"} if view == "skeleton" else set()
    turn = fields[1] if len(fields) > 1 else ""
    said = html_text(label or position_in_words(board, turn))
    if small:
        wide = high = BOARD + 2 * _MARGIN
        x, y, under = _MARGIN, _MARGIN, '<use href="#pl-stamp"/>'
    else:
        wide, high, x, y = _WIDTH, _HEIGHT, _LEFT, _TOP
        under = f'<use href="#pl-board"/><use href="#pl-{orientation}"/>{_turn(turn, flipped)}'
    size = f' width="{width}" height="{round(width * high / wide)}"' if width else ""
    parts = ""
    if standalone:
        boards = _stamp() if small else _board() + _coordinates(orientation)
        parts = f"<defs>{boards}{_symbols(set(pieces.values()) - light, light)}</defs>"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="pl-diagram" role="img" '
        f'aria-label="{said}" viewBox="0 0 {wide} {high}"{size}>{parts}{under}'
        f'<g transform="translate({x} {y})">'
        + "".join(
            _piece(square, symbol, flipped, light=symbol in light)
            for square, symbol in pieces.items()
        )
        + "".join(mark_svg(mark, flipped) for mark in marks)
        + "".join(arrow_svg(arrow, flipped) for arrow in arrows)
        + "</g></svg>"
    )


def diagram_parts() -> str:
    """The parts that all diagrams of one page share; it takes no room there."""
    every = set("PNBRQKpnbrqk")
    parts = _board() + _stamp() + "".join(map(_coordinates, chess.COLOR_NAMES))
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" class="pl-parts" width="0" height="0" '
        f'aria-hidden="true" focusable="false"><defs>{parts}'
        f"{_symbols(every, every - {'P', 'p'})}</defs></svg>"
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


def _board() -> str:
    """The board in its double frame."""
    x, y = _LEFT, _TOP
    return (
        f'{_ground("board", x, y, step=5, weight=0.9)}<rect fill="none" {EDGE} x="{x}" y="{y}" '
        f'width="{BOARD}" height="{BOARD}"/><rect fill="none" {EDGE} stroke-width="2.4" '
        f'x="{x - 4}" y="{y - 4}" width="{BOARD + 8}" height="{BOARD + 8}"/></g>'
    )


def _stamp() -> str:
    """The board of a small diagram, in a single frame."""
    return (
        f'{_ground("stamp", _MARGIN, _MARGIN, step=8, weight=1.2)}<rect fill="none" {EDGE} '
        f'stroke-width="3" x="{_MARGIN}" y="{_MARGIN}" width="{BOARD}" height="{BOARD}"/></g>'
    )


def _ground(name: str, x: int, y: int, *, step: int, weight: float) -> str:
    """A board up to its frame, in an open group; ``step`` lies between two lines of hatching."""
    hatch = "".join(
        f"M{max(0, k - SQUARE)} {min(k, SQUARE)}L{min(k, SQUARE)} {max(0, k - SQUARE)}"
        for k in range(step, 2 * SQUARE, step)
    )
    # A dark square, a rank of four, the ranks.
    rank = "".join(f'<use href="#pl-{name}-dark" x="{2 * SQUARE * file}"/>' for file in range(4))
    ranks = "".join(
        f'<use href="#pl-{name}-rank" x="{SQUARE * ((row + 1) % 2)}" y="{SQUARE * row}"/>'
        for row in range(8)
    )
    return (
        f'<path id="pl-{name}-dark" class="pl-hatch" stroke="{INK}" '
        f'stroke-width="{weight}" d="{hatch}"/>'
        f'<g id="pl-{name}-rank">{rank}</g><g id="pl-{name}"><rect class="pl-paper" '
        f'fill="{PAPER}" x="{x}" y="{y}" width="{BOARD}" height="{BOARD}"/>'
        f'<g transform="translate({x} {y})">{ranks}</g>'
    )


def _coordinates(orientation: str) -> str:
    flipped = orientation == "black"
    names = []
    for place in range(8):
        line = 7 - place if flipped else place
        middle = SQUARE * place + SQUARE // 2
        names.append(
            f'<text x="{_LEFT + middle}" y="{_TOP + BOARD + 20}">{chess.FILE_NAMES[line]}</text>'
            f'<text x="10" y="{_TOP + BOARD - middle + 5}">{chess.RANK_NAMES[line]}</text>'
        )
    return (
        f'<g id="pl-{orientation}" class="pl-ink" fill="{INK}" {_FONT} font-size="15" '
        f'text-anchor="middle">{"".join(names)}</g>'
    )


def _symbols(strong: set[str], light: set[str]) -> str:
    """The outlines that are needed, and the pieces that are drawn strong and light."""
    return (
        "".join(_outline(kind) for kind in sorted({symbol.lower() for symbol in strong | light}))
        + "".join(_symbol(symbol) for symbol in sorted(strong))
        + "".join(_symbol(symbol, light=True) for symbol in sorted(light))
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
    kind, side = symbol.lower(), "white" if symbol.isupper() else "black"
    more = " pl-light" if light else ""
    ink = GREY if light else INK
    fill, line = (PAPER, ink) if side == "white" else (ink, PAPER)
    return (
        f'<g id="pl-{_name(symbol, light=light)}" stroke-linejoin="round" stroke-linecap="round">'
        f'<use href="#pl-body-{kind}" class="pl-rim" fill="none" stroke="{PAPER}" '
        'stroke-width="5"/>'
        f'<use href="#pl-body-{kind}" class="pl-{side}{more}" fill="{fill}" stroke="{ink}" '
        'stroke-width="1.5"/>'
        f'<use href="#pl-in-{kind}" class="pl-{side}-in{more}" fill="none" stroke="{line}" '
        'stroke-width="1.2"/></g>'
    )


def _name(symbol: str, *, light: bool) -> str:
    return f"{'l' if light else ''}{'w' if symbol.isupper() else 'b'}{symbol.lower()}"


def _piece(square: int, symbol: str, flipped: bool, *, light: bool) -> str:
    x, y = corner(square, flipped)
    return f'<use href="#pl-{_name(symbol, light=light)}" x="{x}" y="{y}"/>'


def _turn(turn: str, flipped: bool) -> str:
    if turn not in ("w", "b"):
        return ""
    at_the_bottom = (turn == "w") != flipped
    y = _TOP + BOARD - 9 if at_the_bottom else _TOP
    side, fill = ("white", PAPER) if turn == "w" else ("black", INK)
    return (
        f'<rect class="pl-{side}" fill="{fill}" stroke="{INK}" stroke-width="1.4" '
        f'x="{_WIDTH - 12}" y="{y}" width="9" height="9"/>'
    )
