"""Skeletons from every kind of source, in batches, and seen in the mirror."""

from __future__ import annotations

import chess
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.structures.skeleton import (
    PAWN_RANKS,
    Skeleton,
    SkeletonError,
    canonical_batch,
    check_masks,
    mirror_batch,
    pack,
    placement,
    skeleton_from_board,
    skeleton_from_fen,
    skeletons_from_boards,
    skeletons_from_fens,
    squares_in_words,
    unpack,
)

skeletons = st.from_type(Skeleton)
batches = st.lists(skeletons, max_size=12).map(pack)


@given(skeletons)
def test_the_placement_reads_back_as_the_same_skeleton(skeleton: Skeleton) -> None:
    assert skeleton_from_fen(placement(skeleton)) == skeleton


@given(skeletons, st.sampled_from(["", " w - - 0 1", ' b - - bm e5; id "x";', "\t w - -\r\n"]))
def test_only_the_first_field_of_a_line_is_read(skeleton: Skeleton, rest: str) -> None:
    assert skeleton_from_fen(placement(skeleton) + rest) == skeleton


@given(skeletons)
def test_a_board_and_its_fen_give_the_same_skeleton(skeleton: Skeleton) -> None:
    board = chess.Board(f"{placement(skeleton)} w - - 0 1")
    board.set_piece_at(chess.A1, chess.Piece.from_symbol("K"))
    board.set_piece_at(chess.A8, chess.Piece.from_symbol("q"))
    assert skeleton_from_board(board) == skeleton == skeleton_from_fen(board.fen())


@given(st.lists(skeletons, max_size=8))
def test_batches_agree_with_one_by_one(rows: list[Skeleton]) -> None:
    fens = [placement(row) for row in rows]
    expected = pack(rows)
    assert expected.shape == (len(rows), 2)
    assert expected.dtype == np.uint64
    assert list(unpack(expected)) == rows
    assert np.array_equal(skeletons_from_fens(fens), expected)
    assert np.array_equal(skeletons_from_boards(chess.BaseBoard(fen) for fen in fens), expected)


@given(skeletons)
def test_the_mirror_is_that_of_python_chess(skeleton: Skeleton) -> None:
    board = chess.Board(f"{placement(skeleton)} w - - 0 1")
    assert skeleton.mirrored() == skeleton_from_board(board.mirror())


@given(batches)
def test_mirroring_a_batch_mirrors_its_rows(masks: np.ndarray) -> None:
    assert list(unpack(mirror_batch(masks))) == [row.mirrored() for row in unpack(masks)]
    assert np.array_equal(mirror_batch(mirror_batch(masks)), masks)


@given(batches)
def test_a_skeleton_and_its_mirror_have_one_canonical_form(masks: np.ndarray) -> None:
    canonical, swapped, own_mirror = canonical_batch(masks)
    again, _, _ = canonical_batch(mirror_batch(masks))
    assert np.array_equal(canonical, again)
    for index, row in enumerate(unpack(masks)):
        assert (Skeleton(*canonical[index].tolist()), bool(swapped[index])) == row.canonical()
        assert bool(own_mirror[index]) == (row == row.mirrored())


def test_the_starting_pawns_are_their_own_mirror() -> None:
    start = skeleton_from_board(chess.Board())
    assert start == start.mirrored()
    assert start.canonical() == (start, False)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("", "empty"),
        ("   \n", "empty"),
        ("8/8/8", "3 ranks"),
        ("8/8/8/8/8/8/8/8/8", "9 ranks"),
        ("9/8/8/8/8/8/8/8", "'9' is no piece"),
        ("8/8/8/x7/8/8/8/8", "'x' is no piece"),
        ("8/8/8/7/8/8/8/8", "rank 5 has 7 squares"),
        ("8/8/8/8p/8/8/8/8", "rank 5 has 9 squares"),
        ("P7/8/8/8/8/8/8/8", "rank 8"),
        ("8/8/8/8/8/8/8/p7", "rank 1"),
        ("8/PPPPPPPP/P7/8/8/8/8/8", "White has 9 pawns"),
        ("8/pppppppp/p7/8/8/8/8/8", "Black has 9 pawns"),
        ("p" * 100_000, "too long"),
        ("8/8/8/8/8/8/8/８", "no piece"),
        ("8/8/8/44/8/8/8/8", "rank 5 counts empty squares twice"),
    ],
)
def test_a_bad_placement_is_refused_in_words(line: str, says: str) -> None:
    with pytest.raises(SkeletonError, match=says):
        skeleton_from_fen(line)


_FIELD = st.text(alphabet="KkPpQq12345678/", min_size=1, max_size=40)
_RANK = st.lists(st.sampled_from("PpKq12345678"), min_size=1, max_size=8).map("".join)


@given(st.one_of(_FIELD, st.lists(_RANK, min_size=7, max_size=9).map("/".join)))
def test_reads_what_python_chess_finds_possible(field: str) -> None:
    """Outside check: python-chess's reading of a placement and its legality flags."""
    refused = chess.STATUS_PAWNS_ON_BACKRANK
    refused |= chess.STATUS_TOO_MANY_WHITE_PAWNS | chess.STATUS_TOO_MANY_BLACK_PAWNS
    try:
        board = chess.Board(f"{field} w - - 0 1")
        possible = not board.status() & refused
    except ValueError:
        possible = False
    if possible:
        assert skeleton_from_fen(field) == skeleton_from_board(board)
    else:
        with pytest.raises(SkeletonError):
            skeleton_from_fen(field)


@pytest.mark.parametrize(
    ("batch", "says"),
    [
        ([1, 2], r"shape \(N, 2\)"),
        ([[1, 2, 3]], r"shape \(N, 2\)"),
        ([[256.0, 512.0]], "float64"),
        ([[1, 0]], "first or the last rank"),
        ([[1 << 63, 1 << 63]], "first or the last rank"),
        ([[-1, 0]], "first or the last rank"),
        ([[256, 256]], "both sides"),
        ([["e4", "e5"]], "not <U2"),
    ],
)
def test_a_bad_batch_is_refused_in_words(batch: npt.ArrayLike, says: str) -> None:
    with pytest.raises(SkeletonError, match=says):
        check_masks(batch)


@given(batches)
def test_a_good_batch_passes_and_keeps_its_values(masks: np.ndarray) -> None:
    assert np.array_equal(check_masks(masks), masks)
    assert np.array_equal(check_masks(masks.astype(np.int64)), masks)
    assert check_masks(masks.astype(np.int64)).dtype == np.uint64


@given(st.integers(min_value=0, max_value=2**64 - 1))
def test_squares_in_words_name_every_square(mask: int) -> None:
    names = squares_in_words(mask).split()
    assert sum(1 << chess.parse_square(name) for name in names) == mask
    assert names == sorted(names)


def test_pawn_ranks_are_the_second_to_the_seventh() -> None:
    assert chess.BB_ALL & ~(chess.BB_RANK_1 | chess.BB_RANK_8) == PAWN_RANKS
