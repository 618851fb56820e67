"""Lines that are played from a position."""

from __future__ import annotations

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.service.played_line import MOST_PLIES, play_line
from pawnlore.structures.skeleton import SkeletonError

# The FENs after 1. e4 c5 2. Nf3, from the PGN standard, section 16.1.4 (Edwards, 1994).
_STANDARD = {
    "": "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1",
    "e4": "rnbqkbnr/pppppppp/8/8/4P3/8/PPPP1PPP/RNBQKBNR b KQkq e3 0 1",
    "1. e4 c5": "rnbqkbnr/pp1ppppp/8/2p5/4P3/8/PPPP1PPP/RNBQKBNR w KQkq c6 0 2",
    "1.e4 c5 2.Nf3": "rnbqkbnr/pp1ppppp/8/2p5/4P3/5N2/PPPP1PPP/RNBQKB1R b KQkq - 1 2",
}


@pytest.mark.parametrize("moves", _STANDARD)
def test_the_fen_that_is_reached_is_the_standards(moves: str) -> None:
    assert play_line("", moves).fen == _STANDARD[moves]


@pytest.mark.parametrize(
    ("fen", "move", "becomes"),
    [
        ("r3k2r/8/8/8/8/8/8/R3K2R w KQkq - 0 1", "O-O", ""),
        ("r3k2r/8/8/8/8/8/8/R3K2R w KQkq - 0 1", "O-O-O", ""),
        ("r3k2r/8/8/8/8/8/8/R3K2R b KQkq - 0 1", "0-0", ""),
        ("4k3/8/8/2pP4/8/8/8/4K3 w - c6 0 1", "dxc6", ""),
        ("4k3/8/8/2pP4/8/8/8/4K3 w - c6 0 1", "d5c6", ""),
        ("8/P6k/8/8/8/8/8/K7 w - - 0 1", "a8=N", "knight"),
        ("8/P6k/8/8/8/8/8/K7 w - - 0 1", "a7a8q", "queen"),
    ],
)
def test_castling_en_passant_and_promotion(fen: str, move: str, becomes: str) -> None:
    line = play_line(fen, move)
    assert not line.fault and len(line.moves) == 1
    before = play_line(fen)
    (found,) = [one for one in before.legal() if one.san == line.moves[0]]
    assert found.becomes == becomes
    assert line.last == (chess.parse_square(found.start), chess.parse_square(found.end))


@given(st.lists(st.integers(0, 217), max_size=60))
def test_any_line_is_played_as_the_reference_plays_it(choices: list[int]) -> None:
    """Against python-chess, by squares: SAN is what is tested."""
    board, sans = chess.Board(), []
    for choice in choices:
        legal = list(board.legal_moves)
        if not legal:
            break
        move = legal[choice % len(legal)]
        sans.append(board.san(move))
        board.push(move)
    line = play_line("", " ".join(sans))
    assert not line.fault
    assert line.fen == board.fen(en_passant="fen")
    assert {(one.start + one.end, one.becomes) for one in line.legal()} == {
        (move.uci()[:4], chess.piece_name(move.promotion) if move.promotion else "")
        for move in board.legal_moves
    }
    # What is told with numbers is understood again.
    assert play_line("", " ".join(line.numbered())).moves == line.moves


@given(st.text(max_size=80), st.text(max_size=80))
def test_no_text_breaks_it(start: str, moves: str) -> None:
    try:
        line = play_line(start, moves)
    except SkeletonError:
        return
    assert bool(line.fault) == bool(line.rest)


@pytest.mark.parametrize(
    ("moves", "played", "fault"),
    [
        ("e4 e5 Ke3", 2, "'Ke3' cannot be played here"),
        ("e4 --", 1, "'--'|pass"),
        ("0000", 0, "pass|no move"),
        ("e4 Nd7", 1, "'Nd7' cannot be played here"),
        ("d4 d5 Nf3 Nf6 Nbd2 Nc6 e3 e6 b3 b6 Nd2", 10, "cannot be played"),
        ("e2e4 d2d4", 1, "Black is to move"),
        ("hello", 0, "is no move"),
    ],
)
def test_what_cannot_be_played_is_told_and_kept(moves: str, played: int, fault: str) -> None:
    line = play_line("", moves)
    assert len(line.moves) == played
    assert any(part in line.fault for part in fault.split("|")), line.fault
    assert line.rest.split()[0] == moves.split()[played]


def test_a_move_of_two_pieces_asks_which() -> None:
    line = play_line("4k3/8/8/8/8/8/8/R3K2R w - - 0 1", "Rd1")
    assert line.moves == ("Rd1",)
    line = play_line("4k3/8/8/8/8/8/1K6/R6R w - - 0 1", "Rd1")
    assert "more than one piece" in line.fault


@pytest.mark.parametrize(
    ("start", "reason"),
    [
        ("8/pp3ppp/4p3/8/3P4/8/PP3PPP/8", "without kings"),
        ("4k3/8/8/8/8/8/8/4K3", "who is to move"),
    ],
)
def test_without_a_board_nothing_is_played(start: str, reason: str) -> None:
    line = play_line(start)
    assert line.board is None and line.legal() == [] and not line.fault
    assert reason in play_line(start, "Ke2").fault


def test_a_line_is_bounded() -> None:
    line = play_line("", "Nf3 Nf6 Ng1 Ng8 " * 200)
    assert len(line.moves) == MOST_PLIES and str(MOST_PLIES) in line.fault
