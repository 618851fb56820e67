"""The shipped plans: every family has them, and what they say fits its pawns."""

from __future__ import annotations

import io
import re
import tomllib
from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import Any

import chess
import chess.pgn
import pytest

from pawnlore.structures.catalogue import shipped_catalogue
from pawnlore.structures.matcher import shipped_matcher
from pawnlore.structures.plan_texts import SECTIONS
from pawnlore.structures.skeleton import pack, skeleton_from_board

CATALOGUE = shipped_catalogue()
SIDES = ("holder", "foe")
PLANS = files("pawnlore.structures").joinpath("plans")

_SQUARE_OR_FILE = re.compile(r"[a-h][1-8]|\b[a-h](?:-(?:, )?|- and [a-h]-)(?:file|pawn)")
_PUSHES = re.compile(r"(?P<black>\.\.\.|…)?(?<!\w)(?P<chain>[a-h][1-8](?:[-–][a-h][1-8])+)")


@cache
def _plan(family: str) -> dict[str, Any]:
    return tomllib.loads(PLANS.joinpath(f"{family}.toml").read_text(encoding="utf-8"))


def _end_of_model_line(family: str) -> chess.Board:
    """The last position of the model line; the reader notes an illegal move as an error."""
    game = chess.pgn.read_game(io.StringIO(_plan(family)["model_line"]))
    assert game is not None
    assert not game.errors
    return game.end().board()


def _is_push(chain: list[int], forward: int) -> bool:
    """Whether a pawn can walk along the squares without a capture."""
    home = 1 if forward == 1 else 6
    return all(
        chess.square_file(here) == chess.square_file(there)
        and (
            there - here == 8 * forward
            or (there - here == 16 * forward and chess.square_rank(here) == home)
        )
        for here, there in pairwise(chain)
    )


def test_there_are_plans_for_the_families_and_for_nothing_else() -> None:
    names = {item.name.removesuffix(".toml") for item in PLANS.iterdir()}
    assert names == set(CATALOGUE.ids)


@pytest.mark.parametrize("family", CATALOGUE.ids)
def test_every_section_is_there_and_says_something(family: str) -> None:
    plan = _plan(family)
    assert set(plan) == {"model_line", *SIDES}
    for side in SIDES:
        assert tuple(plan[side]) == SECTIONS
        for section, text in plan[side].items():
            assert len(text) >= 80, (side, section)


@pytest.mark.parametrize("family", CATALOGUE.ids)
def test_breaks_and_squares_name_a_place(family: str) -> None:
    for side in SIDES:
        for section in ("breaks", "squares"):
            assert _SQUARE_OR_FILE.search(_plan(family)[side][section]), (side, section)


@pytest.mark.parametrize("family", CATALOGUE.ids)
def test_the_pushes_among_the_breaks_are_pawn_moves(family: str) -> None:
    """A chain such as ``b2-b4-b5`` stays on its file and goes forward, ``...`` marking Black's."""
    for side in SIDES:
        for found in _PUSHES.finditer(_plan(family)[side]["breaks"]):
            chain = [chess.parse_square(name) for name in re.split("[-–]", found["chain"])]
            assert _is_push(chain, -1 if found["black"] else 1), (side, found[0])


@pytest.mark.parametrize(
    ("chain", "forward", "legal"),
    [
        (["b2", "b4", "b5"], 1, True),
        (["f7", "f5", "f4"], -1, True),
        (["b4", "b2"], 1, False),
        (["b3", "b5"], 1, False),
        (["b4", "c5"], 1, False),
    ],
)
def test_what_a_push_is(chain: list[str], forward: int, legal: bool) -> None:
    assert _is_push([chess.parse_square(name) for name in chain], forward) is legal


@pytest.mark.parametrize("family", CATALOGUE.ids)
def test_the_model_line_is_legal_and_ends_in_the_structure(family: str) -> None:
    board = _end_of_model_line(family)
    assert board.ply() >= 16
    match = shipped_matcher().match(pack([skeleton_from_board(board)]))
    number = int(match.family[0])
    assert number >= 0, "no family"
    assert CATALOGUE.ids[number] == family
