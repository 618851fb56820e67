"""The catalogue: what is read and refused, and that every shipped family can be named."""

from __future__ import annotations

import random

import pytest

from pawnlore.structures.catalogue import (
    UNSETTLED,
    CatalogueError,
    Family,
    read_catalogue,
    shipped_catalogue,
)
from pawnlore.structures.core import Condition, Core, CoreError
from pawnlore.structures.matcher import shipped_matcher
from pawnlore.structures.skeleton import Skeleton, pack, skeleton_from_fen
from pawnlore.structures.verdict import HOLDERS

CATALOGUE = shipped_catalogue()
FILE = 0x0101_0101_0101_0101

ONE = """
[[family]]
id = "isolani"
name = "isolani"
own = "d4, no c, no e"
foe = "no d"
holder = "the side with the isolani"
"""


def _fill(conditions: tuple[Condition, ...], mask: int, dice: random.Random) -> int:
    """Give each file that a condition speaks of a way to meet it, few pawns preferred."""
    for condition in conditions:
        if condition.met(mask):
            continue
        alternative = dice.choice(condition.alternatives)
        ways = [p for p in range(0, 128, 2) if alternative.allowed >> p & 1]
        fewest = min(way.bit_count() for way in ways)
        way = dice.choice([way for way in ways if way.bit_count() == fewest])
        mask &= ~(FILE << alternative.file)
        mask |= sum(1 << (8 * r + alternative.file) for r in range(8) if way >> r & 1)
    return mask


def _some_skeletons(family: Family, count: int) -> list[Skeleton]:
    """Skeletons that meet a family's core, their other pawns at random, from a fixed seed."""
    dice = random.Random(family.id)
    found: list[Skeleton] = []
    for _ in range(200 * count):
        base = [0, 0]
        for file in range(8):
            for side, ranks in ((0, (1, 1, 1, 2, 3)), (1, (6, 6, 6, 5, 4))):
                if dice.random() < 0.7:
                    base[side] |= 1 << (8 * dice.choice(ranks) + file)
        own = _fill(family.core.own, base[0], dice)
        foe = _fill(family.core.foe, base[1], dice)
        if own & foe or own.bit_count() > 8 or foe.bit_count() > 8:
            continue
        if family.core.met(own, foe):
            found.append(Skeleton(own, foe))
            if len(found) == count:
                break
    return found


@pytest.mark.parametrize("family", CATALOGUE.families, ids=CATALOGUE.ids)
def test_every_family_can_be_met_and_named_with_the_right_holder(family: Family) -> None:
    candidates = _some_skeletons(family, 60)
    assert candidates, "no skeleton meets the core"
    match = shipped_matcher().match(pack(candidates))
    assert match.white[:, family.rank].all()
    assert (match.family <= family.rank).all(), "a family below has named the position"
    named = match.family == family.rank
    assert named.any(), "a higher family always names the position"
    holders = {HOLDERS[code] for code in match.holder[named]}
    assert holders <= ({"both"} if family.shared else {"white", "both"})
    if not family.shared:
        assert "white" in holders


@pytest.mark.parametrize("family", CATALOGUE.families, ids=CATALOGUE.ids)
def test_every_model_skeleton_is_named_by_its_own_family(family: Family) -> None:
    match = shipped_matcher().match(pack([skeleton_from_fen(family.model)]))
    assert CATALOGUE.ids[match.family[0]] == family.id
    assert HOLDERS[match.holder[0]] == ("both" if family.shared else "white")


@pytest.mark.parametrize("family", CATALOGUE.families, ids=CATALOGUE.ids)
def test_every_family_is_told_in_words(family: Family) -> None:
    assert family.name
    assert family.definition
    assert family.openings
    assert all(family.openings)
    for plan in (family.plan_holder, family.plan_foe):
        assert len(plan.split()) >= 20, "two to five sentences are wanted for each side"


def test_ids_are_distinct_lower_case_words() -> None:
    assert len(set(CATALOGUE.ids)) == len(CATALOGUE) == len(CATALOGUE.families)
    for family_id in CATALOGUE.ids:
        assert family_id.replace("-", "").isalnum()
        assert family_id == family_id.lower()
    assert UNSETTLED not in CATALOGUE.ids


def test_a_family_is_found_by_its_id() -> None:
    assert CATALOGUE["isolated-queen-pawn"].own == "d4|d5, no c, no e"
    with pytest.raises(KeyError):
        CATALOGUE["no-such-family"]


def test_ranks_follow_the_order_of_the_file() -> None:
    assert [family.rank for family in CATALOGUE.families] == list(range(len(CATALOGUE)))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[[family]\n", "no valid TOML"),
        (ONE.replace('own = "d4, no c, no e"\n', ""), "isolani: 'own' is missing"),
        (ONE.replace('id = "isolani"\n', ""), "number 1: 'id' is missing"),
        (ONE.replace("no c", "no z"), "isolani: 'z' is no file"),
        (ONE + ONE, "isolani: the id is used twice"),
        (ONE.replace('"isolani"\nname', '"unsettled"\nname'), "unsettled: the id"),
    ],
)
def test_a_bad_catalogue_is_refused_by_family(text: str, says: str) -> None:
    with pytest.raises(CatalogueError, match=says):
        read_catalogue(text)


def test_a_family_added_to_the_data_is_read_without_code() -> None:
    catalogue = read_catalogue(ONE)
    assert catalogue.ids == ("isolani",)
    assert isinstance(catalogue["isolani"].core, Core)
    assert not catalogue["isolani"].shared
    assert issubclass(CoreError, ValueError)
