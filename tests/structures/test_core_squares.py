"""Where a core stands: for every family's own model pawns, and with colours reversed."""

from __future__ import annotations

from collections.abc import Sequence

import chess
import pytest

from pawnlore.structures.catalogue import shipped_catalogue
from pawnlore.structures.core import Condition, Core, file_pattern
from pawnlore.structures.core_squares import core_squares
from pawnlore.structures.skeleton import Skeleton, skeleton_from_fen

CARLSBAD = skeleton_from_fen("8/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/8")


def names(squares: tuple[int, ...]) -> list[str]:
    return [chess.square_name(square) for square in squares]


def test_of_a_carlsbad_the_centre_is_marked_and_not_the_outside_pawns() -> None:
    # The definition of the structure; common practice, no source.
    found = core_squares(shipped_catalogue()["carlsbad"].core, CARLSBAD, "white")
    assert found is not None
    assert names(found.pawns) == ["e3", "d4", "d5", "c6"]
    assert names(found.empty) == ["c2", "e7"]


def test_with_colours_reversed_the_squares_are_mirrored() -> None:
    core = shipped_catalogue()["carlsbad"].core
    straight = core_squares(core, CARLSBAD, "white")
    turned = core_squares(core, CARLSBAD.mirrored(), "black")
    assert straight is not None and turned is not None
    assert {chess.square_mirror(one) for one in straight.pawns} == set(turned.pawns)
    assert {chess.square_mirror(one) for one in straight.empty} == set(turned.empty)
    assert core_squares(core, CARLSBAD, "black") is None


@pytest.mark.parametrize("holder", ["white", "black", "both"])
def test_what_is_marked_is_there(holder: str) -> None:
    """Over pawns that meet each family's core: the marked pawns stand, the files are empty."""
    seen = 0
    for family in shipped_catalogue().families:
        for skeleton in _meeting(family.core):
            found = core_squares(family.core, skeleton, holder)
            if found is None:
                continue
            seen += 1
            assert found.pawns or found.empty
            for square in found.pawns:
                assert (skeleton.white | skeleton.black) >> square & 1
            for square in found.empty:
                side = skeleton.white if chess.square_rank(square) == 1 else skeleton.black
                assert file_pattern(side, chess.square_file(square)) == 0
    assert seen > 20


def _meeting(core: Core) -> list[Skeleton]:
    own = _placed(core.own)
    foe = _placed(core.foe)
    if not core.met(own, foe):
        return []
    one = Skeleton(own, foe)
    return [one, one.mirrored()]


def _placed(conditions: Sequence[Condition]) -> int:
    """Pawns that meet one side's conditions file by file, where there is such a set."""
    mask = 0
    for condition in conditions:
        one = condition.alternatives[0]
        pattern = next((p for p in range(256) if one.allowed >> p & 1 and p & 0x81 == 0), 0)
        for rank in range(8):
            if pattern >> rank & 1:
                mask |= 1 << chess.square(one.file, rank)
    return mask
