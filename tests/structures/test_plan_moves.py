"""Moves of a plan as steps on a board; python-chess knows the rules and writes the SAN."""

from __future__ import annotations

import random

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.structures.plan_moves import plan_move, plan_steps
from pawnlore.structures.plan_note import parse_note


def _played(seed: int) -> chess.Board:
    dice = random.Random(seed)
    board = chess.Board()
    for _ in range(dice.randint(0, 90)):
        moves = list(board.legal_moves)
        if not moves:
            break
        board.push(dice.choice(moves))
    return board


boards = st.integers(0, 2**32 - 1).map(_played)


@given(boards)
def test_every_legal_move_is_found_by_its_san(board: chess.Board) -> None:
    for move in board.legal_moves:
        (step,) = plan_steps(board, [board.san(move)], board.turn)
        if step.squares is None:
            # A king in check makes SAN shorter than a board without the turn can
            # tell: two pieces could go there, and only one gets out of check.
            assert board.is_check(), board.san(move)
        else:
            assert step.squares == (move.from_square, move.to_square), board.san(move)


@given(boards, st.integers(0, 63), st.integers(0, 63))
def test_a_move_that_is_written_is_found_again_and_a_note_can_hold_it(
    board: chess.Board, start: int, end: int
) -> None:
    text = plan_move(board, start, end)
    piece = board.piece_at(start)
    if piece is None or start == end:
        assert text == ""
    if text:
        assert piece is not None
        assert plan_steps(board, [text], piece.color)[0].squares == (start, end)
        header = 'structure = "carlsbad"\nholder = "any"\nside = "holder"\ntitle = "T"\n'
        note = parse_note(f'+++\n{header}moves = ["{text}"]\n+++\nText.\n')
        assert note.moves == (text,)


@given(boards)
def test_legal_moves_are_written_unless_they_promote(board: chess.Board) -> None:
    for move in board.legal_moves:
        assert plan_move(board, move.from_square, move.to_square), board.san(move)


FEN = "r4rk1/pp2bppp/2p2n2/3p4/3P4/2N1PN2/PPQ2PPP/1R3RK1"


@pytest.mark.parametrize(
    ("moves", "color", "expected"),
    [
        (["b4", "b5", "bxc6"], chess.WHITE, ["b2b4", "b4b5", "b5c6"]),
        (["b5"], chess.WHITE, ["b2b5"]),  # two steps in one word
        (["Na4", "Nc5"], chess.WHITE, ["c3a4", "a4c5"]),
        (["Nc5"], chess.WHITE, [None]),  # either knight could be meant
        (["Ncc5"], chess.WHITE, ["c3c5"]),
        (["Nd7", "Nf8", "Ng6"], chess.BLACK, ["f6d7", "d7f8", "f8g6"]),
        (["Re8", "...a5!", "Bd6"], chess.BLACK, [None, "a7a5", "e7d6"]),
        (["Rc8"], chess.BLACK, [None]),  # either rook could be meant
        (["Rfe8", "Rac8"], chess.BLACK, ["f8e8", "a8c8"]),
        (["exd5", "O-O", "rubbish", ""], chess.WHITE, [None, None, None, None]),
    ],
)
def test_plans(moves: list[str], color: chess.Color, expected: list[str | None]) -> None:
    found = [
        step.squares and chess.Move(*step.squares).uci()
        for step in plan_steps(chess.BaseBoard(FEN), moves, color)
    ]
    assert found == expected


def test_castling_moves_both() -> None:
    board = chess.BaseBoard("r3k2r/8/8/8/8/8/8/R3K2R")
    steps = plan_steps(board, ["O-O", "Rae1", "Rfd1"], chess.WHITE)
    assert [step.squares for step in steps] == [
        (chess.E1, chess.G1),
        (chess.A1, chess.E1),
        (chess.F1, chess.D1),
    ]
    assert plan_move(board, chess.E8, chess.C8) == "O-O-O"


def test_the_board_that_was_given_stays_as_it_is() -> None:
    board = chess.BaseBoard(FEN)
    plan_steps(board, ["b4"], chess.WHITE)
    assert board.board_fen() == FEN
