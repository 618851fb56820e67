"""How Hypothesis draws skeletons: ``st.from_type(Skeleton)`` in any test here."""

from __future__ import annotations

import chess
from hypothesis import strategies as st

from pawnlore.structures.skeleton import Skeleton

_SQUARES = range(chess.A2, chess.A8)
_EMPTY = 0


def _anywhere(white: set[int], black: set[int]) -> Skeleton:
    """Any pawns at all, also such as no game reaches."""
    return Skeleton(
        sum(1 << square for square in white), sum(1 << square for square in black - white)
    )


def _file_by_file(ranks: list[tuple[int, int]]) -> Skeleton:
    """At most one pawn a file and side, as in most games; rank 0 stands for none."""
    white = black = 0
    for file, (white_rank, black_rank) in enumerate(ranks):
        if white_rank:
            white |= 1 << chess.square(file, white_rank)
        if black_rank and black_rank != white_rank:
            black |= 1 << chess.square(file, black_rank)
    return Skeleton(white, black)


_squares = st.sets(st.sampled_from(_SQUARES), max_size=8)
_white_rank = st.sampled_from([1, 3, _EMPTY, 1, 2, 4, 5, 6])
_black_rank = st.sampled_from([6, 4, _EMPTY, 6, 5, 3, 2, 1])
_near_a_game = st.lists(st.tuples(_white_rank, _black_rank), min_size=8, max_size=8).map(
    _file_by_file
)
_own_mirror = _near_a_game.map(
    lambda s: Skeleton(s.white & 0xFFFF_FFFF, chess.flip_vertical(s.white & 0xFFFF_FFFF))
)

st.register_type_strategy(
    Skeleton, st.one_of(_near_a_game, _own_mirror, st.builds(_anywhere, _squares, _squares))
)
