"""The vectorised core matcher against the cores read one by one."""

from __future__ import annotations

import chess
import numpy as np
import pytest
from hypothesis import Phase, find, given, settings
from hypothesis import strategies as st

from pawnlore.structures.catalogue import Catalogue, Family, read_catalogue, shipped_catalogue
from pawnlore.structures.core import file_pattern
from pawnlore.structures.drawing import draw, skeleton_from_drawing
from pawnlore.structures.matcher import (
    CoreMatch,
    CoreMatcher,
    file_patterns,
    shipped_matcher,
)
from pawnlore.structures.skeleton import Skeleton, mirror_batch, pack, unpack
from pawnlore.structures.verdict import BLACK, BOTH, HOLDERS, NONE, WHITE

CATALOGUE = shipped_catalogue()

skeletons = st.from_type(Skeleton)


@st.composite
def near_a_core(draw_from: st.DrawFn) -> Skeleton:
    """A skeleton that meets a core, mirrored or not, most often with a pawn changed."""
    family = draw_from(st.sampled_from(CATALOGUE.families))
    base = draw_from(skeletons)
    own, foe = base
    for conditions, own_side in ((family.core.own, True), (family.core.foe, False)):
        for condition in conditions:
            alternative = draw_from(st.sampled_from(condition.alternatives))
            fitting = [p for p in range(0, 256, 2) if alternative.allowed >> p & 1 and p < 128]
            pattern = draw_from(st.sampled_from(fitting[:8]))
            column = sum(
                1 << (8 * rank + alternative.file) for rank in range(8) if pattern >> rank & 1
            )
            file = 0x0101_0101_0101_0101 << alternative.file
            if own_side:
                own, foe = (own & ~file) | column, foe & ~column
            else:
                foe, own = (foe & ~file) | column, own & ~column
    skeleton = Skeleton(own, foe)
    if draw_from(st.booleans()):
        square = 1 << draw_from(st.integers(min_value=8, max_value=55))
        skeleton = Skeleton(skeleton.white ^ square, skeleton.black & ~square)
    return skeleton.mirrored() if draw_from(st.booleans()) else skeleton


SEARCH = settings(phases=[Phase.generate], max_examples=2000)
"""For `find`: any example will do, so none is made smaller."""

all_skeletons = st.one_of(skeletons, near_a_core())


def _met(family: Family, skeleton: Skeleton) -> tuple[bool, bool]:
    """Whether the core is met with White and with Black as the holder, one condition at a time."""
    mirror = skeleton.mirrored()
    return family.core.met(*skeleton), family.core.met(*mirror)


def _by_hand(catalogue: Catalogue, skeleton: Skeleton) -> tuple[int, int]:
    """The naming family and its holder, straight from the rules."""
    for family in catalogue.families:
        white, black = _met(family, skeleton)
        if white or black:
            if family.shared or (white and black):
                return family.rank, BOTH
            return family.rank, WHITE if white else BLACK
    return NONE, BOTH


def _match(skeleton: Skeleton) -> CoreMatch:
    return shipped_matcher().match(pack([skeleton]))


@pytest.mark.parametrize("more", [0, 100])
@given(rows=st.lists(all_skeletons, max_size=6))
def test_the_matcher_agrees_with_the_cores_read_one_by_one(more: int, rows: list[Skeleton]) -> None:
    """``more`` rows, because a few rows and many are worked out in different ways."""
    rows = rows + rows[:1] * more
    match = shipped_matcher().match(pack(rows))
    assert match.white.shape == match.black.shape == (len(rows), len(CATALOGUE))
    for index, skeleton in enumerate(rows[:7]):
        met = [_met(family, skeleton) for family in CATALOGUE.families]
        assert match.white[index].tolist() == [white for white, _ in met], draw(skeleton)
        assert match.black[index].tolist() == [black for _, black in met], draw(skeleton)
        named = (int(match.family[index]), int(match.holder[index]))
        assert named == _by_hand(CATALOGUE, skeleton), draw(skeleton)


@pytest.mark.parametrize("holder", [BOTH, WHITE, BLACK])
def test_the_skeletons_drawn_near_cores_reach_every_holder(holder: int) -> None:
    """Guards the test above, which would prove little if its skeletons were all unnamed."""

    def wanted(skeleton: Skeleton) -> bool:
        family, held_by = _by_hand(CATALOGUE, skeleton)
        return family != NONE and held_by == holder

    found = find(near_a_core(), wanted, settings=SEARCH)
    assert int(_match(found).holder[0]) == holder


def test_the_skeletons_drawn_near_cores_miss_some_too() -> None:
    found = find(near_a_core(), lambda s: _by_hand(CATALOGUE, s)[0] == NONE, settings=SEARCH)
    assert int(_match(found).family[0]) == NONE


@given(all_skeletons)
def test_the_mirror_keeps_the_family_and_swaps_the_holder(skeleton: Skeleton) -> None:
    here, there = _match(skeleton), _match(skeleton.mirrored())
    assert here.family[0] == there.family[0]
    swapped = {BOTH: BOTH, WHITE: BLACK, BLACK: WHITE}
    assert swapped[int(here.holder[0])] == there.holder[0]
    assert np.array_equal(here.white, there.black)
    assert np.array_equal(here.black, there.white)


@given(near_a_core())
def test_a_skeleton_that_is_its_own_mirror_belongs_to_both(skeleton: Skeleton) -> None:
    white = skeleton.white & 0xFFFF_FFFF
    twin = Skeleton(white, Skeleton(0, white).mirrored().white)
    assert twin == twin.mirrored()
    assert HOLDERS[_match(twin).holder[0]] == "both"


@given(all_skeletons)
def test_the_family_named_is_the_highest_that_is_met(skeleton: Skeleton) -> None:
    match = _match(skeleton)
    met = np.flatnonzero(match.white[0] | match.black[0])
    assert int(match.family[0]) == (int(met[0]) if met.size else NONE)


@given(st.lists(skeletons, max_size=5).map(pack))
def test_file_patterns_agree_with_the_scalar_form(masks: np.ndarray) -> None:
    for side in (0, 1):
        table = file_patterns(np.ascontiguousarray(masks[:, side]))
        assert table.shape == (8, len(masks))
        for row, skeleton in enumerate(unpack(masks)):
            assert table[:, row].tolist() == [file_pattern(skeleton[side], f) for f in range(8)]


def test_rows_do_not_depend_on_the_batch_that_they_stand_in() -> None:
    """Batches are matched in chunks; more rows than any chunk must agree with few."""
    few = pack(
        [
            skeleton_from_drawing(
                """
                p p . . . p p p
                . . . . p . . .
                . . . . . . . .
                . . . P . . . .
                . . . . . . . .
                P P . . . P P P
                """
            ),
            Skeleton(0, 0),
            Skeleton(0xFF00, 0xFF << 48),
        ]
    )
    few = np.concatenate([few, mirror_batch(few)])
    many = np.tile(few, (4000, 1))
    short, long = shipped_matcher().match(few), shipped_matcher().match(many)
    assert np.array_equal(long.family, np.tile(short.family, 4000))
    assert np.array_equal(long.holder, np.tile(short.holder, 4000))
    assert set(short.holder.tolist()) == {BOTH, WHITE, BLACK}


def test_an_empty_batch_gives_an_empty_answer() -> None:
    match = shipped_matcher().match(pack([]))
    assert match.family.shape == match.holder.shape == (0,)


def test_more_than_sixty_four_conditions_are_kept_apart() -> None:
    """One word holds 64 conditions; a catalogue with more must not mix them up."""
    squares = [1 << square for square in range(8, 56)]
    names = [chess.square_name(square) for square in range(8, 56)]
    texts = [*names, *(f"on {name}" for name in names), *(f"has {file}" for file in "abcdefgh")]
    rows = [
        f'[[family]]\nid = "f{i}"\nname = "f{i}"\nown = "{text}"\nfoe = "{foe}"\nholder = "x"\n'
        for i, text in enumerate(texts)
        for foe in (texts[-1 - i],)
    ]
    catalogue = read_catalogue("\n".join(rows))
    pairs = [Skeleton(white, black) for white in squares for black in squares if white != black]
    match = CoreMatcher(catalogue).match(pack(pairs))
    for family in catalogue.families:
        expected = [family.core.met(*pair) for pair in pairs]
        assert match.white[:, family.rank].tolist() == expected, family.own
    assert np.count_nonzero(match.white.any(axis=0)) > 64


RANKED = """
[[family]]
id = "narrow"
name = "narrow"
own = "d4, e4"
foe = ""
holder = "the side with d4"

[[family]]
id = "wide"
name = "wide"
own = "d4"
foe = ""
holder = "the side with d4"

[[family]]
id = "shared"
name = "shared"
own = "a2"
foe = ""
holder = "both"
"""


@pytest.mark.parametrize(
    ("drawing", "family", "holder"),
    [
        ("........\n........\n........\n...PP...\n........\n........", "narrow", "white"),
        ("........\n........\n...pp...\n........\n........\n........", "narrow", "black"),
        ("........\n........\n...p....\n...PP...\n........\n........", "narrow", "white"),
        ("........\n........\n...pp...\n...PP...\n........\n........", "narrow", "both"),
        ("........\n........\n...p....\n...P....\n........\n........", "wide", "both"),
        ("........\n........\n........\n...P....\n........\nP.......", "wide", "white"),
        ("........\n........\n........\n........\n........\nP.......", "shared", "both"),
        ("p.......\n........\n........\n........\n........\n........", "shared", "both"),
        ("........\n........\n........\n........\n........\n.P......", None, "both"),
    ],
)
def test_rank_and_holder_rules(drawing: str, family: str | None, holder: str) -> None:
    catalogue = read_catalogue(RANKED)
    match = CoreMatcher(catalogue).match(pack([skeleton_from_drawing(drawing)]))
    index = int(match.family[0])
    assert (catalogue.ids[index] if index != NONE else None) == family
    assert HOLDERS[match.holder[0]] == holder
