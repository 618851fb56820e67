"""Load: what has to be remembered, counted again on python-chess's own trees.

Outside sources: python-chess for positions and trees.
"""

from __future__ import annotations

import io
from importlib.resources import files
from pathlib import Path

import chess
import chess.pgn
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from repertoires import by_cores

from pawnlore.structures.distinct_verdicts import distinct_verdicts
from pawnlore.structures.groups import groups
from pawnlore.structures.load import Load, LoadCounter
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.position_key import position_key
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_side import RepertoireSide, given_side
from pawnlore.structures.structure_paths import StructurePaths, structure_paths
from pawnlore.structures.transpositions import NoPositions


class Case:
    """A repertoire with all that a count needs."""

    def __init__(self, texts: list[str], side: str = "white") -> None:
        self.book: Repertoire = read_repertoire([io.StringIO(t) for t in texts], with_keys=True)
        self.side: RepertoireSide = given_side(self.book, side)
        self.verdicts = distinct_verdicts(self.book, by_cores).every_node()
        self.paths: StructurePaths = structure_paths(self.book, self.verdicts)
        self.counter = LoadCounter(self.book, self.paths, self.side)

    def node(self, *moves: str) -> int:
        """The node at the end of some moves of the first game."""
        node = 0
        for move in moves:
            node = next(n for n in self.book.children(node) if self.book.moves[n] == move)
        return node


def demo() -> Case:
    folder = files("pawnlore.labelled_demo").joinpath("repertoire")
    entries = sorted((e for e in folder.iterdir() if e.name.endswith(".pgn")), key=lambda e: e.name)
    return Case([entry.read_text(encoding="utf-8") for entry in entries])


def games(texts: list[str]) -> list[chess.pgn.Game]:
    found = []
    for text in texts:
        stream = io.StringIO(text)
        while (game := chess.pgn.read_game(stream)) is not None:
            found.append(game)
    return found


def own_positions(tree: chess.pgn.GameNode, colour: chess.Color) -> set[bytes]:
    """The positions of a tree in which a side is to move and has an answer."""
    found, pending = set(), [tree]
    while pending:
        node = pending.pop()
        if node.variations and node.turn() == colour:
            found.add(position_key(node.board()))
        pending += node.variations
    return found


TWO_ORDERS = "1. d4 d5 (1... Nf6 2. c4 e6 3. Nc3 d5 4. Nf3) 2. c4 e6 3. Nc3 Nf6 4. Nf3 *"


def test_a_transposition_is_learnt_once() -> None:
    case = Case([TWO_ORDERS])
    load = case.counter.whole()
    # d4; c4 in two positions; Nc3 in two positions; Nf3 in the one where both meet.
    assert (load.lines, load.moves, load.new_moves) == (2, 6, 6)
    assert load.transposed == 1 and load.shared == pytest.approx(1 / 6)
    assert load.deepest == 4 and load.mean_depth == pytest.approx((1 + 2 + 2 + 3 + 3 + 4) / 6)


def test_coming_back_to_a_position_is_no_transposition() -> None:
    load = Case(["1. Nf3 Nf6 2. Ng1 Ng8 3. e4 *"]).counter.whole()
    # The second visit of the starting position is the same position to remember.
    assert (load.moves, load.transposed, load.deepest) == (2, 0, 2)


def test_chapters_count_what_is_new() -> None:
    first = '[Event "One"]\n\n1. d4 d5 2. c4 e6 3. Nc3 *\n\n'
    second = '[Event "Two"]\n\n1. d4 d5 2. c4 c6 3. Nf3 *\n\n'
    loads = Case([first + second]).counter.chapters()
    assert [(one.game, one.chapter) for one in loads] == [(0, "One"), (1, "Two")]
    assert [(one.load.moves, one.load.new_moves) for one in loads] == [(3, 3), (3, 1)]
    assert [one.load.lines for one in loads] == [1, 1]


def test_a_branch_and_a_comparison() -> None:
    text = "1. d4 d5 2. c4 (2. Nf3 Nf6 3. c4 e6 4. Nc3) 2... e6 3. Nc3 Nf6 4. Nf3 Be7 *"
    case = Case([text])
    node = case.node("d4", "d5")
    told = case.counter.compare(node)
    # The moves to remember: at the node itself, and after ...e6, ...Nf6 (or ...Nf6, ...e6).
    assert [(b.load.moves, b.load.new_moves) for b in told.branches] == [(3, 3), (3, 3)]
    assert told.cheapest is None
    longer = Case([text.replace("4. Nc3)", "4. Nc3 Be7 5. Bg5)")])
    told = longer.counter.compare(longer.node("d4", "d5"))
    assert told.cheapest == 0 and told.branches[1].load.new_moves == 4
    alone = longer.counter.branch(told.branches[1].node)
    # Next to the rest, with the other move in it, the decision itself is not new.
    assert alone.load.moves == 4 and alone.load.new_moves == 3


def test_alternatives_must_start_from_one_position() -> None:
    case = Case([TWO_ORDERS])
    with pytest.raises(ValueError, match="nothing to compare"):
        case.counter.compare(0)
    with pytest.raises(ValueError, match="nothing to compare"):
        case.counter.compare(1, [case.node("d4", "d5")] * 2)
    with pytest.raises(ValueError, match="c4 is no move in that position"):
        case.counter.compare(1, [case.node("d4", "d5"), case.node("d4", "d5", "c4")])
    with pytest.raises(ValueError, match="the start is no move"):
        case.counter.compare(1, [case.node("d4", "d5"), 0])


def test_alternatives_in_different_chapters() -> None:
    texts = ["1. d4 d5 2. c4 e6 3. Nc3 *\n\n", "1. d4 d5 2. Nf3 *\n\n"]
    case = Case(texts)
    first = case.node("d4", "d5")
    other = next(n for n in range(len(case.book)) if case.book.moves[n] == "Nf3")
    told = case.counter.compare(first, [case.node("d4", "d5", "c4"), other])
    assert told.cheapest == 1 and [b.load.new_moves for b in told.branches] == [2, 1]


def test_nobody_knows_whose_and_passing() -> None:
    mixed = Case(["1. d4 (1. e4 c5 (1... e5)) 1... d5 (1... Nf6) *"], "mixed")
    assert mixed.counter.whole() == Load(4, 0, 0, 0, 0, 0.0, (), ())
    passing = Case(["1. d4 d5 2. -- e6 3. c4 *"])
    assert passing.counter.whole().moves == 2
    assert Case([""]).counter.whole().moves == 0 and Case([""]).counter.chapters() == []


def test_position_keys_are_needed() -> None:
    book = read_repertoire([io.StringIO("1. d4 *")])
    verdicts = distinct_verdicts(book, by_cores).every_node()
    with pytest.raises(NoPositions):
        LoadCounter(book, structure_paths(book, verdicts), given_side(book, "white"))


def test_demo_chapters_against_trees_of_python_chess() -> None:
    case = demo()
    folder = files("pawnlore.labelled_demo").joinpath("repertoire")
    texts = [p.read_text(encoding="utf-8") for p in sorted(Path(str(folder)).glob("*.pgn"))]
    trees = games(texts)
    loads = case.counter.chapters()
    assert [one.chapter for one in loads] == [tree.headers["Event"] for tree in trees]
    met: set[bytes] = set()
    for one, tree in zip(loads, trees, strict=True):
        own = own_positions(tree, chess.WHITE)
        assert (one.load.moves, one.load.new_moves) == (len(own), len(own - met))
        met |= own
    whole = case.counter.whole()
    assert whole.moves == len(met) == sum(one.load.new_moves for one in loads)
    assert sum(one.load.lines for one in loads) == whole.lines == len(case.paths)
    fresh = [s for one in loads for s in one.load.new_structures]
    assert len(set(fresh)) == len(fresh) and set(fresh) == set(whole.structures)
    assert whole.transposed > 0


def test_demo_groups() -> None:
    case = demo()
    found = groups(case.book, case.verdicts, case.paths, case.side)
    loads = case.counter.groups(found)
    assert [one.group for one in loads] == list(range(len(found)))
    whole = case.counter.whole()
    assert sum(one.load.lines for one in loads) == whole.lines
    assert sum(one.load.new_moves for one in loads) == whole.moves
    for one in loads:
        nodes = {n for leaf in found.groups[one.group].lines for n in case.book.line(leaf)}
        positions = case.book.positions
        assert positions is not None
        own = {positions[case.book.parent[n]] for n in nodes if case.book.ply[n] % 2 == 1}
        assert one.load.moves == len(own)
    backwards = case.counter.groups(found, range(len(found) - 1, -1, -1))
    assert backwards[0].load.new_moves == backwards[0].load.moves == loads[-1].load.moves
    assert [one.load.moves for one in backwards[::-1]] == [one.load.moves for one in loads]


@st.composite
def repertoires(draw: st.DrawFn) -> list[str]:
    texts = []
    for _ in range(draw(st.integers(1, 3))):
        game = chess.pgn.Game()
        nodes: list[chess.pgn.GameNode] = [game]
        for _ in range(draw(st.integers(0, 40))):
            node = nodes[-1] if draw(st.booleans()) else draw(st.sampled_from(nodes))
            # Few moves, so that lines meet again.
            moves = sorted(node.board().legal_moves, key=chess.Move.uci)[:4]
            moves = [move for move in moves if not node.has_variation(move)]
            if moves:
                nodes.append(node.add_variation(draw(st.sampled_from(moves))))
        texts.append(str(game) + "\n\n")
    return texts


@settings(max_examples=60)
@given(repertoires(), st.sampled_from(["white", "black"]))
def test_any_repertoire(texts: list[str], side: str) -> None:
    case = Case(texts, side)
    colour = chess.WHITE if side == "white" else chess.BLACK
    trees = games(texts)
    met: set[bytes] = set()
    for one, tree in zip(case.counter.chapters(), trees, strict=True):
        own = own_positions(tree, colour)
        assert (one.load.moves, one.load.new_moves) == (len(own), len(own - met))
        assert 0 <= one.load.transposed <= one.load.moves
        met |= own
    whole = case.counter.whole()
    assert whole.moves == len(met)
    for node in range(1, len(case.book)):
        if case.book.parent[node] >= 0 and node % 5 == 0:
            load = case.counter.branch(node).load
            assert load.new_moves <= load.moves <= whole.moves
            assert set(load.new_structures) <= set(load.structures) <= set(whole.structures)
