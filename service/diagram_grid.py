"""What all parts of a diagram share: the size of a square, the inks, where a square lies."""

from __future__ import annotations

import chess

SQUARE = 40
"""The side of one square, in the units of the drawing."""

BOARD = 8 * SQUARE
"""The side of the board."""

INK, GREY, PAPER = "#1b1a17", "#9a968d", "#fffefb"
"""The colours of a diagram that no style sheet dresses otherwise."""

EDGE = f'class="pl-edge" stroke="{INK}"'
"""Attributes of a line in ink."""


def corner(square: int, flipped: bool) -> tuple[int, int]:
    """The upper left corner of a square; ``flipped`` has Black at the bottom.

    >>> corner(chess.A8, False), corner(chess.A8, True)
    ((0, 0), (280, 280))
    """
    file, rank = chess.square_file(square), chess.square_rank(square)
    return (
        SQUARE * (7 - file if flipped else file),
        SQUARE * (rank if flipped else 7 - rank),
    )
