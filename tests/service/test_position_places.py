"""Where a repertoire has a position, against a look at every board of it."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path

import chess
import pytest
from repertoires import read

from pawnlore import labelled_demo
from pawnlore.service.position_places import PositionPlaces
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.replay import Replay

DEMO = sorted((Path(labelled_demo.__file__).parent / "repertoire").glob("*.pgn"))


@pytest.fixture(scope="module")
def book() -> Repertoire:
    return read_repertoire([str(path) for path in DEMO], with_keys=True)


def test_every_position_of_the_demo_is_found_at_all_its_nodes(book: Repertoire) -> None:
    """Positions are told apart by the EPD that python-chess writes, not by our keys."""
    replay, nodes = Replay(book), defaultdict(list)
    boards: dict[str, chess.Board] = {}
    for node in range(len(book)):
        board = replay.board(node)
        nodes[board.epd()].append(node)
        boards.setdefault(board.epd(), board.copy(stack=False))
    places = PositionPlaces(book)
    assert any(len(found) > 3 for found in nodes.values())
    for epd, board in boards.items():
        found = places.of(board)
        assert list(found.nodes) == nodes[epd]
        assert found.complete
        below = [child for node in nodes[epd] for child in book.children(node)]
        assert [one.san.rstrip("+#") for one in found.moves] == list(
            dict.fromkeys(book.moves[child].rstrip("+#") for child in below)
        )
        # Each line that passes the position goes on with one move, or ends there.
        ends = sum(not book.children(node) for node in nodes[epd])
        assert sum(one.lines for one in found.moves) + ends == found.lines


def test_the_order_of_moves_does_not_matter(book: Repertoire) -> None:
    one, other = chess.Board(), chess.Board()
    for move in ("d4", "d5", "c4", "e6", "Nc3", "Nf6"):
        one.push_san(move)
    for move in ("c4", "e6", "Nc3", "Nf6", "d4", "d5"):
        other.push_san(move)
    places = PositionPlaces(book)
    assert places.of(one).nodes and places.of(one) == places.of(other)


def test_a_game_that_begins_with_black_to_move_is_found() -> None:
    game = (
        '[SetUp "1"]\n[FEN "4k3/2p5/8/8/3P4/8/8/4K3 b - - 0 31"]\n\n31... c5 32. d5 (32. dxc5) *\n'
    )
    book = read(game)
    board = chess.Board("4k3/2p5/8/8/3P4/8/8/4K3 b - - 0 31")
    places = PositionPlaces(book)
    assert places.of(board).nodes == (0,)
    board.push_san("c5")
    assert [(one.san, one.lines) for one in places.of(board).moves] == [("d5", 1), ("dxc5", 1)]
    board.turn = chess.BLACK
    assert places.of(board).nodes == ()


def test_a_position_that_is_not_there_is_nowhere(book: Repertoire) -> None:
    board = chess.Board()
    board.push_san("a4")
    assert PositionPlaces(book).of(board).nodes == ()
    # The same pawns, but a piece elsewhere.
    board = chess.Board()
    board.push_san("Na3")
    assert PositionPlaces(book).of(board).nodes == ()
