"""Conditions of plan notes: each key against python-chess, and faults told in words.

Outside sources: python-chess for the pieces, castling rights and move numbers
of a position. What "open" and "half-open" mean is common practice, no source.
"""

from __future__ import annotations

from typing import Any

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.structures.note_conditions import (
    CHAPTER_LENGTH,
    KEYS,
    NO_CONDITIONS,
    ConditionError,
    castling_state,
    parse_conditions,
)

CASTLED = "r1bq1rk1/pp2bppp/2n2n2/3p4/3P4/2N2N2/PP2BPPP/R1BQ1RK1 w - - 0 11"
"""An isolani each, e- and c-files open, both sides castled short (made up)."""


@st.composite
def boards(draw: st.DrawFn) -> chess.Board:
    """Positions from a few random moves, so that rights and numbers are real."""
    board = chess.Board()
    for _ in range(draw(st.integers(0, 60))):
        moves = sorted(board.legal_moves, key=chess.Move.uci)
        if not moves:
            break
        board.push(draw(st.sampled_from(moves)))
    return board


def holds(table: dict[str, Any], fen: str, chapter: str = "") -> bool:
    return parse_conditions(table).unmet(chess.Board(fen), chapter) is None


@pytest.mark.parametrize(
    ("table", "expected"),
    [
        ({"queens": "on"}, True),
        ({"queens": "off"}, False),
        ({"castling": "same"}, True),
        ({"castling": "opposite"}, False),
        ({"castling": "not-yet"}, False),
        ({"pawn": ["white d4", "black d5"]}, True),
        ({"pawn": ["white d4", "black d4"]}, False),
        ({"file": ["e open"]}, True),
        ({"file": ["d open"]}, False),
        ({"file": ["c half-open white"]}, False),
        ({"bishops": ["white light", "black dark"]}, True),
        ({"moves": [11, 11]}, True),
        ({"moves": [1, 10]}, False),
        ({"moves": [12, 30]}, False),
        ({"chapter": "The isolani"}, True),
        ({"chapter": "Another one"}, False),
        ({"queens": "on", "castling": "same", "moves": [1, 10]}, False),
        ({}, True),
    ],
)
def test_each_condition_on_one_position(table: dict[str, Any], expected: bool) -> None:
    assert holds(table, CASTLED, "The  isolani ") is expected


def test_half_open_asks_for_a_pawn_of_the_other_side() -> None:
    fen = "4k3/2p5/8/8/8/8/4P3/4K3 w - - 0 1"
    assert holds({"file": ["c half-open white"]}, fen)
    assert not holds({"file": ["c half-open black"]}, fen)
    assert holds({"file": ["e half-open black"]}, fen)
    assert not holds({"file": ["d half-open white"]}, fen)


def test_one_queen_alone_is_neither_on_nor_off() -> None:
    fen = "4k3/8/8/8/8/8/8/3QK3 w - - 0 1"
    assert not holds({"queens": "on"}, fen) and not holds({"queens": "off"}, fen)


@pytest.mark.parametrize(
    ("fen", "state"),
    [
        (chess.STARTING_FEN, "not-yet"),
        (CASTLED, "same"),
        ("2kr4/8/8/8/8/8/8/5RK1 w - - 0 1", "opposite"),
        # Black's king may castle still; White's has walked to the wing.
        ("r3k3/8/8/8/8/8/5K2/8 w q - 0 1", "not-yet"),
        # The rights are gone, but a king in the centre has gone to no wing.
        ("4k3/8/8/8/8/8/8/5RK1 w - - 0 1", "not-yet"),
        ("5k2/8/8/8/8/8/5K2/8 w - - 0 1", "same"),
    ],
)
def test_castling_state(fen: str, state: str) -> None:
    assert castling_state(chess.Board(fen)) == state


@given(boards())
def test_exactly_one_castling_state_and_it_is_its_condition(board: chess.Board) -> None:
    states = ("same", "opposite", "not-yet")
    met = [s for s in states if parse_conditions({"castling": s}).unmet(board) is None]
    assert met == [castling_state(board)]
    if any(board.has_castling_rights(colour) for colour in chess.COLORS):
        assert met == ["not-yet"]


@given(boards(), st.sampled_from("abcdefgh"))
def test_files_against_the_pieces_of_python_chess(board: chess.Board, file: str) -> None:
    column = chess.SquareSet(chess.BB_FILES[chess.FILE_NAMES.index(file)])
    white = bool(board.pieces(chess.PAWN, chess.WHITE) & column)
    black = bool(board.pieces(chess.PAWN, chess.BLACK) & column)
    expected = {
        f"{file} open": not white and not black,
        f"{file} half-open white": not white and black,
        f"{file} half-open black": white and not black,
    }
    for text, met in expected.items():
        conditions = parse_conditions({"file": [text]})
        assert (conditions.unmet(board) is None) is met
        masks = [int(board.pieces(chess.PAWN, colour)) for colour in (chess.WHITE, chess.BLACK)]
        assert (conditions.unmet_by_pawns(*masks) is None) is met


@given(boards(), st.sampled_from(["white", "black"]), st.sampled_from(["light", "dark"]))
def test_bishops_against_square_colours(board: chess.Board, side: str, shade: str) -> None:
    # a1 is dark: the sum of file and rank numbers (from 0) is even on dark squares.
    bishops = board.pieces(chess.BISHOP, side == "white")
    there = any((s % 8 + s // 8) % 2 == (shade == "light") for s in bishops)
    met = parse_conditions({"bishops": [f"{side} {shade}"]}).unmet(board) is None
    assert met is there


def test_the_first_condition_that_fails_is_named() -> None:
    conditions = parse_conditions({"queens": "off", "moves": [30, 40]})
    assert conditions.unmet(chess.Board()) == "queens are off"
    assert conditions.words() == ("queens are off", "the move is between 30 and 40")
    assert conditions.unmet(None) == "there is a full position to look at"
    assert parse_conditions({"chapter": "A"}).unmet(None, "A") is None
    assert NO_CONDITIONS.unmet(None) is None and len(NO_CONDITIONS) == 0


def test_counting_single_conditions() -> None:
    conditions = parse_conditions({"pawn": ["white h4", "white h4", "black a5"], "queens": "on"})
    assert conditions.pawns == ("white h4", "black a5") and len(conditions) == 3
    assert conditions.need_board
    assert not parse_conditions({"pawn": ["white h4"], "chapter": "x"}).need_board


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"queen": "on"}, "'queen' is no condition"),
        ({"queens": True}, 'queens must be "on" or "off", not True'),
        ({"castling": "short"}, "castling must be"),
        ({"pawn": "white h4"}, 'pawn must be a list such as ["white h4"]'),
        ({"pawn": []}, "pawn must be a list"),
        ({"pawn": ["white h9"]}, "'white h9' is not of the form"),
        ({"pawn": ["White h4"]}, "'White h4' is not of the form"),
        ({"pawn": [3]}, "3 is not of the form"),
        ({"file": ["e closed"]}, "'e closed' is not of the form"),
        ({"file": ["e half-open"]}, "'e half-open' is not of the form"),
        ({"bishops": ["light"]}, "'light' is not of the form"),
        ({"moves": [25, 8]}, "moves must be two move numbers"),
        ({"moves": [8]}, "moves must be two move numbers"),
        ({"moves": [True, 8]}, "moves must be two move numbers"),
        ({"moves": [1, True]}, "moves must be two move numbers"),
        ({"moves": [0, 8]}, "moves must be two move numbers"),
        ({"chapter": ""}, "chapter must be"),
        ({"chapter": "x" * (CHAPTER_LENGTH + 1)}, "chapter must be"),
        ({"pawn": ["white h4"] * 65}, "at most 64"),
    ],
)
def test_faults_are_told(table: dict[str, Any], said: str) -> None:
    with pytest.raises(ConditionError) as caught:
        parse_conditions(table)
    assert said in str(caught.value)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=5,
)


@given(st.dictionaries(st.sampled_from(KEYS) | st.text(max_size=8), VALUES, max_size=4))
def test_any_table_is_read_or_refused_in_words(table: dict[str, Any]) -> None:
    try:
        conditions = parse_conditions(table)
    except ConditionError as error:
        assert error.messages and all(error.messages)
    else:
        assert set(table) <= set(KEYS)
        assert len(conditions.words()) == len(conditions)
