"""Cores: what every kind of condition means, and how bad ones are refused."""

from __future__ import annotations

import re

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.structures.core import Core, CoreError, file_pattern, parse_conditions

pawn_masks = st.sets(st.sampled_from(range(chess.A2, chess.A8)), max_size=8).map(
    lambda squares: sum(1 << square for square in squares)
)
c_file_pawns = st.sets(st.sampled_from([f"c{rank}" for rank in range(2, 8)]))


def _mask(squares: set[str]) -> int:
    return sum(1 << chess.parse_square(square) for square in squares)


@given(c_file_pawns)
def test_conditions_on_one_file_mean_what_they_say(squares: set[str]) -> None:
    meaning = {
        "c4": squares == {"c4"},
        "c2|c3": squares in ({"c2"}, {"c3"}),
        "no c": not squares,
        "has c": bool(squares),
        "on c4": "c4" in squares,
        "two c": len(squares) == 2,
        "c3+c4": squares == {"c3", "c4"},
    }
    for text, expected in meaning.items():
        (condition,) = parse_conditions(text)
        assert condition.met(_mask(squares)) == expected, text


@given(pawn_masks)
def test_alternatives_on_two_files_are_met_by_either(mask: int) -> None:
    for text in ("has c/e", "e5/c5"):
        (condition,) = parse_conditions(text)
        parts = ("has c", "has e") if text.startswith("has") else ("e5", "c5")
        assert condition.met(mask) == any(parse_conditions(p)[0].met(mask) for p in parts)
        assert {"abcdefgh"[file] for file in condition.files} == {"c", "e"}


@given(pawn_masks, pawn_masks)
def test_a_core_is_met_when_all_its_conditions_are(own: int, foe: int) -> None:
    core = Core(parse_conditions("d4, no e"), parse_conditions("has c"))
    d_pawns, e_pawns = own & chess.BB_FILE_D, own & chess.BB_FILE_E
    expected = d_pawns == chess.BB_D4 and not e_pawns and bool(foe & chess.BB_FILE_C)
    assert core.met(own, foe) == expected


@given(st.integers(min_value=0, max_value=2**64 - 1), st.integers(min_value=0, max_value=7))
def test_a_file_pattern_holds_every_square_of_the_file(mask: int, file: int) -> None:
    pattern = file_pattern(mask, file)
    for rank in range(8):
        assert bool(pattern >> rank & 1) == bool(mask >> chess.square(file, rank) & 1)


def test_no_conditions_are_met_by_everything() -> None:
    assert parse_conditions("") == parse_conditions("   ") == ()
    assert Core((), ()).met(0, 0)


@pytest.mark.parametrize(
    "text",
    ["d9", "d1", "d8", "i4", "no", "no x", "has", "has c/", "two", "two cd", "on", "on c4|c5",
     "c2|d2", "c3+d4", "c3+", "maybe c", "d4,", "d4,,e4", "d4 e4", "D4"],
)  # fmt: skip
def test_a_bad_condition_is_refused(text: str) -> None:
    with pytest.raises(CoreError):
        parse_conditions(text)


def test_the_refusal_names_what_is_wrong() -> None:
    with pytest.raises(CoreError, match=re.escape("'c2|d2' names squares of more")):
        parse_conditions("c2|d2")
