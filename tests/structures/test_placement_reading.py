"""The fast reading of placements against python-chess, a general reference library."""

from __future__ import annotations

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.structures.placement_reading import read_placement
from pawnlore.structures.skeleton import SkeletonError, skeleton_from_board, skeleton_from_fen

RANKS = st.one_of(
    st.sampled_from(("8", "pppppppp", "PPPPPPPP", "4k3", "4K3", "1p1p1p1p", "rnbqkbnr", "R6R")),
    st.text("12345678KQRBNPkqrbnp", min_size=1, max_size=9),
    st.text(max_size=9),
)


@given(st.lists(st.integers(0, 218), max_size=40))
def test_a_game_s_positions_are_read_as_the_library_reads_them(choices: list[int]) -> None:
    board = chess.Board()
    for choice in choices:
        moves = list(board.legal_moves)
        if not moves:
            break
        board.push(moves[choice % len(moves)])
    pieces = read_placement(board.board_fen())
    assert pieces is not None
    expected = chess.Board(None)
    expected.set_board_fen(board.board_fen())
    assert pieces.board() == expected
    assert pieces.skeleton == skeleton_from_board(board)


@given(st.lists(RANKS, min_size=7, max_size=9))
def test_it_takes_what_the_slow_reading_takes(ranks: list[str]) -> None:
    text = "/".join(ranks)
    if text.split()[:1] != [text]:
        return  # not one field
    pieces = read_placement(text)
    try:
        expected = skeleton_from_fen(text)
    except SkeletonError:
        assert pieces is None
    else:
        assert pieces is not None and pieces.skeleton == expected


@pytest.mark.parametrize(
    "text",
    [
        "8/8/8/8/8/8/8/44",  # python-chess refuses two counts in a row as well
        "8/8/8/8/8/8/8/9",
        "8/8/8/8/8/8/8/7P",
        "8/pppppppp/p7/8/8/8/8/8",
        "8/8/8/8/8/8/8/7\N{KELVIN SIGN}",  # a k in small letters
        "8/8/8/8/8/8/8/8/",
        "",
    ],
)
def test_nothing_wrong_passes(text: str) -> None:
    assert read_placement(text) is None
