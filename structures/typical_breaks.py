"""The pawn breaks that belong to a structure: those that its plans name.

The pawns allow many a lever that nobody would call a break of the structure.
The plans of a family (`plans/<id>.toml`) tell each side's breaks in the usual
notation, White's as chains of squares (``b2-b4-b5``) and Black's after three
dots (``...c5``, ``...f5-f4``). The squares on which they land are read from
there, so that a family that is added as data brings its breaks along.
"""

from __future__ import annotations

import re
import tomllib
from functools import cache
from importlib.resources import files

import chess

_WHITE = re.compile(r"(?<![.…\w])[a-h][1-8](?:[-–][a-h][1-8])+")
_BLACK = re.compile(r"(?:\.\.\.|…)([a-h][1-8](?:[-–][a-h][1-8])*)(?!\w|x)")
_CENTRE = chess.BB_FILE_C | chess.BB_FILE_D | chess.BB_FILE_E | chess.BB_FILE_F


def typical_breaks(structure: str, holder: str, side: str) -> int:
    """The squares on which a side's typical breaks land, as a mask.

    ``holder`` is ``white``, ``black`` or ``both``, ``side`` is ``white`` or
    ``black``. Where both sides hold the structure, each has the breaks of
    either part. For a family without plans these are the squares of the four
    files in the middle.

    >>> [chess.square_name(s) for s in chess.scan_forward(typical_breaks("carlsbad", "white",
    ...     "black"))]
    ['f4', 'a5', 'c5']
    >>> [chess.square_name(s) for s in chess.scan_forward(typical_breaks("carlsbad", "black",
    ...     "black"))]
    ['b4', 'e5']
    """
    plans = _plans(structure)
    if plans is None:
        return _CENTRE
    of_holder, of_foe = plans
    if holder == "both":
        # Told from White's side as the holder: the same breaks, seen from either.
        return (
            of_holder | chess.flip_vertical(of_foe)
            if side == "white"
            else of_foe | chess.flip_vertical(of_holder)
        )
    found = of_holder if side == holder else of_foe
    return found if holder == "white" else chess.flip_vertical(found)


@cache
def _plans(structure: str) -> tuple[int, int] | None:
    """The landing squares of the holder's and of the other side's breaks, the holder as White."""
    source = files("pawnlore.structures").joinpath("plans").joinpath(f"{structure}.toml")
    # An author's own family may be called anything, also what is no file's name.
    if "/" in structure or not source.is_file():
        return None
    plans = tomllib.loads(source.read_text(encoding="utf-8"))
    return _landings(_WHITE, plans["holder"]["breaks"]), _landings(_BLACK, plans["foe"]["breaks"])


def _landings(form: re.Pattern[str], text: str) -> int:
    mask = 0
    for match in form.finditer(text):
        mask |= chess.BB_SQUARES[chess.parse_square(match[0][-2:])]
    return mask
