"""Chess prose with the colours reversed: the same words for the other side of the board."""

from __future__ import annotations

import re

_SWAPPED = {
    "White": "Black",
    "Black": "White",
    "white": "black",
    "black": "white",
    "light-square": "dark-square",
    "dark-square": "light-square",
    "light square": "dark square",
    "dark square": "light square",
    "second rank": "seventh rank",
    "seventh rank": "second rank",
    "third rank": "sixth rank",
    "sixth rank": "third rank",
    "fourth rank": "fifth rank",
    "fifth rank": "fourth rank",
}
_SWAPPED |= {text.capitalize(): swapped.capitalize() for text, swapped in _SWAPPED.items()}
_MOVE = (
    r"O-O-O|O-O"  # castling
    r"|[KQRBN][a-h][1-8](?:[-–x][a-h][1-8])+"  # a piece's way
    r"|[KQRBN][a-h]?[1-8]?x?[a-h][1-8]"  # a piece
    r"|(?:[a-h][1-8]?)?x[a-h][1-8](?:=[QRBN])?"  # a capture
    r"|(?P<file>[a-h])[1-8](?:[-–](?P=file)[1-8])+"  # a pawn's way; on two files it is a diagonal
    r"|[a-h][1-8](?:[-–][a-h][1-8])*x[a-h][1-8]"
)
_TOKEN = re.compile(
    r"(?<![\w.])(?P<dots>\.\.\.)?(?:(?P<move>" + _MOVE + r")|(?P<square>[a-h][1-8]))(?!\w)"
    r"|\b(?P<word>" + "|".join(sorted(_SWAPPED, key=len, reverse=True)) + r")"
)
_ANSWERED = re.compile(r"(?:^|[^\w.])(?:" + _MOVE + r") \Z")
_SQUARE = re.compile(r"([a-h])([1-8])")


def mirrored_prose(text: str) -> str:
    """A text with colours reversed: sides, squares, square colours and whose move it is.

    A move of Black's is one with three dots before it; a bare square stays one,
    since the text does not tell a pawn's move from the square.

    >>> mirrored_prose("Rb1, b2-b4-b5 and bxc6 leave Black a weak pawn on c6; ...Ne4 helps.")
    '...Rb8, ...b7-b5-b4 and ...bxc3 leave White a weak pawn on c3; Ne5 helps.'
    >>> mirrored_prose("After ...cxd4, exd4 White's light-squared bishop eyes the b1-h7 diagonal.")
    "After cxd5, ...exd5 Black's dark-squared bishop eyes the b8-h2 diagonal."
    >>> mirrored_prose("After Bxa6 Nxa6 that knight goes Na6-c7-e8.")
    'After ...Bxa3 Nxa3 that knight goes ...Na3-c2-e1.'
    """
    return _TOKEN.sub(_turned, text)


def told_for(text: str, holder: str) -> str:
    r"""A text of the catalogue on one line, for whoever holds the structure: `mirrored_prose`.

    The catalogue is written as if White held it.

    >>> told_for("White has pawns\non d4 and e3.", "black")
    'Black has pawns on d5 and e6.'
    """
    line = " ".join(text.split())
    return mirrored_prose(line) if holder == "black" else line


def _turned(found: re.Match[str]) -> str:
    if found["word"]:
        return _SWAPPED[found["word"]]
    text = found["move"] or found["square"]
    text = _SQUARE.sub(lambda one: f"{one[1]}{9 - int(one[2])}", text)
    if found["dots"] or not found["move"]:
        return text
    # Of two moves in a row, the second is the other side's answer.
    before = found.string[max(0, found.start() - 24) : found.start()]
    return text if _ANSWERED.search(before) else f"...{text}"
