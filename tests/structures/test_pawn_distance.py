"""The distance is one: zero for equal pawns only, symmetric, with no short cut."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from pawnlore.structures.pawn_distance import pawn_distances
from pawnlore.structures.skeleton import Skeleton, mirror_batch, pack, skeletons_from_fens

skeletons = st.from_type(Skeleton)


@given(skeletons, skeletons, skeletons)
def test_it_is_a_distance(a: Skeleton, b: Skeleton, c: Skeleton) -> None:
    batch = pack([a, b, c])
    table = [pawn_distances(batch, batch[row]).tolist() for row in range(3)]
    assert (table[0][1] == 0) == (a == b)
    assert table[0][1] == table[1][0]
    assert table[0][2] <= table[0][1] + table[1][2] + 1e-9


@given(skeletons, skeletons)
def test_mirrors_are_as_far_apart(a: Skeleton, b: Skeleton) -> None:
    batch = pack([a, b])
    turned = mirror_batch(batch)
    assert pawn_distances(batch, batch[0])[1] == pawn_distances(turned, turned[0])[1]


def test_the_centre_weighs_more_than_the_wing() -> None:
    base, wing, centre = skeletons_from_fens(
        ["8/pp3ppp/8/3p4/3P4/8/PP3PPP/8", "8/pp3pp1/7p/3p4/3P4/8/PP3PPP/8",
         "8/pp3ppp/3p4/8/3P4/8/PP3PPP/8"]
    )  # fmt: skip
    near = pawn_distances(pack([(int(wing[0]), int(wing[1]))]), base)[0]
    far = pawn_distances(pack([(int(centre[0]), int(centre[1]))]), base)[0]
    assert 0 < near < far
