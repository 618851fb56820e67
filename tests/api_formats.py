"""Texts of every format that the API's description names, for testers that read it."""

from __future__ import annotations

import json
from importlib.resources import files

import chess
from hypothesis import strategies as st

from pawnlore.service.api.formats import FORMATS
from pawnlore.structures.catalogue import shipped_catalogue

_LINES = [
    line.split(" id ")[0]
    for line in files("pawnlore.labelled_demo").joinpath("positions.epd").read_text().splitlines()
    if line and not line.startswith("#")
]
_SHOWN = st.characters(categories=["L", "N", "P", "S"], include_characters=" ")
_KEPT = st.characters(exclude_categories=["Cs"], exclude_characters="\0")
_OWN = st.text(st.characters(categories=["L", "N"]), min_size=1, max_size=40).map("own/{}".format)


@st.composite
def _played(draw: st.DrawFn) -> str:
    """A position that a game has reached, as a FEN or as a bare placement."""
    board = chess.Board()
    for choice in draw(st.lists(st.integers(0, 10_000), max_size=30)):
        moves = sorted(board.legal_moves, key=chess.Move.uci)
        if not moves:
            break
        board.push(moves[choice % len(moves)])
    return draw(st.sampled_from([board.fen(), board.epd(), board.board_fen()]))


@st.composite
def _pawns(draw: st.DrawFn) -> str:
    """Pawns alone, at most eight of each side."""
    board = chess.BaseBoard.empty()
    places = draw(st.permutations(list(range(chess.A2, chess.A8))))
    white, black = draw(st.integers(0, 8)), draw(st.integers(0, 8))
    for number, place in enumerate(places[: white + black]):
        board.set_piece_at(place, chess.Piece(chess.PAWN, number < white))
    return board.board_fen()


@st.composite
def _note(draw: st.DrawFn) -> str:
    """A plan note with some header and some text."""
    line = st.text(_SHOWN, min_size=1, max_size=60).map(lambda text: f"T{text}")
    keys = {
        "structure": draw(st.sampled_from(shipped_catalogue().ids) | _OWN),
        "holder": draw(st.sampled_from(["white", "black", "any"])),
        "side": draw(st.sampled_from(["holder", "foe"])),
        "title": draw(line),
    }
    if draw(st.booleans()):
        keys["chapter"] = draw(line)
    body = draw(st.text(_KEPT, max_size=200))
    # What JSON writes as a text, TOML reads as the same text, escapes and all.
    header = "".join(
        f"{key} = {json.dumps(text, ensure_ascii=False)}\n" for key, text in keys.items()
    )
    when = draw(st.sampled_from(["", 'when = { queens = "on" }\n', 'squares = ["d5"]\n']))
    return f"+++\n{header}{when}+++\nText {body}"


TEXTS: dict[str, st.SearchStrategy[str]] = {
    "position": st.sampled_from(_LINES) | _played() | _pawns(),
    "plan-note": _note(),
    "own-structure": _OWN,
    "one-line": st.text(_SHOWN, max_size=200),
    "moves": st.sampled_from(["1. d4 d5", "1.d4", "d4 d5 c4 e6"]),
}
"""A strategy for each format."""

assert set(TEXTS) == set(FORMATS), "a format without texts, or texts of no format"
