"""What is owed: on small repertoires made for one debt each, and on the invented course."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import chess
import pytest
from hypothesis import given
from repertoires import core_verdicts, demo, random_texts, read

from pawnlore.service.notes_folder import read_notes_folder
from pawnlore.structures.debt import SEVERITY, Debt
from pawnlore.structures.group_nodes import group_nodes, groups_through
from pawnlore.structures.groups import groups
from pawnlore.structures.owed import owed
from pawnlore.structures.owed_notes import note_debts
from pawnlore.structures.plan_note import PlanNote, parse_note
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_side import given_side
from pawnlore.structures.replay import Replay
from pawnlore.structures.structure_paths import structure_paths
from pawnlore.structures.transpositions import pointers
from pawnlore.structures.typical_breaks import typical_breaks

CARLSBAD = "1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 c6 6. e3 Be7 7. Bd3 O-O 8. Qc2"


def debts_of(
    book: Repertoire, side: str = "white", notes: Iterable[PlanNote] | None = None
) -> list[Debt]:
    verdicts = core_verdicts(book)
    paths = structure_paths(book, verdicts)
    author = given_side(book, side)
    found = groups(book, verdicts, paths, author)
    return owed(book, verdicts, paths, found, author, None if notes is None else tuple(notes))


def kind(debts: Iterable[Debt], name: str) -> list[Debt]:
    return [debt for debt in debts if debt.kind == name]


def note(structure: str, holder: str = "white", side: str = "holder", when: str = "") -> PlanNote:
    extra = f"when = {{ {when} }}\n" if when else ""
    return parse_note(
        f'+++\nstructure = "{structure}"\nholder = "{holder}"\nside = "{side}"\n'
        f'title = "A plan"\n{extra}+++\nWords.\n',
        name="plan.md",
    )


def test_two_answers_on_different_lines_are_a_contradiction() -> None:
    text = (
        '[Event "One"]\n\n1. d4 Nf6 2. c4 e6 3. Nc3 *\n\n'
        '[Event "Two"]\n\n1. d4 e6 2. c4 Nf6 3. Nf3 (3. g3 $6) *\n\n'
    )
    (found,) = kind(debts_of(read(text)), "contradiction")
    assert "3.Nc3 in “One”" in found.what and "3.Nf3 in “Two”" in found.what
    assert "g3" not in found.what  # shown as a mistake, not recommended
    assert (found.lines, found.weight) == (2, 8)
    assert found.moves == "1.d4 Nf6 2.c4 e6" and found.chapter == "One"


def test_alternatives_at_one_node_and_marked_mistakes_are_no_contradiction() -> None:
    assert not kind(debts_of(read("1. d4 d5 2. c4 (2. Nf3) e6 *")), "contradiction")
    text = "1. d4 Nf6 2. c4 e6 3. Nc3 *\n\n1. d4 e6 2. c4 Nf6 3. g4 $4 *"
    assert not kind(debts_of(read(text)), "contradiction")


def test_a_line_that_stops_with_the_author_to_move_where_another_goes_on() -> None:
    text = "1. d4 Nf6 2. c4 e6 (2... d5) (2... g6 3. Nf3) 3. Nc3 *\n\n1. d4 e6 2. c4 Nf6 *"
    debts = debts_of(read(text))
    (found,) = kind(debts, "stops-short")
    assert found.moves == "1.d4 e6 2.c4 Nf6" and "3.Nc3" in found.closes
    # 2... d5 ends with the author to move and nobody goes on.
    (found,) = kind(debts, "no-answer")
    assert found.moves == "1.d4 Nf6 2.c4 d5"


def test_a_move_order_that_joins_a_line_owes_nothing() -> None:
    text = f"{CARLSBAD} *\n\n1. c4 e6 2. d4 d5 *"
    book = read(text)
    (leaf,) = pointers(book)
    pointing = [debt for debt in debts_of(book, "black") if debt.node == leaf]
    assert not pointing  # for Black the last line ends with the opponent to move


@pytest.mark.parametrize(
    "end", ["2. Nf3 Nf6 $10", "1... f6 2. e4 g5 3. Qh5#"], ids=["judged", "mate"]
)
def test_what_needs_no_answer(end: str) -> None:
    side = "white" if "$10" in end else "black"
    rest = (
        "\n\n1. d4 d5 2. c4 *\n\n1. d4 f5 2. c4 *"
        if side == "white"
        else ("\n\n1. e4 e5 *\n\n1. c4 e5 *")
    )
    start = "1. d4 d5 " if side == "white" else "1. e3 "
    assert not kind(debts_of(read(f"{start}{end} *{rest}"), side), "no-answer")


def test_an_author_who_ends_with_the_opponents_move_is_not_nagged() -> None:
    text = "1. d4 d5 *\n\n1. d4 Nf6 *\n\n1. d4 f5 2. g3 *"
    assert not kind(debts_of(read(text)), "no-answer")


def test_a_line_without_a_structure() -> None:
    (found,) = kind(debts_of(read("1. a3 a6 2. h3 h6 3. a4 *")), "no-structure")
    assert "3.a4" in found.what and found.weight == 2


def test_a_type_without_a_note_and_with_the_wrong_one() -> None:
    book = read(f"{CARLSBAD} *")
    assert not kind(debts_of(book), "no-note")  # no folder was given
    (found,) = kind(debts_of(book, notes=()), "no-note")
    assert 'structure = "carlsbad", holder = "white", side = "holder"' in found.closes
    assert found.moves.endswith("4.cxd5 exd5")
    (found,) = kind(debts_of(book, notes=[note("carlsbad", side="foe")]), "no-note")
    assert "only the other side's plan" in found.what
    (found,) = kind(debts_of(book, notes=[note("carlsbad", when='queens = "off"')]), "no-note")
    assert "conditions of “A plan” (plan.md) hold in none" in found.what
    for good in (
        note("carlsbad"),
        note("carlsbad", "any"),
        note("carlsbad", when='queens = "on", castling = "not-yet"'),
        note("carlsbad", when="moves = [5, 8]"),
        note("carlsbad", when='pawn = ["white e3"], file = ["e half-open black"]'),
    ):
        assert not debts_of(book, notes=[good]) or not kind(debts_of(book, notes=[good]), "no-note")


def test_black_authors_need_the_plan_against_it() -> None:
    book = read(f"{CARLSBAD} *")
    assert kind(debts_of(book, "black", [note("carlsbad")]), "no-note")
    assert not kind(debts_of(book, "black", [note("carlsbad", side="foe")]), "no-note")
    # Where nobody knows the side, any note on the type will do.
    assert not kind(debts_of(book, "mixed", [note("carlsbad")]), "no-note")


def test_notes_that_no_line_reaches() -> None:
    book = read(f"{CARLSBAD} *")
    notes = [note("hedgehog"), note("carlsbad", when='queens = "off"'), note("carlsbad", "black")]
    found = kind(debts_of(book, notes=notes), "unused-note")
    assert [debt.file for debt in found] == ["plan.md"] * 3
    assert any("queens are off" in debt.what for debt in found)
    assert all(debt.node == -1 and not debt.moves for debt in found)


def test_a_break_is_owed_until_some_line_answers_it() -> None:
    # ...c5 against the minority attack's centre: Carlsbad plans, common practice.
    moves = f"{CARLSBAD} Nbd7 9. Nf3 Re8 10. O-O Nf8"
    told = [debt.what for debt in kind(debts_of(read(f"{moves} 11. Rab1 Ng6 *")), "unmet-break")]
    assert any("Black's ...c6-c5, which hits d4" in what for what in told)
    unanswered = debts_of(read(f"{moves} 11. Rab1 Ng6 (11... c5) *"))
    assert any("...c6-c5" in debt.what for debt in kind(unanswered, "unmet-break"))
    answered = debts_of(read(f"{moves} 11. Rab1 Ng6 (11... c5 12. dxc5) *"))
    assert not any("...c6-c5" in debt.what for debt in kind(answered, "unmet-break"))


def test_typical_breaks_turn_with_holder_and_side() -> None:
    for holder, other in (("white", "black"), ("black", "white")):
        for side, foe in (("white", "black"), ("black", "white")):
            mask = typical_breaks("carlsbad", holder, side)
            assert chess.flip_vertical(mask) == typical_breaks("carlsbad", other, foe)
    both = typical_breaks("open-c-file", "both", "white")
    assert chess.flip_vertical(both) == typical_breaks("open-c-file", "both", "black")
    assert typical_breaks("own/mine", "white", "black") == typical_breaks("own/x", "black", "white")


def test_all_that_is_planted_in_the_invented_course_is_found() -> None:
    book = demo()
    from importlib.resources import as_file, files

    with as_file(files("pawnlore.labelled_demo").joinpath("notes")) as folder:
        notes = read_notes_folder(folder).notes
    verdicts = core_verdicts(book)
    paths = structure_paths(book, verdicts)
    author = given_side(book, "white")
    found = groups(book, verdicts, paths, author)
    debts = owed(book, verdicts, paths, found, author, notes)

    (contradiction,) = kind(debts, "contradiction")
    assert contradiction.moves == "1.d4 Nf6 2.c4 e6 3.Nc3 c5"
    assert "4.d5" in contradiction.what and "4.Nf3" in contradiction.what
    (stop,) = kind(debts, "stops-short")
    assert stop.moves.endswith("7.O-O cxd4 8.exd4 dxc4 9.Bxc4 b6") and "10.Bg5" in stop.what
    (unused,) = kind(debts, "unused-note")
    assert unused.file == "symmetrical-benoni-someday.md"
    lacking = {found.groups[debt.group].structure for debt in kind(debts, "no-note")}
    assert {"closed-benoni", "triangle-tension", "dutch-centre", "doubled-c-pawns"} <= lacking
    assert "accepted-centre" in lacking
    # No type that has a note of its own is called without one.
    assert lacking.isdisjoint(one.structure for one in notes)
    # Every line ends with White's answer, and the nineteen pointers are no gaps.
    assert not kind(debts, "no-answer")
    ends = {leaf for leaf in pointers(book) if leaf != stop.node}
    assert len(ends) == 19
    assert not ends & {debt.node for debt in debts if debt.kind in ("no-structure", "stops-short")}


def test_order_and_places() -> None:
    book = demo()
    debts = debts_of(book, notes=())
    assert [debt.weight for debt in debts] == sorted((d.weight for d in debts), reverse=True)
    for debt in debts:
        assert debt.kind in SEVERITY and debt.what.endswith(".") and debt.closes.endswith(".")
        game = book.game_of(debt.node)
        assert debt.node in game.nodes
        assert (debt.file, debt.game, debt.chapter) == (game.file, game.number, game.chapter)


def test_a_repertoire_without_moves() -> None:
    assert debts_of(read(""), notes=()) == []
    assert debts_of(read("*"), notes=()) == []


@given(random_texts)
def test_boards_are_those_of_python_chess(text: str) -> None:
    book = read(text)
    replay = Replay(book)
    for node in [*range(len(book)), *range(len(book) - 1, -1, -3)]:
        board = chess.Board()
        for step in book.line(node)[1:]:
            board.push_san(book.moves[step])
        assert replay.board(node).fen() == board.fen()


@given(random_texts)
def test_owed_on_anything(text: str) -> None:
    book = read(text)
    notes = [note("carlsbad", "any"), note("queens-gambit-tension", when='queens = "on"')]
    for side in ("white", "black", "mixed"):
        debts = debts_of(book, side, notes)
        assert debts == debts_of(book, side, notes)
        assert all(debt.weight >= 1 for debt in debts)
        short = Counter(debt.node for debt in debts if debt.kind in ("stops-short", "no-answer"))
        assert all(count == 1 for count in short.values())


@given(random_texts)
def test_nodes_of_groups_against_a_plain_count(text: str) -> None:
    book = read(text)
    verdicts = core_verdicts(book)
    paths = structure_paths(book, verdicts)
    found = groups(book, verdicts, paths, given_side(book, "white"))
    lines = {leaf: set(book.line(leaf)) for leaf in book.leaves.tolist()}
    through = groups_through(book, found)
    for place, (group, nodes) in enumerate(
        zip(found.groups, group_nodes(book, paths, found), strict=True)
    ):
        own = set().union(*(lines[leaf] for leaf in group.lines))
        assert {node for node in range(len(book)) if through[node] >> place & 1} == own
        if group.settled:
            code = paths.code(group.structure, group.holder)
            assert nodes == sorted(node for node in own if paths.carried[node] == code)


def test_boards_are_set_up_only_where_a_note_asks(monkeypatch: pytest.MonkeyPatch) -> None:
    book = demo()
    verdicts = core_verdicts(book)
    paths = structure_paths(book, verdicts)
    side = given_side(book, "white")
    found = groups(book, verdicts, paths, side)
    monkeypatch.setattr(Replay, "board", lambda *_: pytest.fail("no board was needed"))
    list(note_debts(book, paths, found, side, [note("carlsbad", when='pawn = ["white e3"]')]))
