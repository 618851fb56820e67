"""The pieces of our diagrams: outlines drawn for this project, in the way of printed books.

Each piece is drawn on a square of 40 units. A piece is a body, drawn in the
colour of its side with a dark edge, and lines inside it: dark ones on a white
body, light ones on a black body.
"""

from __future__ import annotations

from typing import NamedTuple


class Outline(NamedTuple):
    """A piece's closed body and the lines inside it, as SVG path data."""

    body: str
    lines: str


OUTLINES: dict[str, Outline] = {
    "p": Outline(
        "M20 6.5a5.3 5.3 0 0 1 3.6 9.2h2.9v2.8h-3.2c.4 5 2.2 8 5.5 10.7 1.6 1.3 2.7 3 3 5.3H8.2"
        "c.3-2.3 1.4-4 3-5.3 3.3-2.7 5.1-5.7 5.5-10.7h-3.2v-2.8h2.9A5.3 5.3 0 0 1 20 6.5z",
        "M11 30.6h18",
    ),
    "r": Outline(
        "M9 7h5v3.5h3.6V7h4.8v3.5H26V7h5v8l-3.6 3.2V27l3.4 3.2v4.3H9.2v-4.3l3.4-3.2v-8.8L9 15z",
        "M12.2 18.2h15.6M12.2 27h15.6M9.6 30.6h20.8",
    ),
    "n": Outline(
        "M13 34.5c-.4-6.4 1.6-9.6 4.6-12.3 1.2-1.1 1.7-2 1.8-3.2-2.1 1.6-3.9 2-5.6 2.2"
        "-1.2 1.7-2.5 2.7-4.1 2.6-2.1-.2-3.3-2-2.9-4 .7-3.1 2.8-5.1 3.9-8.1.5-1.5 1.3-2.7 2.6-3.7"
        "l.3-4 3.6 3c8-.6 15 5.5 15.3 15.5 .2 4.6-.5 8-1 12z",
        "M13.6 12.6l1.8-.7M9 19.9l1-.9M20.8 10.2c4.6 1.6 7.6 6.2 7.9 12.2 .1 3-.2 5.6-.6 8.2",
    ),
    "b": Outline(
        "M20 4.2a2.3 2.3 0 0 1 1.7 3.9c4.3 3.3 6.7 7 6.5 10.7-.1 2.6-1.3 4.6-3 6.2l.9 4"
        "c2.7.4 5.4.9 8.4 1.6v3.9c-5-.5-9.2-.5-14.5-.5s-9.5 0-14.5.5v-3.9c3-.7 5.7-1.2 8.4-1.6"
        "l.9-4c-1.7-1.6-2.9-3.6-3-6.2-.2-3.7 2.2-7.4 6.5-10.7A2.3 2.3 0 0 1 20 4.2z",
        "M20 12.5v7.6M16.4 16h7.2M14.8 25h10.4M14 29h12",
    ),
    "q": Outline(
        "M20 5a2.4 2.4 0 0 1 1.5 4.3l3.2 9.3 5-8.6a2.3 2.3 0 1 1 2.7.7l-2.9 15.3 1.7 4.2v4.3"
        "H8.8v-4.3l1.7-4.2L7.6 10.7a2.3 2.3 0 1 1 2.7-.7l5 8.6 3.2-9.3A2.4 2.4 0 0 1 20 5z",
        "M10.7 26c6.2-1.7 12.4-1.7 18.6 0M9.3 30.3h21.4",
    ),
    "k": Outline(
        "M18.4 3.2h3.2v2.9h2.9v3h-2.9v3.1c1.3.5 2.3 1.4 2.8 2.7 4.8-2.5 9.9-.2 10 4.5"
        " .1 3.4-2 5.8-4.3 7.6l.8 3.2v4.3H9.1v-4.3l.8-3.2c-2.3-1.8-4.4-4.2-4.3-7.6"
        ".1-4.7 5.2-7 10-4.5.5-1.3 1.5-2.2 2.8-2.7V9.1h-2.9v-3h2.9z",
        "M20 15.2c-1.4 3.3-1.6 6.8 0 10.6 1.6-3.8 1.4-7.3 0-10.6M10.1 27c6.5-1.6 13.3-1.6"
        " 19.8 0M9.5 30.6h21",
    ),
}
"""Body and lines of each piece, by its letter in FEN."""
