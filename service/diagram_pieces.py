"""The pieces of our diagrams: outlines drawn for this project, in the way of printed books.

Each piece is drawn on a square of 40 units and stands on the same plinth. A
piece is a body, drawn in the colour of its side with a dark edge, and finer
lines inside it: dark ones on a white body, light ones on a black body.
"""

from __future__ import annotations

from typing import NamedTuple


class Outline(NamedTuple):
    """A piece's closed body and the lines inside it, as SVG path data."""

    body: str
    lines: str


_PLINTH = "M8.2 35v-2.4q0-1.9 1.9-1.9h19.8q1.9 0 1.9 1.9V35z"
_PLINTH_LINE = "M10.4 30.7h19.2"

OUTLINES: dict[str, Outline] = {
    "p": Outline(
        "M9 35v-2.4q0-1.9 1.9-1.9h18.2q1.9 0 1.9 1.9V35z"
        "M20 6.8a5.3 5.3 0 0 1 3.5 9.2q2.6.4 2.6 1.9t-2.8 1.6q.3 6.4 5.9 11.2H10.8"
        "q5.6-4.8 5.9-11.2-2.8-.1-2.8-1.6t2.6-1.9A5.3 5.3 0 0 1 20 6.8z",
        "M16.4 19.5h7.2M11.4 30.7h17.2",
    ),
    "r": Outline(
        _PLINTH + "M9.2 7h4.6v3.2h3.9V7h4.6v3.2h3.9V7h4.6v7.1l-3.4 3.3 1 10.1 2.1 3.2H9.5"
        "l2.1-3.2 1-10.1-3.4-3.3z",
        "M9.8 13.7h20.4M13.2 17.4h13.6M12.3 27.5h15.4" + _PLINTH_LINE,
    ),
    "n": Outline(
        _PLINTH + "M12.6 30.7c0-4.3 2.3-6.6 4.6-8.6 1.3-1.1 2.2-2.2 2.5-3.7-1.9 1.5-3.7 1.9-5.3 2.1"
        "-.9 1.7-2.2 3-4 3-2.4 0-3.9-1.9-3.6-4.3.4-3.1 2.8-5 3.9-8 .7-1.8 1.5-3 2.8-3.9"
        "l.3-4.7 3.9 3.3 1.4-1.3 1.3 2c7.2 1.2 11.6 7.8 11.5 16 0 3-.4 5.6-1.2 8.1z",
        "M13.2 12.7l2.2-.9M8.9 19.9l.8-1.1M11.6 20.5q1.4.2 2.8 0"
        "M20.7 9.3c5.2 1.7 8 6.9 8 12.8 0 2.3-.2 4.2-.7 6M19 11.6c3.8 1.9 5.7 5.3 5.7 9.6"
        + _PLINTH_LINE,
    ),
    "b": Outline(
        _PLINTH + "M20 3.8a2.2 2.2 0 0 1 1.5 3.8c4.7 3.4 6.9 7 6.7 10.6-.1 2.3-1.1 4.3-2.9 5.8"
        "l.8 2.9 2.5 3.8H11.4l2.5-3.8.8-2.9c-1.8-1.5-2.8-3.5-2.9-5.8-.2-3.6 2-7.2 6.7-10.6"
        "A2.2 2.2 0 0 1 20 3.8z",
        "M20 11.6v8M16.2 15.3h7.6M14.7 24h10.6M13.9 26.9h12.2" + _PLINTH_LINE,
    ),
    "q": Outline(
        _PLINTH + "M10.2 30.7l1.2-4.2-4.3-12 5.7 5.7.3-9.5 4.3 8.6L20 8.7l2.6 10.6 4.3-8.6.3 9.5"
        " 5.7-5.7-4.3 12 1.2 4.2z"
        "M8.9 12.6a2.1 2.1 0 1 1-4.2 0a2.1 2.1 0 1 1 4.2 0z"
        "M15.1 8.8a2.1 2.1 0 1 1-4.2 0a2.1 2.1 0 1 1 4.2 0z"
        "M22.2 6.8a2.2 2.2 0 1 1-4.4 0a2.2 2.2 0 1 1 4.4 0z"
        "M29.1 8.8a2.1 2.1 0 1 1-4.2 0a2.1 2.1 0 1 1 4.2 0z"
        "M35.3 12.6a2.1 2.1 0 1 1-4.2 0a2.1 2.1 0 1 1 4.2 0z",
        "M11.5 26.5c5.6-1.8 11.4-1.8 17 0M11.5 23.3c5.6-1.8 11.4-1.8 17 0" + _PLINTH_LINE,
    ),
    "k": Outline(
        _PLINTH + "M18.7 2.7h2.6v2.7h2.7V8h-2.7v3.4c1.2.5 2.1 1.4 2.6 2.7 4.6-2.8 10-.6 10.1 4.4"
        " .1 3.2-1.9 5.7-4.4 7.6l.7 4.6H9.7l.7-4.6C7.9 24.2 5.9 21.7 6 18.5c.1-5 5.5-7.2 10.1-4.4"
        ".5-1.3 1.4-2.2 2.6-2.7V8H16V5.4h2.7z",
        "M20 13.7c-2.2 3.6-2.2 7.2 0 11 2.2-3.8 2.2-7.4 0-11M10.5 26.2c6.2-2 12.8-2 19 0"
        + _PLINTH_LINE,
    ),
}
"""Body and lines of each piece, by its letter in FEN."""
