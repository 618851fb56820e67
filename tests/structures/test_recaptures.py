"""What breaks lead to, replayed on the boards of a chess library."""

from __future__ import annotations

import chess
from hypothesis import given

from pawnlore.structures.break_on_board import outcome_on_board
from pawnlore.structures.pawn_levers import PawnBreak, pawn_breaks
from pawnlore.structures.recaptures import BY_PIECE, PAST, PAWN, STANDS, Outcome, Ply, outcomes
from pawnlore.structures.skeleton import Skeleton, skeleton_from_board, skeleton_from_fen


def replayed(skeleton: Skeleton, told: PawnBreak, outcome: Outcome) -> Skeleton:
    """The pawns after the outcome's moves, each of them a pawn move of the library."""
    board = chess.Board(None)
    board.pawns = board.occupied = skeleton.white | skeleton.black
    board.occupied_co[True], board.occupied_co[False] = skeleton
    plies = [Ply(told.color, a, b) for a, b in zip(told.path, told.path[1:], strict=False)]
    plies = [*([outcome.before] if outcome.before else []), *plies, *outcome.after]
    for ply in plies:
        if board.turn != ply.white:
            board.turn = ply.white
            board.ep_square = None
        move = chess.Move(ply.start, ply.end)
        assert board.is_pseudo_legal(move)
        board.push(move)
    if outcome.ending == BY_PIECE:
        assert outcome.square is not None
        assert board.color_at(outcome.square) != outcome.retaker
        board.remove_piece_at(outcome.square)
    return skeleton_from_board(board)


@given(...)
def test_every_outcome_can_be_played_with_pawns(skeleton: Skeleton) -> None:
    for told in pawn_breaks(skeleton):
        ends = outcomes(skeleton, told)
        assert 1 <= len(ends) <= 40
        assert len({(end.text, end.skeleton) for end in ends}) == len(ends)
        for end in ends:
            assert replayed(skeleton, told, end) == end.skeleton


@given(...)
def test_outcomes_are_mirrored_with_the_pawns(skeleton: Skeleton) -> None:
    def ends(one: Skeleton) -> set[tuple[str, bool, Skeleton]]:
        return {
            (end.ending, told.color, end.skeleton)
            for told in pawn_breaks(one)
            for end in outcomes(one, told)
        }

    turned = {(ending, not white, s.mirrored()) for ending, white, s in ends(skeleton)}
    assert ends(skeleton.mirrored()) == turned


def by_text(placement: str, text: str) -> dict[str, Outcome]:
    skeleton = skeleton_from_fen(placement)
    told = next(b for b in pawn_breaks(skeleton) if b.text == text)
    return {end.text: end for end in outcomes(skeleton, told)}


def test_the_minority_attack() -> None:
    """b5 leaves Black the choice of a backward or an isolated pawn; common practice."""
    ends = by_text("8/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/8", "b2-b4-b5")
    assert list(ends) == [
        "the pawns stay as they are",
        "bxc6 ...bxc6",
        "bxc6, a piece takes back",
        "...cxb5, a piece takes back",
        "...c5 goes past",
    ]
    assert [end.ending for end in ends.values()] == [STANDS, PAWN, BY_PIECE, BY_PIECE, PAST]
    assert ends["bxc6 ...bxc6"].skeleton == skeleton_from_fen("8/p4ppp/2p5/3p4/3P4/4P3/P4PPP/8")


def test_taking_in_passing() -> None:
    ends = by_text("8/8/8/8/4p3/8/3P4/8", "d2-d4")
    assert "...exd3, a piece takes back" in ends
    ends = by_text("8/8/8/8/4p3/8/2PP4/8", "d2-d4")
    assert ends["...exd3 cxd3"].skeleton == skeleton_from_fen("8/8/8/8/8/3P4/8/8")


def test_both_sides_can_bring_up_a_pawn_first() -> None:
    ends = by_text("8/ppp2p1p/3p2p1/3Pp3/2P1P3/8/PP3PPP/8", "...f7-f5")
    assert "...fxe4 fxe4 (f3 played first)" in ends
    ends = by_text("8/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/8", "e3-e4")
    assert "...dxe4 fxe4 (f3 played first)" in ends


def test_an_outcome_on_the_board_needs_its_pieces() -> None:
    skeleton = skeleton_from_fen("8/8/8/3p4/8/4P3/8/8")
    told = next(b for b in pawn_breaks(skeleton) if b.text == "e3-e4")
    takes_back = next(
        end for end in outcomes(skeleton, told) if end.ending == BY_PIECE and end.retaker is True
    )
    bare = chess.Board("4k3/8/8/3p4/8/4P3/8/K7 w - - 0 1")
    guarded = chess.Board("4k3/8/8/3p4/8/2N1P3/8/K7 w - - 0 1")
    assert not outcome_on_board(bare, told, takes_back)
    assert outcome_on_board(guarded, told, takes_back)
    assert guarded.fen() == "4k3/8/8/3p4/8/2N1P3/8/K7 w - - 0 1"
