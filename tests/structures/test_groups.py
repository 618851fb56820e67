"""Groups of lines, chapters that teach one plan twice, and an order to teach them."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st
from repertoires import core_paths, core_verdicts, demo, random_texts, read

from pawnlore.structures.groups import STANCES, Groups, groups, same_plan_chapters
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_side import given_side, infer_side
from pawnlore.structures.structure_paths import StructurePaths
from pawnlore.structures.teaching_order import ALONE, CHAPTER, GROWS, REVERSED, teaching_order
from pawnlore.structures.transpositions import pointers


def grouped(book: Repertoire, side: str | None = None) -> tuple[StructurePaths, Groups]:
    paths = core_paths(book)
    whose = infer_side(book) if side is None else given_side(book, side)
    return paths, groups(book, core_verdicts(book), paths, whose)


# Every line is accounted for ------------------------------------------------------------


def check(book: Repertoire, paths: StructurePaths, found: Groups) -> None:
    leaves = paths.leaves.tolist()
    assert sorted(leaf for group in found.groups for leaf in group.lines) == leaves
    assert len(found.of_line) == len(leaves)
    for leaf, place in zip(leaves, found.of_line, strict=True):
        assert leaf in found.groups[place].lines
    assert math.isclose(sum(group.share for group in found.groups), 1.0)
    onward = pointers(book)
    sizes = [len(group.lines) for group in found.groups if group.settled]
    assert sizes == sorted(sizes, reverse=True)
    for place, group in enumerate(found.groups):
        assert group.settled or place == len(found) - 1
        assert group.stance in STANCES
        assert list(group.lines) == sorted(group.lines)
        assert set(group.move_orders) == set(group.lines) & set(onward)
        assert group.model_line in group.lines
        assert sum(route.lines for route in group.chapters) == len(group.lines)
        assert found.find(group.structure, group.holder, group.stance) == place
        for leaf in set(group.lines) - set(onward):
            own = paths.path(paths.index(leaf)).middlegame
            assert (own or ("unsettled", "both")) == (group.structure, group.holder)
        for route in group.chapters:
            game = book.games[route.game]
            assert route.chapter == game.chapter
            assert route.lines == sum(leaf in game.nodes for leaf in group.lines)
            assert route.node in game.nodes
            assert route.ply == book.ply[route.node]
        for other in group.reversed:
            assert found.groups[other].structure == group.structure
            assert found.groups[other].holder != group.holder
            assert place in found.groups[other].reversed


@given(random_texts)
def test_every_line_is_in_exactly_one_group(text: str) -> None:
    book = read(text)
    check(book, *grouped(book))


def test_every_line_of_the_demo_is_in_exactly_one_group() -> None:
    book = demo()
    check(book, *grouped(book))


@given(random_texts)
def test_what_is_ours_for_white_is_theirs_for_black(text: str) -> None:
    book = read(text)
    _, white = grouped(book, "white")
    _, black = grouped(book, "black")
    swap = {"ours": "theirs", "theirs": "ours"}
    assert [
        (group.structure, group.holder, swap.get(group.stance, group.stance), group.lines)
        for group in white.groups
    ] == [(group.structure, group.holder, group.stance, group.lines) for group in black.groups]


@given(random_texts)
def test_a_move_order_goes_where_its_line_goes(text: str) -> None:
    book = read(text)
    paths, found = grouped(book)
    onward = pointers(book)
    for leaf, node in onward.items():
        while book.children(node):
            node = book.children(node)[0]
        own = paths.path(paths.index(node)).middlegame
        if node not in onward and own is not None:
            group = found.groups[found.of_line[paths.index(leaf)]]
            assert (group.structure, group.holder) == own


# Single cases ---------------------------------------------------------------------------

ISOLANI = (
    '[Event "{}"]\n\n1. d4 d5 2. c4 e6 3. Nc3 c5 4. cxd5 exd5 5. Nf3 Nc6 6. g3 Nf6 7. Bg2 Be7 '
    "8. O-O O-O 9. dxc5 Bxc5 10. Bg5 Be6 11. Rc1 Bb6 12. b3 Rc8 13. Na4 Re8 14. Nxb6 Qxb6 *\n\n"
)
OURS = (
    '[Event "{}"]\n\n1. d4 d5 2. c4 dxc4 3. e3 e5 4. Bxc4 exd4 5. exd4 Nf6 6. Nf3 Be7 7. O-O O-O '
    "8. h3 Nbd7 9. Nc3 Nb6 10. Bb3 c6 *\n\n"
)


def test_both_sides_of_the_isolani() -> None:
    _, found = grouped(read(ISOLANI.format("One") + OURS.format("Two")), "white")
    ours = found.find("isolated-queen-pawn", "white", "ours")
    theirs = found.find("isolated-queen-pawn", "black", "theirs")
    assert ours is not None
    assert theirs is not None
    assert found.groups[ours].reversed == (theirs,)
    assert found.groups[theirs].reversed == (ours,)


def test_in_a_mixed_repertoire_the_stance_is_each_games_own() -> None:
    # The chapters branch for opposite sides, and both reach White's isolani.
    white = OURS.format("W").replace("8. h3", "8. h3").replace("3. e3 e5", "3. e3 e5 (3... Nf6)")
    black = OURS.format("B").replace("6. Nf3", "6. Nf3 (6. Ne2) (6. Nc3)")
    book = read(white + black)
    side = infer_side(book)
    assert (side.side, side.games) == ("mixed", ("white", "black"))
    found = groups(book, core_verdicts(book), core_paths(book), side)
    stances = {group.stance for group in found.groups if group.structure == "isolated-queen-pawn"}
    assert stances == {"ours", "theirs"}


def test_nobody_knows_whose_it_is() -> None:
    book = read(OURS.format("A").replace(" *", " 11. Re1 (11. Bg5) Nbd5 (11... Bf5) *"))
    assert infer_side(book).side == "mixed"
    _, found = grouped(book)
    assert {group.stance for group in found.groups} == {"open"}


def test_chapters_that_teach_one_plan_twice() -> None:
    book = read(OURS.format("First") + OURS.format("Second").replace("8. h3", "8. a3"))
    _, found = grouped(book, "white")
    (plan,) = same_plan_chapters(found)
    assert [route.chapter for route in plan.chapters] == ["First", "Second"]
    assert found.groups[plan.group].structure == "isolated-queen-pawn"


def test_a_line_that_changes_in_the_end_says_so() -> None:
    text = OURS.format("A").replace("10. Bb3 c6", "10. Bb3 c6 11. d5 cxd5 12. Nxd5 Nbxd5")
    _, found = grouped(read(text), "white")
    (group,) = found.groups
    assert group.structure == "isolated-queen-pawn"
    ((ending, lines),) = group.endings
    assert ending.structure != "isolated-queen-pawn"
    assert lines == 1


def test_an_empty_repertoire_has_no_groups() -> None:
    book = read("")
    paths, found = grouped(book)
    assert (len(found), found.of_line) == (0, ())
    assert teaching_order(paths, found) == []
    assert same_plan_chapters(found) == []


# An order to teach them -----------------------------------------------------------------


@given(random_texts, st.sampled_from(["white", "black", "mixed"]))
def test_each_group_is_taught_once_and_builds_on_an_earlier_one(text: str, side: str) -> None:
    book = read(text)
    paths, found = grouped(book, side)
    steps = teaching_order(paths, found)
    settled = [place for place, group in enumerate(found.groups) if group.settled]
    assert sorted(step.group for step in steps) == settled
    taught: set[int] = set()
    for step in steps:
        assert (step.of is None) == (step.because == ALONE)
        assert step.of is None or step.of in taught
        assert step.lines > 0
        if step.because == REVERSED:
            assert step.of in found.groups[step.group].reversed
        if step.because == CHAPTER:
            games = {route.game for route in found.groups[step.group].chapters}
            assert step.of is not None
            assert games & {route.game for route in found.groups[step.of].chapters}
        taught.add(step.group)


def test_the_demo_is_taught_from_the_isolani_to_the_hanging_pawns() -> None:
    # A classical order of lessons: isolani, pawn couple, hanging pawns (common
    # practice, no source; they turn into one another in that order by ...Bxc3
    # and c3-c4).
    book = demo()
    paths, found = grouped(book)
    steps = teaching_order(paths, found)
    place = {found.groups[step.group].structure + found.groups[step.group].stance: number
             for number, step in enumerate(steps)}  # fmt: skip
    assert (
        place["isolated-queen-pawnours"]
        < place["isolated-pawn-coupleours"]
        < place["hanging-pawnsours"]
    )
    couple = steps[place["isolated-pawn-coupleours"]]
    assert couple.because == GROWS
    assert couple.of is not None
    assert found.groups[couple.of].structure == "isolated-queen-pawn"


# What the README of the demo promises ---------------------------------------------------


def test_the_demos_largest_group_is_the_carlsbad_and_two_chapters_teach_it() -> None:
    book = demo()
    _, found = grouped(book)
    carlsbad = found.groups[0]
    assert (carlsbad.structure, carlsbad.stance) == ("carlsbad", "ours")
    (plan,) = [plan for plan in same_plan_chapters(found) if plan.group == 0]
    assert [route.chapter for route in plan.chapters] == [
        "Exchange Variation: the minority attack",
        "Exchange Variation: early bishop and the queenless Carlsbad",
    ]
    # 4...exd5 is where it settles; the chapters that only point there come later.
    assert book.moves[carlsbad.earliest_node] == "exd5"
    assert carlsbad.earliest_ply == 8


def test_the_families_of_the_demo_that_have_no_note_have_a_group() -> None:
    _, found = grouped(demo())
    structures = {group.structure for group in found.groups}
    assert {"triangle-tension", "dutch-centre", "doubled-c-pawns", "closed-benoni"} <= structures
