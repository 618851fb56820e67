"""The tokens of PGN movetext: moves, glyphs, results, brackets and the rest."""

from __future__ import annotations

import re

MOVE, MARK, GLYPH, RESULT, NUMBER, WORD = 1, 2, 3, 4, 5, 6
"""The groups of `TOKEN`, as ``match.lastindex`` gives them."""

TOKEN = re.compile(
    r"""
    [\s.…]*+ (?:\d++\.[\s.…]*+)*+                    # move numbers say nothing new
    (?:
      (
        (?:
          [KQRBNP]?[a-h]?[1-8]?[-x:]?(?:[a-h][18]=?[QRBNqrbn]|[a-h][1-8])
          | O-O(?:-O)? | 0-0(?:-0)?
        )
        (?:\+\+|[+\#](?![-/=+]))? (?!\w)
        | --(?!\w) | Z0(?!\w) | 0000(?!\w) | @@@@
      )
      | ([(){};])
      | (\$\d*|[?!]+|\+/?-|-/?\+|\+/?=|=/?\+|[=±∓⩲⩱∞]|T?N(?!\w))
      | (1-0|0-1|1/2(?:-1/2)?(?![\w/-])|\*)
      | (\d+(?![\w/-]))
      | ([^\s(){};$]+)
    )
    """,
    re.VERBOSE,
)
"""One token after white space and move numbers. It finds none only at a line's end."""

NEW_GAME = re.compile(r"\s*1\s*\.(?!\s*[.…])")
"""Movetext that begins with White's first move."""

MOVE_LIKE = re.compile(r"[a-hA-H][0-9]|[O0o]-[O0o]|^[KQRBN]x?[a-h]$")
"""A word in which somebody meant a move."""

SILENT = frozenset(("e.p.", "e.p", "ep", "ep."))
"""Words that say nothing that the move before them does not say."""

_REGULAR = re.compile(
    r"(?:[KQRBN][a-h]?[1-8]?x?[a-h][1-8]|(?:[a-h]x)?[a-h](?:[2-7]|[18]=[QRBN])|O-O(?:-O)?)[+#]?|--"
)

GLYPHS = {
    # The six suffixes: PGN standard (Edwards, 1994), section 8.2.3.8.
    "!": 1, "?": 2, "!!": 3, "??": 4, "!?": 5, "?!": 6,
    # Signs for the numbers of section 10; which sign stands for which number is
    # common practice, no source.
    "=": 10, "∞": 13, "+=": 14, "+/=": 14, "⩲": 14, "=+": 15, "=/+": 15, "⩱": 15,
    "+/-": 16, "±": 16, "-/+": 17, "∓": 17, "+-": 18, "-+": 19, "N": 146, "TN": 146,
}  # fmt: skip
"""Glyphs by the sign that authors type."""


def glyph_number(sign: str) -> int | None:
    """The number of a glyph, or none where the sign is not known.

    >>> glyph_number("$14"), glyph_number("!?"), glyph_number("!!!")
    (14, 5, None)
    """
    if sign[0] == "$":
        return int(sign[1:]) if 1 < len(sign) <= 10 and sign[1:].isascii() else None
    return GLYPHS.get(sign)


def is_regular(token: str) -> bool:
    """Whether a move is spelt as SAN spells it, so that it can be kept as written.

    >>> is_regular("Nbd7+"), is_regular("0-0"), is_regular("e2e4"), is_regular("e8Q")
    (True, False, False, False)
    """
    return _REGULAR.fullmatch(token) is not None


def tidy_move(token: str) -> str:
    """An irregular spelling as the move parser wants it.

    >>> tidy_move("0-0-0+"), tidy_move("N:d4"), tidy_move("Pe4"), tidy_move("Z0")
    ('O-O-O+', 'Nxd4', 'e4', '--')
    """
    if token in ("--", "Z0", "0000", "@@@@"):
        return "--"
    if token.startswith("0-0"):
        token = token.replace("0", "O")
    token = token.replace("++", "+").replace(":", "x")
    return token[1:] if token[0] == "P" else token


def numbered(ply: int, move: str) -> str:
    """A move with its number; ``ply`` counts the half-moves before it.

    >>> numbered(0, "e4"), numbered(27, "Nf6")
    ('1. e4', '14... Nf6')
    """
    return f"{ply // 2 + 1}{'...' if ply % 2 else '.'} {move}"
