"""What changed between two versions of a repertoire."""

from __future__ import annotations

from collections import Counter

import chess.pgn
import numpy as np
from hypothesis import given
from hypothesis import settings as example_settings
from repertoires import core_verdicts, demo, random_texts, read

from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_changes import RepertoireChanges, repertoire_changes
from pawnlore.structures.verdict import NONE, Verdicts

ONE = '[Event "One"]\n\n1. d4 d5 (1... f5 2. g3) 2. c4 e6 3. Nc3 *\n'


def compared(old: Repertoire, new: Repertoire) -> RepertoireChanges:
    return repertoire_changes(old, new)


def test_the_same_text_again_changes_nothing() -> None:
    book = demo()
    found = compared(book, demo())
    assert found.old_of.tolist() == list(range(len(book)))
    assert (len(found.added), len(found.gone)) == (0, 0)
    verdicts = core_verdicts(book)
    assert [len(places) for places in found.moved(verdicts, verdicts)] == [0, 0]
    assert found.kept == len(book)


def test_moves_that_came_and_went() -> None:
    old, new = read(ONE), read('[Event "One"]\n\n1. d4 d5 2. c4 e6 (2... c6) 3. Nc3 Nf6 *\n')
    found = compared(old, new)
    assert [new.moves[node] for node in found.added.tolist()] == ["c6", "Nf6"]
    assert [old.moves[node] for node in found.gone.tolist()] == ["f5", "g3"]


def test_an_order_of_variations_or_another_chapter_changes_nothing() -> None:
    old = read(ONE)
    for text in (
        '[Event "One"]\n\n1. d4 f5 (1... d5 2. c4 e6 3. Nc3) 2. g3 *\n',
        '[Event "Renamed"]\n\n1. d4 d5 (1... f5 2. g3) 2. c4 e6 3. Nc3 *\n',
    ):
        found = compared(old, read(text))
        assert (len(found.added), len(found.gone)) == (0, 0)


def test_a_chapter_of_the_same_name_comes_first() -> None:
    two = '[Event "{}"]\n\n1. d4 *\n\n[Event "{}"]\n\n1. d4 *\n'
    found = compared(read(two.format("A", "B")), read(two.format("B", "A")))
    assert found.old_of.tolist() == [2, 3, 0, 1]


def test_a_copy_of_a_line_is_new() -> None:
    found = compared(read("1. d4 d5 *"), read('1. d4 d5 *\n\n[Event "Again"]\n\n1. d4 d5 *\n'))
    assert found.kept == 3 and found.added.tolist() == [3, 4, 5]


def test_equal_moves_from_another_start_are_another_node() -> None:
    fen = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w - - 0 1"
    found = compared(read("1. d4 *"), read(f'[SetUp "1"]\n[FEN "{fen}"]\n\n1. d4 *'))
    assert found.kept == 0


def test_a_verdict_that_changed_is_told() -> None:
    old, new = read(ONE), read(ONE + '[Event "Two"]\n\n1. e4 *\n')
    before, after = core_verdicts(old), core_verdicts(new)
    family = after.family.copy()
    family[2] = 3 if before.family[2] != 3 else 4
    changed = Verdicts(
        after.names,
        family,
        after.holder,
        after.probability,
        after.core,
        after.second,
        after.second_holder,
        after.second_probability,
    )
    was, now = compared(old, new).moved(before, changed)
    assert (was.tolist(), now.tolist()) == ([2], [2])


def test_families_are_compared_by_name() -> None:
    """Another model may number its families otherwise, or know others."""
    book = read("1. d4 *")

    def verdicts(names: tuple[str, ...], family: int) -> Verdicts:
        column = np.array([family, family], dtype=np.int16)
        none, zero = np.full(2, NONE, dtype=np.int16), np.zeros(2)
        holder = np.zeros(2, dtype=np.int8)
        return Verdicts(names, column, holder, zero, zero > 0, none, holder, zero)

    def moved(before: Verdicts, after: Verdicts) -> list[int]:
        return compared(book, book).moved(before, after)[1].tolist()

    one, same = verdicts(("a", "b"), 1), verdicts(("b", "c"), 0)
    assert moved(one, same) == []
    no_more = verdicts(("c", "d"), 0)
    assert moved(one, no_more) == [0, 1]
    assert moved(verdicts(("a",), NONE), same) == [0, 1]


def moves_by_python_chess(text: str) -> Counter[tuple[str, ...]]:
    """Every node as its moves from the start, told by python-chess's PGN reader."""
    import io

    found: Counter[tuple[str, ...]] = Counter()
    stream = io.StringIO(text)
    while (game := chess.pgn.read_game(stream)) is not None:
        waiting: list[tuple[chess.pgn.GameNode, tuple[str, ...]]] = [(game, ())]
        while waiting:
            node, line = waiting.pop()
            found[line] += 1
            waiting += [(child, (*line, child.move.uci())) for child in node.variations]
    return found


@given(random_texts, random_texts)
@example_settings(max_examples=30)
def test_counts_agree_with_python_chess(old_text: str, new_text: str) -> None:
    """python-chess 1.11 reads both texts; the nodes are compared as multisets of move lists."""
    old, new = read(old_text), read(new_text)
    found = compared(old, new)
    one, other = moves_by_python_chess(old_text), moves_by_python_chess(new_text)
    assert len(found.added) == (other - one).total()
    assert len(found.gone) == (one - other).total()
    assert found.kept == (one & other).total()
    kept = found.old_of[found.old_of >= 0]
    assert len(set(kept.tolist())) == len(kept)
