"""Spans and attacks, against python-chess and against each pawn taken alone."""

from __future__ import annotations

import chess
import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.structures import bits, spans
from pawnlore.structures.sides import on_board, own_and_foe
from pawnlore.structures.skeleton import Skeleton, mirror_batch, pack, placement

skeletons = st.from_type(Skeleton)
batches = st.lists(skeletons, min_size=1, max_size=6).map(pack)
any_masks = st.lists(st.integers(min_value=0, max_value=2**64 - 1), min_size=1, max_size=6)

COLOURS = ((0, chess.WHITE), (1, chess.BLACK))


def _ahead(square: int, colour: bool) -> list[int]:
    """The squares in front of a pawn, nearest first."""
    step = 8 if colour else -8
    return list(range(square + step, 64 if colour else -1, step))


@given(skeletons)
def test_attacks_are_those_of_python_chess(skeleton: Skeleton) -> None:
    """Outside check: python-chess's table of pawn attacks."""
    board = chess.BaseBoard(placement(skeleton))
    found = spans.attacks(pack([skeleton]))[0].tolist()
    for side, colour in COLOURS:
        expected = 0
        for square in board.pieces(chess.PAWN, colour):
            expected |= board.attacks_mask(square)
        assert found[side] == expected


@given(skeletons)
def test_attack_spans_are_attacks_from_every_square_ahead(skeleton: Skeleton) -> None:
    """Outside check: python-chess's pawn attacks from each square on the pawn's way."""
    found = spans.attack_spans(pack([skeleton]))[0].tolist()
    for side, colour in COLOURS:
        expected = 0
        for square in chess.scan_forward(skeleton[side]):
            for stop in [square, *_ahead(square, colour)]:
                expected |= chess.BB_PAWN_ATTACKS[colour][stop]
        assert found[side] == expected


@given(skeletons)
def test_free_stop_squares_are_the_single_steps_of_python_chess(skeleton: Skeleton) -> None:
    """Outside check: python-chess's pawn moves."""
    found = spans.stop_squares(pack([skeleton]))[0].tolist()
    occupied = skeleton.white | skeleton.black
    for side, colour in COLOURS:
        board = chess.Board(f"{placement(skeleton)} {'w' if colour else 'b'} - - 0 1")
        steps = {
            move.to_square
            for move in board.generate_pseudo_legal_moves()
            if abs(move.to_square - move.from_square) == 8
        }
        assert set(chess.scan_forward(found[side] & ~occupied)) == steps


@given(skeletons)
def test_front_and_rear_spans_part_the_file_at_the_pawn(skeleton: Skeleton) -> None:
    front = spans.front_spans(pack([skeleton]))[0].tolist()
    rear = spans.rear_spans(pack([skeleton]))[0].tolist()
    for side, colour in COLOURS:
        ahead = behind = 0
        for square in chess.scan_forward(skeleton[side]):
            ahead |= sum(1 << s for s in _ahead(square, colour))
            behind |= sum(1 << s for s in _ahead(square, not colour))
        assert (front[side], rear[side]) == (ahead, behind)


@given(batches)
def test_spans_of_the_mirror_are_mirrored_spans(masks: np.ndarray) -> None:
    for span in (
        spans.attacks,
        spans.stop_squares,
        spans.front_spans,
        spans.rear_spans,
        spans.attack_spans,
    ):
        assert np.array_equal(span(mirror_batch(masks)), mirror_batch(span(masks))), span


@given(batches)
def test_turning_to_the_own_view_and_back_changes_nothing(masks: np.ndarray) -> None:
    before = masks.copy()
    own, foe = own_and_foe(masks)
    assert np.array_equal(on_board(own), masks)
    assert np.array_equal(on_board(foe), masks[:, ::-1])
    assert np.array_equal(masks, before)


@given(any_masks)
def test_shifts_and_counts_are_those_of_python_chess(masks: list[int]) -> None:
    """Outside check: python-chess's shifts, which do not wrap round the edge either."""
    batch = np.array(masks, dtype=np.uint64)
    for ours, theirs in (
        (bits.up, chess.shift_up),
        (bits.down, chess.shift_down),
        (bits.left, chess.shift_left),
        (bits.right, chess.shift_right),
        (bits.count_bits, int.bit_count),
    ):
        assert ours(batch).tolist() == [theirs(mask) for mask in masks], theirs


@given(any_masks)
def test_fills_and_files(masks: list[int]) -> None:
    batch = np.array(masks, dtype=np.uint64)
    for index, mask in enumerate(masks):
        files = {chess.square_file(square) for square in chess.scan_forward(mask)}
        columns = sum(chess.BB_FILES[file] for file in files)
        assert int(bits.fill_files(batch)[index]) == columns
        assert int(bits.fill_up(batch)[index] | bits.fill_down(batch)[index]) == columns
        assert int(bits.fill_up(batch)[index] & chess.BB_RANK_1) == mask & chess.BB_RANK_1
        assert int(bits.file_sets(batch)[index]) == sum(1 << file for file in files)
        assert int(bits.count_files(bits.file_sets(batch))[index]) == len(files)
    assert np.array_equal(bits.file_squares(bits.file_sets(batch)), bits.fill_files(batch))
