"""Transpositions: against a graph of positions that networkx and python-chess build."""

from __future__ import annotations

import io

import chess
import chess.pgn
import networkx as nx
import pytest
from hypothesis import given
from repertoires import demo, random_texts, read

from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.repertoire import Comment, Repertoire
from pawnlore.structures.repertoire_side import given_side, infer_side
from pawnlore.structures.transpositions import (
    Ancestry,
    NoPositions,
    contradictions,
    double_comments,
    joins,
    pointers,
    stopped_short,
)


class Graph(chess.pgn.BaseVisitor[None]):
    """A repertoire as a graph of positions, built without the code under test.

    python-chess parses the text and plays the moves; it tells of them in reading
    order, so that nodes have the same numbers here. A position is its EPD, in
    which en passant stands only where it is legal.
    """

    def __init__(self) -> None:
        self.moves = nx.DiGraph()
        self.tree = nx.DiGraph()
        self.position: list[str] = []
        self.nodes: dict[str, list[int]] = {}
        self._node = 0
        self._left: list[int] = []

    def visit_board(self, board: chess.Board) -> None:
        if not self._open:
            self._open = True
            self._add(board, None)

    def begin_headers(self) -> None:
        self._open = False

    def visit_move(self, board: chess.Board, move: chess.Move) -> None:
        after = board.copy(stack=False)
        after.push(move)
        self._add(after, self._node)

    def begin_variation(self) -> None:
        self._left.append(self._node)
        (self._node,) = self.tree.predecessors(self._node)

    def end_variation(self) -> None:
        self._node = self._left.pop()

    def handle_error(self, error: Exception) -> None:
        raise error

    def result(self) -> None:
        return None

    def _add(self, board: chess.Board, above: int | None) -> None:
        epd = board.epd(en_passant="legal")
        self._node = len(self.position)
        self.position.append(epd)
        self.nodes.setdefault(epd, []).append(self._node)
        self.tree.add_node(self._node)
        if above is not None:
            self.tree.add_edge(above, self._node)
            self.moves.add_edge(self.position[above], epd)


def graph(text: str) -> Graph:
    built, stream = Graph(), io.StringIO(text)
    games = text.count("[Event ")
    for _ in range(games):
        chess.pgn.read_game(stream, Visitor=lambda: built)
    return built


def expected_joins(built: Graph) -> int:
    """The ways into positions beyond the first one, less the repetitions on one line."""
    count = 0
    seen: dict[str, set[str | None]] = {}
    for node in range(len(built.position)):
        epd = built.position[node]
        above = next(iter(built.tree.predecessors(node)), None)
        way = None if above is None else built.position[above]
        known = seen.setdefault(epd, set())
        first = built.nodes[epd][0]
        if (
            way is not None
            and way not in known
            and node != first
            and not nx.has_path(built.tree, first, node)
        ):
            count += 1
        known.add(way)
    return count


@given(random_texts)
def test_joins_against_an_independent_count(text: str) -> None:
    book, built = read(text), graph(text)
    assert len(built.position) == len(book)
    found = joins(book)
    assert len(found) == expected_joins(built)
    for join in found:
        assert built.position[join.node] == built.position[join.earlier]
        assert built.nodes[built.position[join.node]][0] == join.earlier < join.node
        assert join.stops == (built.tree.out_degree(join.node) == 0)
        # Whether somebody goes on from the position, whoever it is.
        onward = any(built.tree.out_degree(n) for n in built.nodes[built.position[join.node]])
        assert join.goes_on == onward
    assert [join.node for join in found] == sorted({join.node for join in found})


def test_joins_of_a_repertoire_without_repetitions_are_the_graphs_extra_edges() -> None:
    # In a graph without cycles, each position beyond the start has one way in
    # for its first node and one for each join: edges - (positions - 1).
    text = """[Event "A"]

    1. d4 (1. c4 e6 2. d4 d5 3. Nc3) (1. Nf3 d5 2. d4) 1... d5 (1... e6 2. c4 d5)
    2. c4 (2. Nf3 Nf6 3. c4) 2... e6 3. Nf3 (3. Nc3) 3... Nf6 *

    """
    built = graph(text)
    assert nx.is_directed_acyclic_graph(built.moves)
    extra = built.moves.number_of_edges() - (built.moves.number_of_nodes() - 1)
    assert len(joins(read(text))) == extra > 0


@given(random_texts)
def test_lines_that_stop_where_another_goes_on(text: str) -> None:
    book, built = read(text), graph(text)
    expected = {}
    for leaf in (node for node in built.tree if built.tree.out_degree(node) == 0):
        onward = [n for n in built.nodes[built.position[leaf]] if built.tree.out_degree(n)]
        if onward and not nx.has_path(built.tree, onward[0], leaf):
            expected[leaf] = onward[0]
    assert pointers(book) == expected
    white = given_side(book, "white")
    for stop in stopped_short(book, white):
        assert expected[stop.leaf] == stop.goes_on
        turn = chess.Board(built.position[stop.leaf] + " 0 1").turn
        assert stop.author_to_move == (turn == chess.WHITE)


@given(random_texts)
def test_answers_against_the_graph(text: str) -> None:
    book, built = read(text), graph(text)
    for name, colour in (("white", " w "), ("black", " b ")):
        expected = {
            epd: set(built.moves.successors(epd))
            for epd in built.moves
            if colour in epd and built.moves.out_degree(epd) > 1
        }
        found = {
            built.position[one.node]: {built.position[answer] for answer in one.answers}
            for one in contradictions(book, given_side(book, name))
        }
        assert found == expected


@given(random_texts)
def test_ancestry_against_paths_in_the_tree(text: str) -> None:
    book, built = read(text), graph(text)
    kin = Ancestry(book)
    for node in range(0, len(book), 3):
        below = nx.descendants(built.tree, node) | {node}
        assert {other for other in range(len(book)) if kin.above(node, other)} == below


# Single cases --------------------------------------------------------------------------


def moves(book: Repertoire, nodes: tuple[int, ...]) -> list[str]:
    return [book.moves[node] for node in nodes]


def test_the_same_move_order_in_two_games_is_no_join() -> None:
    text = '[Event "A"]\n\n1. d4 d5 2. c4 *\n\n[Event "B"]\n\n1. d4 d5 2. c4 e6 *\n\n'
    assert joins(read(text)) == []
    assert pointers(read(text)) == {3: 7}


def test_a_repetition_is_no_join() -> None:
    book = read("1. Nf3 Nf6 2. Ng1 Ng8 3. Nf3 Nf6 *")
    assert joins(book) == []
    assert pointers(book) == {}


def test_castling_rights_and_en_passant_tell_positions_apart() -> None:
    # The rook has been out: the pieces stand alike, the right to castle is gone.
    rook = read("1. h4 h5 (1... a6 2. Rh3 a5 3. Rh1 h5) 2. a3 a6 3. a4 a5 *")
    assert joins(rook) == []
    # 3 e5 d5 may be taken en passant, 2...d6 3 e5 cannot be followed by it.
    passing = read("1. e4 a6 2. e5 d5 (2... d6 3. a3 d5) 3. a3 *")
    assert joins(passing) == []


def test_a_line_into_a_set_up_position_joins_it() -> None:
    fen = "rnbqkbnr/ppp1pppp/8/3p4/3P4/8/PPP1PPPP/RNBQKBNR w KQkq - 0 2"
    text = f'[Event "A"]\n[FEN "{fen}"]\n\n2. c4 *\n\n[Event "B"]\n\n1. d4 d5 *\n\n'
    (join,) = joins(read(text))
    assert (join.earlier, join.stops, join.goes_on) == (0, True, True)


def test_contradictions_tell_lines_from_alternatives() -> None:
    apart = read("1. d4 Nf6 *\n\n", "1. e4 e5 *\n\n")
    (one,) = contradictions(apart, given_side(apart, "white"))
    assert moves(apart, one.answers) == ["d4", "e4"]
    assert one.apart
    together = read("1. d4 (1. e4) *")
    (one,) = contradictions(together, given_side(together, "white"))
    assert not one.apart
    assert contradictions(together, given_side(together, "black")) == []


def test_a_contradiction_across_a_transposition() -> None:
    book = read("1. d4 d5 (1... e6 2. c4 d5 3. Nf3) 2. c4 e6 3. Nc3 *")
    (one,) = contradictions(book, given_side(book, "white"))
    assert moves(book, one.answers) == ["Nf3", "Nc3"]
    assert one.apart


def test_double_comments() -> None:
    text = "1. d4 d5 (1... e6 2. c4 d5 {one  view}) 2. c4 e6 {another} *"
    book = read(text)
    (one,) = double_comments(book)
    assert moves(book, one.nodes) == ["d5", "e6"]
    assert double_comments(read(text.replace("another", "one view"))) == []
    assert double_comments(book, lambda comment: comment.text == "another") == []


def test_comments_before_a_move_and_before_a_game_introduce() -> None:
    book = read("{an introduction} 1. d4 *\n\n", "{another one} 1. d4 *\n\n")
    assert double_comments(book) == []
    book.comments[1] = [Comment("a"), Comment("ahead", before=True)]
    book.comments[3] = [Comment("a")]
    assert double_comments(book) == []


def test_without_position_keys_people_are_told() -> None:
    book = read_repertoire([io.StringIO("1. d4 *")])
    for look in (joins, pointers, double_comments):
        with pytest.raises(NoPositions, match="position keys"):
            look(book)


def test_an_empty_repertoire() -> None:
    book = read("")
    side = infer_side(book)
    assert joins(book) == contradictions(book, side) == stopped_short(book, side) == []
    assert double_comments(book) == []


# What the README of the demo promises --------------------------------------------------


def test_the_demo_has_nineteen_pointers_and_one_line_that_stops_short() -> None:
    book = demo()
    stops = stopped_short(book, infer_side(book))
    assert sum(not stop.author_to_move for stop in stops) == 19
    (short,) = [stop for stop in stops if stop.author_to_move]
    assert book.moves[short.leaf] == "b6"
    assert book.moves[book.children(short.goes_on)[0]] == "Bg5"


def test_the_demo_has_one_contradiction() -> None:
    book = demo()
    (one,) = contradictions(book, infer_side(book))
    assert one.apart
    assert {(book.game_of(node).chapter, book.moves[node]) for node in one.answers} == {
        ("The Hedgehog evening", "Nf3"),
        ("Modern Benoni: the classical way", "d5"),
    }


def test_the_demo_has_884_positions() -> None:
    book = demo()
    assert book.positions is not None
    assert len(set(book.positions)) == 884
