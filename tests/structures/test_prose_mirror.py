"""Prose with colours reversed: the whole catalogue, and pairs of texts written by hand."""

from __future__ import annotations

import re

import chess
import pytest

from pawnlore.structures.catalogue import shipped_catalogue
from pawnlore.structures.plan_texts import plan_texts
from pawnlore.structures.prose_mirror import mirrored_prose, told_for

_SQUARE = re.compile(r"(?<![a-z])([a-h][1-8])|(?<=[xKQRBN])([a-h][1-8])")


def catalogue_texts() -> list[str]:
    found = []
    for family in shipped_catalogue().families:
        found += [family.definition, family.plan_holder, family.plan_foe]
        texts = plan_texts(family.id)
        if texts is not None:
            found += [*texts.holder.values(), *texts.foe.values()]
    return [" ".join(text.split()) for text in found]


@pytest.mark.parametrize(
    ("white", "black"),
    [
        # Written by hand from the game's symmetry; no source.
        ("White plays Rb1 and b2-b4-b5.", "Black plays ...Rb8 and ...b7-b5-b4."),
        ("a knight on e5, backed by f4", "a knight on e4, backed by f5"),
        ("...cxd4, exd4 leaves d4 weak", "cxd5, ...exd5 leaves d5 weak"),
        ("the dark-squared bishop on b2", "the light-squared bishop on b7"),
        ("Trade by Bxd6 Nxd6.", "Trade by ...Bxd3 Nxd3."),
        ("the diagonal b1-h7", "the diagonal b8-h2"),
        ("O-O and e8=Q", "...O-O and e1=Q"),
        ("Nc3-e2-g3 and Bg4xf3", "...Nc6-e7-g6 and ...Bg5xf6"),
        ("a rook on the seventh rank", "a rook on the second rank"),
    ],
)
def test_a_text_and_the_same_for_the_other_side(white: str, black: str) -> None:
    assert mirrored_prose(white) == black


def test_every_square_of_the_catalogue_keeps_its_file_and_changes_its_rank() -> None:
    for text in catalogue_texts():
        before = [a or b for a, b in _SQUARE.findall(text)]
        after = [a or b for a, b in _SQUARE.findall(mirrored_prose(text))]
        assert [chess.square_mirror(chess.parse_square(one)) for one in before] == [
            chess.parse_square(one) for one in after
        ], text


def test_no_move_of_the_catalogue_is_torn() -> None:
    for text in catalogue_texts():
        assert not re.search(r"[-–x]\.\.\.|\.\.\.\S*\.\.\.", mirrored_prose(text)), text


def test_only_for_black_is_a_text_turned() -> None:
    assert told_for("White has\nd4.", "white") == told_for("White has d4.", "both")
    assert told_for("White has\nd4.", "black") == "Black has d5."
