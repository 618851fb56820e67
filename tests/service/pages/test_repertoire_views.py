"""What the repertoire pages show, as plain values: cards, lines, positions, paths."""

from __future__ import annotations

from functools import cache

import pytest
from hypothesis import given
from repertoires import by_cores, demo, random_texts, read

from pawnlore.service.pages.elsewhere import elsewhere
from pawnlore.service.pages.group_cards import CARDS, TO_TEACH, group_cards
from pawnlore.service.pages.group_filter import GroupFilter, filter_choices, group_filter
from pawnlore.service.pages.group_keys import find_group, group_keys
from pawnlore.service.pages.group_lines import group_lines
from pawnlore.service.pages.group_view import group_view
from pawnlore.service.pages.line_moves import MOST, line_moves
from pawnlore.service.pages.line_view import leaf_of, line_view
from pawnlore.service.workbook import Workbook, make_workbook
from pawnlore.structures.plan_note import parse_note
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_side import given_side, infer_side

HOSTILE = "<script>alert(1)</script>\u202e\"'&" * 300


def work_on(book: Repertoire, side: str = "") -> Workbook:
    return make_workbook(book, by_cores, given_side(book, side) if side else infer_side(book))


@cache
def course() -> Workbook:
    return work_on(demo())


def note(structure: str, holder: str = "white") -> str:
    return (
        f'+++\nstructure = "{structure}"\nholder = "{holder}"\nside = "holder"\n'
        'title = "A plan"\n+++\nPush.\n'
    )


# Cards ----------------------------------------------------------------------------------


def test_every_group_has_one_card_and_all_lines_are_counted() -> None:
    work = course()
    cards = []
    for page in range(1, 10):
        found = group_cards(work, page=page)
        if found.paging.number != page:
            break
        cards += found.cards
    assert sorted(card.key.place for card in cards) == list(range(len(work.groups)))
    assert found.lines == sum(card.lines for card in cards) == len(work.paths)
    assert sum(card.share for card in cards) == pytest.approx(1)
    assert max(card.width for card in cards) == 1
    lines = [card.lines for card in cards if card.settled]
    assert lines == sorted(lines, reverse=True)


def test_a_card_tells_what_stands_first_and_who_leads_there() -> None:
    card = group_cards(course()).cards[0]
    assert (card.key.name, card.key.words) == ("Carlsbad structure", "ours, White’s")
    assert card.first == "4...exd5"
    assert card.orientation == "white"
    assert card.chapters[0].words == "Exchange Variation: the minority attack"
    assert sum(one.lines for one in card.chapters) + card.more_chapters >= card.lines - 1


def test_notes_are_counted_where_they_are_on_the_groups_holder() -> None:
    notes = [parse_note(note("carlsbad")), parse_note(note("carlsbad", "black"))]
    cards = {card.key.structure: card for card in group_cards(course(), notes).cards}
    assert cards["carlsbad"].notes == 1
    assert cards["modern-benoni"].notes == 0


def test_filters_by_side_structure_and_chapter() -> None:
    work = course()
    theirs = group_cards(work, asked=GroupFilter(side="theirs"))
    assert theirs.cards and all(card.key.words.startswith("theirs") for card in theirs.cards)
    one = group_cards(work, asked=GroupFilter(structure="isolated-queen-pawn"))
    assert {card.key.structure for card in one.cards} == {"isolated-queen-pawn"}
    name = work.book.games[0].chapter
    chapter = group_cards(work, asked=GroupFilter(chapter=name))
    ends = [leaf for leaf in work.paths.leaves.tolist() if leaf in work.book.games[0].nodes]
    assert chapter.lines == len(ends)
    assert all(one.words == name for card in chapter.cards for one in card.chapters)
    part = group_cards(work, asked=GroupFilter(chapter="MINORITY"))
    assert part.lines >= chapter.lines
    assert group_cards(work, asked=GroupFilter(chapter="nowhere")).cards == ()


def test_in_the_order_to_teach_what_grows_comes_after_what_it_grows_out_of() -> None:
    work = course()
    cards = group_cards(work, order=TO_TEACH).cards
    numbers = [card.number for card in cards if card.number is not None]
    assert numbers == list(range(1, len(numbers) + 1))
    seen = set()
    for card in cards:
        if card.because is not None and card.because.of is not None:
            assert card.because.of.place in seen
        seen.add(card.key.place)


def test_choices_offer_what_there_is() -> None:
    choices = filter_choices(course(), group_filter({"side": "ours", "structure": "carlsbad"}))
    assert [one.value for one in choices.sides] == ["ours", "theirs", "both"]
    assert [one.value for one in choices.structures if one.chosen] == ["carlsbad"]
    assert choices.chapters is not None and len(choices.chapters) == len(
        {game.chapter for game in course().book.games}
    )


def test_two_authors_groups_of_one_structure_have_addresses_of_their_own() -> None:
    moves = "1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 O-O 7. Bd3 Nbd7 8. Qc2"
    book = read(
        f'[Event "Ours"]\n\n{moves} Re8 (8... c6 9. Nf3) (8... h6 9. Bh4) 9. Nf3 *\n\n'
        f'[Event "Theirs"]\n\n{moves} (8. Nf3 Re8) (8. Nge2 Re8) (8. f4 Re8) 8... Re8 *\n'
    )
    work = work_on(book)
    keys = [key for key in group_keys(work.groups) if key.structure == "carlsbad"]
    assert sorted(str(key.whose) for key in keys) == ["ours", "theirs"]
    for key in keys:
        assert find_group(work.groups, "carlsbad", "white", key.whose or "") == key.place
    assert find_group(work.groups, "carlsbad", "white") is not None
    assert find_group(work.groups, "carlsbad", "black") is None
    assert group_view(work, keys[0].place).others == (keys[1],)


# A group and its lines ------------------------------------------------------------------


def test_the_lines_of_a_group_are_paged_without_a_gap() -> None:
    work = course()
    group = work.groups.groups[0]
    leaves, numbers = [], []
    for page in (1, 2, 3):
        found = group_lines(work, group, page=page, rows=4)
        leaves += [row.leaf for row in found.rows]
        numbers += [row.number for row in found.rows]
        assert found.rows[0].chapter and not found.rows[0].leaves
    assert tuple(leaves) == group.lines
    assert numbers == list(range(1, len(leaves) + 1))


def test_a_line_begins_where_it_leaves_the_one_before_it() -> None:
    rows = group_lines(course(), course().groups.groups[0]).rows
    assert rows[0].moves.startswith("1.d4 d5 2.c4 e6 3.Nc3 Nf6 4.cxd5 exd5")
    assert rows[0].settles == "4...exd5"
    assert rows[1].leaves and rows[1].moves.startswith("8...Re8 9.Nf3 c5 10.dxc5")
    assert any(row.onward is not None for row in rows)


def test_the_lines_of_one_chapter() -> None:
    work = course()
    group = work.groups.groups[0]
    route = group.chapters[1]
    found = group_lines(work, group, chapter=route.chapter)
    assert found.paging.total == route.lines
    assert all(row.leaf in work.book.games[route.game].nodes for row in found.rows)


def test_a_group_tells_its_ways_its_model_line_and_what_it_turns_into() -> None:
    work = course()
    view = group_view(work, 0)
    assert [(end.name, end.words, end.lines) for end in view.endings] == [
        ("Isolated queen's pawn (isolani)", "Black’s", 1)
    ]
    assert view.endings[0].key is not None
    assert view.routes[0].moves == "1.d4 d5 2.c4 e6 3.Nc3 Nf6 4.cxd5 exd5"
    assert sum(route.lines for route in view.routes) == len(view.group.lines)
    assert view.model.leaf == view.group.model_line
    assert view.number is not None


# A line and its positions ---------------------------------------------------------------


def test_a_position_of_a_line() -> None:
    work = course()
    node = next(n for n in work.book.games[0].nodes if work.book.moves[n] == "exd5")
    view = line_view(work, node)
    assert view.move == "4...exd5"
    assert view.fen is not None
    assert view.fen.startswith("rnbqkb1r/ppp2ppp/5n2/3p4/3P4/2N5/PP2PPPP/R1BQKBNR w KQkq")
    told = [(step.name, step.whose, step.move, step.here) for step in view.steps]
    assert told == [
        ("Queen's Gambit tension", "White’s", 2, False),
        ("Carlsbad structure", "White’s", 4, True),
    ]
    assert work.book.moves[view.steps[1].node] == "exd5"
    assert (view.before, view.after) == (node - 1, node + 1)
    assert [move.text for move in view.moves.moves[:4]] == ["1.d4", "d5", "2.c4", "e6"]
    assert [move.node for move in view.moves.moves if move.here] == [node]
    assert view.verdict.structure == "carlsbad"


def test_other_moves_and_variations_are_named() -> None:
    work = course()
    node = next(n for n in work.book.games[0].nodes if work.book.moves[n] == "Qc2")
    view = line_view(work, node)
    assert [(one.text, one.walked) for one in view.variations] == [
        ("8...Re8", True),
        ("8...c6", False),
    ]
    assert view.variations[1].moves.startswith("9.Nf3 Re8 10.O-O")
    move = next(
        one for one in view.moves.moves if one.text.startswith("8...Re8") or one.text == "Re8"
    )
    assert [one.text for one in move.others] == ["8...c6"]
    other = line_view(work, view.variations[1].node, view.variations[1].leaf)
    assert other.leaf == view.variations[1].leaf
    assert line_view(work, node, other.leaf).after == view.variations[1].node


def test_a_leaf_of_another_line_is_not_walked() -> None:
    work = course()
    node = work.book.games[0].first + 8
    main = leaf_of(work, node, None)
    for wrong in (-1, 10**9, node, work.book.games[1].first, len(work.book) - 1):
        assert leaf_of(work, node, wrong) == main
    with pytest.raises(IndexError):
        line_view(work, len(work.book))


def test_reminders_and_comments_are_told() -> None:
    book = read("1. d4 {[%csl Gd4] The duel. Remember: the rook belongs on b1.} d5 $1 $14 2. c4 *")
    view = line_view(work_on(book), 1)
    assert view.comment == "The duel. Remember: the rook belongs on b1."
    assert view.reminders == (("remember", "the rook belongs on b1."),)
    assert [(move.text, move.signs) for move in view.moves.moves] == [
        ("1.d4", ""),
        ("1...d5!", "+/="),
        ("2.c4", ""),
    ]


def test_a_position_of_other_lines_is_found() -> None:
    book = read(
        '[Event "One"]\n\n1. d4 d5 2. c4 e6 *\n\n[Event "Two"]\n\n1. c4 e6 2. d4 d5 3. Nc3 *\n\n'
        '[Event "Three"]\n\n1. d4 d5 2. c4 e6 3. Nf3 *\n'
    )
    found, more = elsewhere(work_on(book), 4)
    assert [(one.chapter, one.moves, one.ends) for one in found] == [
        ("Two", "1.c4 e6 2.d4 d5", False),
        ("Three", "", False),
    ]
    assert more == 0
    assert elsewhere(work_on(book), 0) == ((), 0)
    # Coming back to a position of the same line is none.
    back = read("1. Nf3 Nf6 2. Ng1 Ng8 3. Nf3 *")
    assert elsewhere(work_on(back), 5) == ((), 0)


@given(random_texts)
def test_any_line_can_be_walked_from_start_to_end(text: str) -> None:
    work = work_on(read(text))
    for leaf in work.paths.leaves.tolist()[:6]:
        view = line_view(work, leaf, leaf)
        seen = [leaf]
        while view.before is not None:
            back = line_view(work, view.before, leaf)
            assert back.after == view.node
            assert back.leaf == leaf
            view = back
            seen.append(view.node)
        assert seen[::-1] == work.book.line(leaf)
        for step in view.steps:
            assert step.node in seen


# Hostile and very large -----------------------------------------------------------------


def test_long_lines_are_shown_in_part() -> None:
    dance = "Nf3 Nf6 Ng1 Ng8 "
    book = read(f"{dance * 1200} *")
    view = line_view(work_on(book), 2400)
    assert view.fen is None
    assert len(view.moves.moves) == MOST
    assert 2400 in [move.node for move in view.moves.moves]
    assert view.moves.earlier is not None and view.moves.later is not None
    for node in (0, 1, 159, 161, 4799, 4800):
        shown = line_moves(book, book.line(4800), node, None)
        assert len(shown.moves) == MOST
        assert node == 0 or node in [move.node for move in shown.moves]


def test_what_is_hostile_or_huge_takes_bounded_room() -> None:
    texts = [
        f'[Event "{place} {HOSTILE[:10_000].replace(chr(34), "")}"]\n\n'
        f"1. d4 {{{HOSTILE}}} d5 {{{HOSTILE}}} 2. c4 {{{HOSTILE}}} *\n\n"
        for place in range(70)
    ]
    work = work_on(read("".join(texts)))
    view = line_view(work, 2)
    assert len(view.chapter.encode()) <= 400
    assert len(view.comment.encode()) <= 12_000
    assert "\u202e" not in view.comment + view.chapter
    assert filter_choices(work, GroupFilter()).chapters is None
    for card in group_cards(work).cards:
        assert all(len(one.words.encode()) <= 160 for one in card.chapters)
        assert all(len(one.value) <= 100 for one in card.chapters)
    assert group_cards(work, page=10**9).paging.number == 1
    assert CARDS <= 24
