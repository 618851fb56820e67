"""Breaks from the pawns alone, held to python-chess's own pawn moves."""

from __future__ import annotations

import random

import chess
import numpy as np
import pytest
from hypothesis import given

from pawnlore.structures.break_on_board import NOW, board_breaks, on_board
from pawnlore.structures.pawn_levers import (
    CAPTURE,
    LEVER,
    PIECE,
    PUSH,
    PawnBreak,
    breaks_of,
    lever_squares,
    pawn_breaks,
)
from pawnlore.structures.skeleton import (
    Skeleton,
    mirror_batch,
    pack,
    skeleton_from_board,
    skeleton_from_fen,
    squares_in_words,
)


def pawns_only(skeleton: Skeleton, white: bool) -> chess.Board:
    board = chess.Board(None)
    board.pawns = board.occupied = skeleton.white | skeleton.black
    board.occupied_co[True], board.occupied_co[False] = skeleton
    board.turn = white
    return board


def touched(board: chess.Board, square: int, white: bool) -> bool:
    return bool(board.attacks(square) & board.occupied_co[not white])


@given(...)
def test_one_move_breaks_are_the_pawn_moves_of_a_chess_library(skeleton: Skeleton) -> None:
    found = pawn_breaks(skeleton)
    for white in (True, False):
        board = pawns_only(skeleton, white)
        moves = {
            (move.from_square, move.to_square)
            for move in board.pseudo_legal_moves
            if not move.promotion
        }
        ours = [told for told in found if told.color == white and told.moves == 1]
        assert {(told.path[0], told.landing) for told in ours} == moves
        assert len(ours) == len(moves)
        for told in ours:
            move = chess.Move(told.path[0], told.landing)
            assert (told.kind == CAPTURE) == board.is_capture(move)
            if told.kind == CAPTURE:
                continue
            board.push(move)
            assert (told.kind == LEVER) == touched(board, told.landing, white)
            board.pop()


@given(...)
def test_two_move_breaks_are_two_pushes_of_a_chess_library(skeleton: Skeleton) -> None:
    for white in (True, False):
        board = pawns_only(skeleton, white)
        ways: dict[int, bool] = {}
        at_once = {m.to_square for m in board.pseudo_legal_moves if not board.is_capture(m)}
        for first in list(board.pseudo_legal_moves):
            if first.promotion or board.is_capture(first):
                continue
            board.push(first)
            contact = touched(board, first.to_square, white)
            board.push(chess.Move.null())
            for second in list(board.pseudo_legal_moves):
                same = second.from_square == first.to_square and not second.promotion
                if same and not contact and not board.is_capture(second):
                    board.push(second)
                    ways[second.to_square] = touched(board, second.to_square, white)
                    board.pop()
            board.pop()
            board.pop()
        want = {square: hits for square, hits in ways.items() if square not in at_once}
        ours = {
            told.landing: told.kind == LEVER
            for told in pawn_breaks(skeleton)
            if told.color == white and told.moves == 2
        }
        assert ours == want


@given(...)
def test_whole_columns_agree_with_one_by_one(skeletons: list[Skeleton]) -> None:
    masks = pack(skeletons)
    found = lever_squares(masks)
    for row, skeleton in enumerate(skeletons):
        for column, white in enumerate((True, False)):
            for moves, part in ((1, found.one), (2, found.two)):
                want = {
                    told.landing
                    for told in pawn_breaks(skeleton)
                    if (told.color, told.kind, told.moves) == (white, LEVER, moves)
                }
                assert set(chess.scan_forward(int(part[row, column]))) == want


@given(...)
def test_a_mirrored_batch_has_the_mirrored_breaks(skeleton: Skeleton) -> None:
    masks = pack([skeleton])
    assert np.array_equal(
        lever_squares(mirror_batch(masks)).all, mirror_batch(breaks_of(masks).all)
    )


# Breaks that the trade names in these structures. The minority attack, the
# breaks of the King's Indian chain, of the French chain and of the hedgehog are
# taught in Andrew Soltis, "Pawn Structure Chess" (1976); from memory, and
# common practice.
@pytest.mark.parametrize(
    ("placement", "white", "black"),
    [
        ("8/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/8", "b5 e4", "c5 f4"),
        ("8/ppp2p1p/3p2p1/3Pp3/2P1P3/8/PP3PPP/8", "c5 f4 h5", "b5 c6 f5"),
        ("8/pp3ppp/4p3/2ppP3/3P4/2P5/PP3PPP/8", "b4 c4 f5", "b4 f6"),
        ("8/5ppp/pp1pp3/8/2P1P3/8/PP3PPP/8", "b5 c5 e5 f5", "b5 d5 f5"),
    ],
    ids=["Carlsbad", "King's Indian chain", "French chain", "hedgehog"],
)
def test_the_breaks_of_the_trade(placement: str, white: str, black: str) -> None:
    found = lever_squares(pack([skeleton_from_fen(placement)])).all[0].tolist()
    assert set(white.split()) <= set(squares_in_words(found[0]).split())
    assert set(black.split()) <= set(squares_in_words(found[1]).split())


def playable_now(board: chess.Board) -> dict[tuple[int, int], PawnBreak]:
    told = [*pawn_breaks(skeleton_from_board(board)), *board_breaks(board)]
    return {
        (one.path[0], one.landing): one
        for one in told
        if one.moves == 1 and one.color == board.turn and on_board(board, one).state == NOW
    }


@pytest.mark.parametrize("seed", range(12))
def test_what_is_playable_now_is_every_legal_pawn_move(seed: int) -> None:
    """Positions of random games: pins, checks, blockades, captures in passing."""
    dice, board = random.Random(seed), chess.Board()
    for _ in range(120):
        moves = list(board.legal_moves)
        if not moves:
            break
        legal = {
            (move.from_square, move.to_square): move
            for move in moves
            if board.piece_type_at(move.from_square) == chess.PAWN and not move.promotion
        }
        found = playable_now(board)
        assert set(found) == set(legal)
        for key, told in found.items():
            captured = board.piece_type_at(told.hits[0]) if told.hits else None
            assert (told.kind in (CAPTURE, PIECE)) == board.is_capture(legal[key])
            assert (told.kind == CAPTURE) == (
                captured == chess.PAWN and board.is_capture(legal[key])
            )
        board.push(dice.choice(moves))


def test_texts_and_tension() -> None:
    told = pawn_breaks(skeleton_from_fen("8/8/8/3p4/2P5/8/8/8"))
    assert [(b.text, b.kind, b.leaves_tension) for b in told] == [
        ("cxd5", CAPTURE, False),
        ("c4-c5", PUSH, True),
        ("c4-c5-c6", PUSH, True),
        ("...dxc4", CAPTURE, False),
        ("...d5-d4", PUSH, True),
        ("...d5-d4-d3", PUSH, True),
    ]


def test_a_pawn_in_contact_is_not_followed_on() -> None:
    told = pawn_breaks(skeleton_from_fen("8/3p4/8/3p4/8/2P5/8/8"))
    assert [b.text for b in told if b.color and b.kind == LEVER] == ["c3-c4"]
