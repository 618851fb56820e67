"""The nearest skeletons of a repertoire, held to looking at every node."""

from __future__ import annotations

import io
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.structures.pawn_distance import pawn_distances
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.similar import SimilarIndex, differences
from pawnlore.structures.skeleton import Skeleton, mirror_batch, pack, skeleton_from_fen

DEMO = sorted((Path(__file__).resolve().parents[2] / "labelled_demo" / "repertoire").glob("*.pgn"))


@cache
def demo() -> tuple[Repertoire, SimilarIndex]:
    book = read_repertoire(DEMO)
    return book, SimilarIndex(book)


@given(skeleton=st.from_type(Skeleton), mirrored=st.booleans(), count=st.integers(1, 400))
def test_nearest_is_what_looking_at_every_node_finds(
    skeleton: Skeleton, mirrored: bool, count: int
) -> None:
    book, index = demo()
    to = pack([skeleton])[0]
    every = pawn_distances(book.masks, to)
    if mirrored:
        every = np.minimum(every, pawn_distances(mirror_batch(book.masks), to))
    best: dict[tuple[int, ...], float] = {}
    for masks, distance in zip(book.masks.tolist(), every.tolist(), strict=True):
        best[tuple(masks)] = distance
    near = index.nearest(skeleton, count=count, mirrored=mirrored)
    assert len(near) == min(count, len(best))
    assert len({found.skeleton for found in near}) == len(near)
    assert [found.distance for found in near] == pytest.approx(sorted(best.values())[:count])
    for found in near:
        assert found.distance == pytest.approx(best[tuple(found.skeleton)])
        assert mirrored or not found.mirrored
        assert (found.distance == 0) == (found.differences == ())


def test_every_skeleton_of_the_repertoire_finds_itself_first() -> None:
    book, index = demo()
    lines = [[tuple(book.masks[node].tolist()) for node in line] for line in book.lines()]
    for masks in index.masks[::7].tolist():
        first = index.nearest(Skeleton(*masks), count=3)[0]
        assert (first.distance, tuple(first.skeleton)) == (0.0, tuple(masks))
        assert first.lines == sum(tuple(masks) in line for line in lines)
        for node in first.entries:
            assert tuple(book.masks[node].tolist()) == tuple(masks)
            above = book.parent[node]
            assert above < 0 or tuple(book.masks[above].tolist()) != tuple(masks)


@given(...)
def test_colours_reversed_are_the_same_when_asked(skeleton: Skeleton) -> None:
    _, index = demo()
    straight = index.nearest(skeleton, count=9, mirrored=True)
    turned = index.nearest(skeleton.mirrored(), count=9, mirrored=True)
    assert [n.distance for n in straight] == pytest.approx([n.distance for n in turned])


def test_the_isolani_of_the_other_side() -> None:
    _, index = demo()
    ours = index.nearest(skeleton_from_fen("8/pp3ppp/4p3/8/3P4/8/PP3PPP/8"))[0]
    assert (ours.distance, ours.mirrored) == (0.0, False)
    theirs = skeleton_from_fen("8/pp3ppp/8/3p4/8/4P3/PP3PPP/8").mirrored()
    assert index.nearest(theirs, mirrored=True)[0].distance == 0.0


def test_differences_are_told_from_the_position_asked_about() -> None:
    one = skeleton_from_fen("8/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/8")
    other = skeleton_from_fen("8/p4ppp/2p5/3p4/3P4/P3P3/1P3PPP/8")
    assert differences(one, other) == ("White a3, not a2", "Black has no b7")
    assert differences(other, one) == ("White a2, not a3", "Black b7 as well")


def test_within_and_count() -> None:
    _, index = demo()
    asked = skeleton_from_fen("8/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/8")
    near = index.nearest(asked, count=50, within=1.0)
    assert near and all(found.distance <= 1.0 for found in near)
    assert index.nearest(asked, count=0) == []
    assert SimilarIndex(Repertoire()).nearest(asked) == []


def test_equal_distances_come_in_reading_order() -> None:
    book = read_repertoire([io.StringIO("1. h3 (1. a3) (1. h4) (1. a4) *")])
    start = skeleton_from_fen("8/pppppppp/8/8/8/8/PPPPPPPP/8")
    near = SimilarIndex(book).nearest(start)
    assert [book.moves[found.entries[0]] for found in near] == ["", "h3", "a3", "h4", "a4"]
