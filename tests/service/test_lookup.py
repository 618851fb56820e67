"""Lookups: which notes apply, in what order, with what reason, and what helps where none does."""

from __future__ import annotations

from collections.abc import Callable

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.models.classifier import shipped_classifier
from pawnlore.service.lookup import (
    CATALOGUE,
    COLOURS_REVERSED,
    NEAR,
    NEAR_PROBABILITY,
    Lookup,
    lookup,
)
from pawnlore.service.note_index import KnownNote, NoteIndex
from pawnlore.service.study_position import NO_MOVE_NUMBER, study_position
from pawnlore.service.verdict_memory import VerdictMemory
from pawnlore.structures.plan_note import PlanNote, parse_note
from pawnlore.structures.skeleton import Skeleton, SkeletonError
from pawnlore.structures.verdict import Verdict

# The exchange variation of the Queen's Gambit Declined, whose pawns are the
# standard example of the minority attack (common practice, no source).
EXCHANGE = "r1bq1rk1/pp1nbppp/2p2n2/3p2B1/3P4/2NBPN2/PPQ2PPP/R4RK1 w - - 3 10"


def note(holder: str = "white", title: str = "t", when: str = "", side: str = "holder") -> PlanNote:
    line = f"when = {{ {when} }}\n" if when else ""
    return parse_note(
        f'+++\nstructure = "carlsbad"\nholder = "{holder}"\nside = "{side}"\n'
        f'title = "{title}"\n{line}+++\nThe plan.\n'
    )


def look(fen: str, *notes: PlanNote, chapter: str | None = None) -> Lookup:
    judge = VerdictMemory(shipped_classifier().classify)
    return lookup(study_position(fen), judge, NoteIndex.of(notes), chapter)


def titles(found: Lookup) -> list[str]:
    return [applied.known.note.title for applied in found.notes]


def mirrored(fen: str) -> str:
    return chess.Board(fen).mirror().fen()


def test_the_most_specific_comes_first_with_its_reason() -> None:
    found = look(
        EXCHANGE,
        note("any", "wide"),
        note("white", "narrow", 'queens = "on", castling = "same"'),
        note("white", "middle"),
        note("white", "other", 'queens = "off"'),
        note("black", "theirs"),
    )
    assert (found.verdict.structure, found.verdict.holder) == ("carlsbad", "white")
    assert titles(found) == ["narrow", "middle", "wide"]
    assert found.notes[0].reason == (
        "carlsbad held by White; queens are on; the kings have gone to the same wing"
    )
    assert found.next_best == ()


def test_whose_plan_a_note_is() -> None:
    found = look(EXCHANGE, note("any", "a", side="foe"), note("any", "b"))
    assert [(a.known.note.title, a.plan_of) for a in found.notes] == [
        ("a", "black"),
        ("b", "white"),
    ]
    turned = look(mirrored(EXCHANGE), note("any", "a", side="foe"))
    assert turned.notes[0].plan_of == "white"


@pytest.mark.parametrize(
    ("when", "applies"),
    [
        ("moves = [10, 12]", True),
        ("moves = [1, 9]", False),
        ('castling = "not-yet"', False),
        ('chapter = "Exchange"', True),
        ('bishops = ["black dark"]', True),
    ],
)
def test_move_number_castling_and_chapter_are_known(when: str, applies: bool) -> None:
    found = look(EXCHANGE, note(when=when), chapter="Exchange")
    assert bool(found.notes) is applies


def test_castling_rights_keep_a_king_from_having_castled() -> None:
    fen = "r1bq1rk1/pp1nbppp/2p2n2/3p2B1/3P4/2NBPN2/PPQ2PPP/R3K2R w KQ - 3 10"
    assert look(fen, note(when='castling = "not-yet"')).notes


def test_an_epd_has_no_move_number() -> None:
    epd = " ".join(EXCHANGE.split()[:4])
    board = study_position(epd).board
    assert board is not None and board.fullmove_number == NO_MOVE_NUMBER
    assert not look(epd, note(when="moves = [1, 10000]")).notes
    assert look(epd, note(when='queens = "on"')).notes


def test_next_best_is_never_the_authors() -> None:
    found = look(EXCHANGE, note("black", "theirs", 'pawn = ["black d5"]'))
    assert found.notes == ()
    assert [best.kind for best in found.next_best] == [COLOURS_REVERSED, CATALOGUE, CATALOGUE]
    assert not any(best.authors for best in found.next_best)
    reversed_ = found.next_best[0]
    assert reversed_.applied is not None and reversed_.applied.plan_of == "white"
    assert "colours reversed" in reversed_.reason
    assert all("not the author’s" in best.reason for best in found.next_best[1:])


def test_a_catalogue_text_is_told_for_whoever_holds_the_structure() -> None:
    white = [best.text for best in look(EXCHANGE).next_best if best.text]
    black = [best.text for best in look(mirrored(EXCHANGE)).next_best if best.text]
    assert [text.plan_of for text in white] == ["white", "black"]
    assert [text.plan_of for text in black] == ["black", "white"]
    # The minority attack, and the same one by Black.
    assert "b2-b4-b5 and bxc6 leave Black a backward pawn on c6" in white[0].summary
    assert "...b7-b5-b4 and ...bxc3 leave White a backward pawn on c3" in black[0].summary


def test_what_is_unsettled_has_no_plan() -> None:
    found = look(chess.STARTING_FEN, note())
    assert not found.verdict.settled
    assert (found.notes, found.next_best) == ((), ())


def test_colours_reversed_give_colours_reversed() -> None:
    notes = (note("white", "w", 'pawn = ["white d4"]'), note("black", "b", 'pawn = ["black d5"]'))
    for fen in (EXCHANGE, mirrored(EXCHANGE)):
        found = look(fen, *notes)
        assert len(found.notes) == 1
        assert found.notes[0].known.note.holder == found.verdict.holder


def test_students_see_what_is_published() -> None:
    index = NoteIndex([KnownNote(note(title="a"), "1"), KnownNote(note(title="b"), "2", 1, False)])
    assert [known.id for known in index.published] == ["1"]
    assert len(index) == 2


def test_memory_forgets_what_was_asked_for_longest_ago() -> None:
    asked: list[int] = []
    classify = shipped_classifier().classify

    def counting(masks):  # type: ignore[no-untyped-def]
        asked.append(int(masks[0, 0]))
        return classify(masks)

    memory = VerdictMemory(counting, most=2)
    one, two, three = (Skeleton(1 << square, 0) for square in (8, 9, 10))
    for skeleton in (one, two, one, three, one, two):
        memory(skeleton)
    assert asked == [one.white, two.white, three.white, two.white]
    assert (memory.hits, memory.asked) == (2, 6)


@given(st.text(max_size=100) | st.from_regex(r"[1-8KkPp/]{15,40} [wb] [KQkq-]{1,4} - \d \d{1,9}"))
def test_hostile_positions_are_refused_in_words(text: str) -> None:
    try:
        position = study_position(text)
    except SkeletonError as error:
        assert str(error)
    else:
        assert position.board is None or 0 <= position.board.fullmove_number < 100_000


@pytest.mark.parametrize("change", [str.upper, lambda fen: fen + "9" * 5000])
def test_a_line_that_is_too_long_or_wrong(change: Callable[[str], str]) -> None:
    with pytest.raises(SkeletonError):
        study_position(change(EXCHANGE))


def judged(structure: str, second: str, chance: float, *, holder: str = "both") -> Verdict:
    """A verdict of the classifier's, off every core."""
    return Verdict(structure, holder, 0.5, False, second, "white", chance)


def test_what_is_near_is_the_next_best_where_nothing_is_settled() -> None:
    position = study_position(EXCHANGE)
    near = judged("unsettled", "carlsbad", NEAR_PROBABILITY)
    found = lookup(position, lambda _: near, NoteIndex(()))
    assert found.notes == ()
    assert [best.kind for best in found.next_best] == [NEAR, NEAR]
    texts = [best.text for best in found.next_best]
    # The same texts as where the structure does stand.
    stands = judged("carlsbad", "unsettled", 0.0, holder="white")
    known = lookup(position, lambda _: stands, NoteIndex(()))
    assert texts == [best.text for best in known.next_best]
    for best in found.next_best:
        assert not best.authors
        assert "Carlsbad" in best.near
        assert "no structure is settled here" in best.reason
        assert "not the author’s" in best.reason
        # Nothing in it is a measure, which students are not told.
        assert not any(sign.isdigit() for sign in best.reason)


def test_a_runner_up_that_is_noise_is_no_next_best() -> None:
    position = study_position(EXCHANGE)
    for noise in (judged("unsettled", "carlsbad", 0.09), judged("unsettled", "unsettled", 0.5)):
        assert lookup(position, lambda _, noise=noise: noise, NoteIndex(())).next_best == ()


def test_the_authors_notes_on_what_is_near_come_before_the_catalogue() -> None:
    text = (
        '+++\nstructure = "carlsbad"\nholder = "white"\nside = "holder"\ntitle = "Minority"\n'
        "+++\nThe b-pawn walks.\n"
    )
    position, notes = study_position(EXCHANGE), NoteIndex.of([parse_note(text)])
    near = judged("unsettled", "carlsbad", 0.3)
    found = lookup(position, lambda _: near, notes)
    first = found.next_best[0]
    assert (first.kind, first.authors) == (NEAR, False)
    assert first.applied is not None
    assert first.applied.known.note.title == "Minority"
    assert [best.text is None for best in found.next_best] == [True, False, False]


def test_where_a_label_unsettles_pawns_what_the_classifier_holds_is_near() -> None:
    position = study_position(EXCHANGE)
    own, held = judged("unsettled", "carlsbad", 0.0), judged("carlsbad", "unsettled", 0.1)
    found = lookup(position, lambda _: own, NoteIndex(()), held=held)
    assert {best.kind for best in found.next_best} == {NEAR}
    assert lookup(position, lambda _: own, NoteIndex(())).next_best == ()


BARE = "8/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/8"


def test_pawns_alone_are_enough_for_conditions_on_pawns_and_files() -> None:
    # The c-file is half-open for White there, and Black has a pawn on c6.
    found = look(
        BARE,
        note(title="met", when='pawn = ["black c6"], file = ["c half-open white"]'),
        note(title="not met", when='pawn = ["black c5"]'),
        note(title="other file", when='file = ["c open"]'),
        note(title="asks for pieces", when='pawn = ["black c6"], queens = "on"'),
    )
    assert titles(found) == ["met"]


def test_conditions_on_pawns_alone_are_turned_round_too() -> None:
    turned = "8/pp3ppp/4p3/3p4/3P4/2P5/PP3PPP/8"
    found = look(
        turned,
        note(title="met", when='pawn = ["black c6"]'),
        note(title="not met", when='pawn = ["white c3"]'),
    )
    reversed_ = [best for best in found.next_best if best.kind == COLOURS_REVERSED]
    assert [best.applied and best.applied.known.note.title for best in reversed_] == ["met"]
