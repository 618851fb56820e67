"""Move order: swaps of the author's consecutive moves.

Outside sources: python-chess for what is legal, for captures and for the
position at the end. That 1.d4 Nf6 2.c4 g6 3.e4 loses a pawn to 3...Nxe4 while
3.Nc3 and 4.e4 does not is common practice, no source; so is a3 before b4
against a bishop on e7 or d6, and h3 before g4 against a bishop on c8.
"""

from __future__ import annotations

import io
from importlib.resources import files

import chess
import chess.pgn
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from repertoires import by_cores

from pawnlore.structures.move_order import (
    ALLOWS,
    BREAK,
    CAPTURE,
    ILLEGAL,
    KINDS,
    NEEDS_FIRST,
    NEEDS_REPLY,
    NOT_AFTER,
    OTHER,
    REPLY,
    SAME_PIECE,
    STRUCTURE,
    TRANSPOSES,
    MoveOrders,
    Swap,
    chances,
    move_orders,
    swap_words,
)
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.position_key import position_key
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_side import given_side


def read(text: str) -> Repertoire:
    return read_repertoire([io.StringIO(text)], with_keys=True)


def swaps(text: str, side: str = "white") -> tuple[Repertoire, MoveOrders]:
    book = read(text)
    assert not book.problems
    return book, move_orders(book, by_cores, given_side(book, side))


def last(text: str, side: str = "white") -> Swap:
    return swaps(text, side)[1].swaps[-1]


@pytest.mark.parametrize(
    ("text", "kind", "needs"),
    [
        ("1. d4 d5 2. Nf3 *", TRANSPOSES, ""),
        ("1. Nf3 d5 2. Ng5 *", ILLEGAL, SAME_PIECE),
        ("1. e4 e5 2. Bc4 *", ILLEGAL, NEEDS_FIRST),
        ("1. Nc3 d5 2. Nxd5 *", ILLEGAL, SAME_PIECE),
        ("1. e4 d5 2. Nc3 dxe4 3. Nxe4 *", ILLEGAL, SAME_PIECE),
        # The prey comes with the reply: exd5 makes no sense (and is not there) before.
        ("1. e4 e6 2. d4 d5 3. exd5 *", ILLEGAL, NEEDS_REPLY),
        # Qd5 at once would be possible, but there is nothing yet to take.
        ("1. d4 e5 2. dxe5 d6 3. Qxd6 *", ILLEGAL, NEEDS_FIRST),
        # After e3 the bishop on c1 cannot come out to g5 any more.
        ("1. d4 d5 2. Bg5 h6 3. e3 *", ILLEGAL, NOT_AFTER),
        # 2...dxc4 takes what c4 offered.
        ("1. d4 d5 2. c4 dxc4 3. e3 *", REPLY, ""),
        # One castles first, and the rook is elsewhere.
        ("1. Nf3 d5 2. g3 c6 3. Bg2 Bg4 4. O-O e6 5. d3 *", TRANSPOSES, ""),
    ],
)
def test_kinds(text: str, kind: str, needs: str) -> None:
    one = last(text)
    assert (one.kind, one.needs) == (kind, needs)


def test_captures_that_only_the_other_order_allows() -> None:
    book, found = swaps("1. d4 Nf6 2. c4 g6 3. Nc3 Bg7 4. e4 *")
    one = found.swaps[-1]
    assert one.kind in (ALLOWS, STRUCTURE) and one.other == "e4" and not one.obvious
    assert [(a.move, a.kind, a.gain) for a in one.allows] == [("Nxe4", CAPTURE, 1)]
    assert swap_words(book, one).startswith(
        "3.Nc3 first, only then 4.e4: e4 at once allows ...Nxe4, which wins a pawn"
    )
    assert found.worth_telling()[-1] == one


def test_it_works_for_black_too() -> None:
    text = "1. e4 c5 2. Nf3 a6 3. Nc3 b5 *"
    # ...a6 guards b5: without it the bishop takes.
    one = last(text, "black")
    assert one.other == "b5" and [a.move for a in one.allows] == ["Bxb5"]
    book = read(text)
    assert swap_words(book, one) == (
        "2...a6 first, only then 3...b5: b5 at once allows Bxb5, which wins a pawn."
    )


def test_breaks_and_the_structure_that_they_make() -> None:
    # With the black knight still at home, 4...d5 is there if White has not played e4.
    text = "1. d4 Nf6 2. c4 g6 3. Nc3 Bg7 4. e4 d6 5. Nf3 *"
    one = last(text)
    assert [(a.move, a.kind) for a in one.allows] == [("d5", BREAK)]
    after = one.allows[0].verdict
    assert after is not None
    board = chess.Board()
    for san in ("d4", "Nf6", "c4", "g6", "Nc3", "Bg7", "Nf3", "d5"):
        board.push_san(san)
    mask = np.array([[int(board.pieces(chess.PAWN, c)) for c in (True, False)]], dtype=np.uint64)
    expected = by_cores(mask)[0]
    assert (after.structure, after.holder) == (expected.structure, expected.holder)
    assert one.kind == (STRUCTURE if after.settled else ALLOWS)


def test_taking_back_is_no_question_of_order() -> None:
    text = "1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. Bxf6 Bxf6 7. Nxd5 *"
    assert swaps("1. e4 d5 2. exd5 Qxd5 3. Nc3 Qe5+ 4. Be2 *")[1].swaps
    taken_back = last("1. d4 d5 2. c4 dxc4 3. Nf3 b5 4. a4 bxa4 5. Rxa4 *")
    assert taken_back.obvious
    assert swaps(text)[1].swaps[-1].kind in KINDS


def test_what_the_reply_gave_up_is_not_blamed_on_the_order() -> None:
    # 3.d5 before 2.Nf3 would meet ...e6 or ...c6, as it does after both moves.
    one = last("1. d4 Nf6 2. Nf3 c5 3. d5 *")
    assert not [a for a in one.allows if a.move in ("e6", "c6")]


def test_a_trade_is_no_gain() -> None:
    # 3.cxd5 at once is answered by a capture that only takes back.
    one = last("1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 *")
    assert all(a.gain == 0 for a in one.allows)


def test_both_orders_in_one_repertoire() -> None:
    book, found = swaps("1. d4 (1. Nf3 d5 2. d4) 1... d5 2. Nf3 *")
    assert [(s.kind, book.moves[s.played or 0]) for s in found.swaps] == [
        (TRANSPOSES, "d4"), (TRANSPOSES, "Nf3"),
    ]  # fmt: skip


def test_pairs_through_equal_positions_are_told_once_and_the_limit_counts() -> None:
    text = "1. d4 d5 2. c4 e6 3. Nc3 Nf6 *\n\n"
    twice = '[Event "a"]\n\n' + text + '[Event "b"]\n\n' + text
    book, found = swaps(twice)
    assert len(found.swaps) == 2 and found.left_out == 0
    cut = move_orders(book, by_cores, given_side(book, "white"), most=1)
    assert cut.swaps == found.swaps[:1] and cut.left_out == 1
    bare = read_repertoire([io.StringIO(twice)])
    assert len(move_orders(bare, by_cores, given_side(bare, "white")).swaps) == 4
    counted = found.counts()
    assert list(counted) == list(KINDS) and sum(counted.values()) == 2


def test_nobody_knows_whose_and_null_moves() -> None:
    book = read("1. d4 -- 2. c4 e6 3. Nc3 *")
    found = move_orders(book, by_cores, given_side(book, "white"))
    assert [book.moves[s.second] for s in found.swaps] == ["Nc3"]
    unknown = read("1. d4 (1. e4 c5 (1... e5)) 1... d5 (1... Nf6) *")
    assert given_side(unknown, "mixed").games == ("mixed",)
    assert move_orders(unknown, by_cores, given_side(unknown, "mixed")) == MoveOrders(())
    empty = read("")
    assert move_orders(empty, by_cores, given_side(empty, "white")).swaps == ()


def test_set_up_positions_with_black_to_move() -> None:
    text = (
        '[SetUp "1"]\n[FEN "4k3/p7/8/8/8/8/P7/4K3 b - - 0 30"]\n\n30... a6 31. a3 Kd7 32. a4 Kc6 *'
    )
    book, found = swaps(text, "black")
    assert [s.kind for s in found.swaps] == [TRANSPOSES, ILLEGAL]
    assert swap_words(book, found.swaps[0]) == "30...a6 and 31...Kd7 can be played in either order."


def test_demo_every_sentence_holds_on_python_chess_boards() -> None:
    folder = files("pawnlore.labelled_demo").joinpath("repertoire")
    entries = sorted((e for e in folder.iterdir() if e.name.endswith(".pgn")), key=lambda e: e.name)
    book = read_repertoire(
        [io.StringIO(e.read_text(encoding="utf-8")) for e in entries], with_keys=True
    )
    found = move_orders(book, by_cores, given_side(book, "white"))
    check(book, found)
    told = [swap_words(book, swap) for swap in found.worth_telling()]
    assert len(set(told)) > 20
    for start in (
        "12.a3 first, only then 13.b4: b4 at once allows ...axb4, which wins a pawn",
        "7.h3 first, only then 8.g4: g4 at once allows ...Bxg4, which wins a pawn",
    ):
        assert any(words.startswith(start) for words in told), start


def check(book: Repertoire, found: MoveOrders) -> None:
    """Every claim of a swap, replayed move by move on boards of python-chess."""
    for swap in found.swaps:
        start = board_at(book, book.parent[swap.first])
        first, reply, second = (book.moves[n] for n in (swap.first, swap.reply, swap.second))
        main = start.copy()
        for san in (first, reply, second):
            main.push_san(san)
        move, answer, later = main.move_stack[-3:]
        swapped = start.copy()
        if swap.needs and swap.needs != NOT_AFTER:
            assert swap.kind == ILLEGAL and not swap.allows
            assert later not in start.legal_moves or not start.is_capture(later)
            continue
        assert later in start.legal_moves
        assert swap.other == ("" if swap.kind == TRANSPOSES else start.san(later))
        swapped.push(later)
        after_first = start.copy()
        after_first.push(move)
        for allowed in swap.allows:
            chance = swapped.parse_san(allowed.move)
            assert (allowed.kind == CAPTURE) == swapped.is_capture(chance)
            assert allowed.gain > chances(after_first, move.to_square,
                                          worth(start, move)).get(chance, -1)  # fmt: skip
            if allowed.kind == BREAK:
                landed = swapped.copy()
                landed.push(chance)
                enemies = landed.pieces(chess.PAWN, landed.turn)
                assert landed.attacks(chance.to_square) & enemies
        possible = answer in swapped.legal_moves
        if not possible:
            assert swap.kind in (REPLY, ALLOWS, STRUCTURE)
            continue
        swapped.push(answer)
        if move not in swapped.legal_moves:
            assert swap.kind == ILLEGAL and swap.needs == NOT_AFTER
            continue
        swapped.push(move)
        same = position_key(swapped) == position_key(main)
        if swap.kind in (TRANSPOSES, OTHER):
            assert (swap.kind == TRANSPOSES) == same and not swap.allows


def worth(board: chess.Board, move: chess.Move) -> int:
    values = {1: 1, 2: 3, 3: 3, 4: 5, 5: 9, 6: 100}
    if not board.is_capture(move):
        return 0
    return values[board.piece_type_at(move.to_square) or chess.PAWN]


def board_at(book: Repertoire, node: int) -> chess.Board:
    game = book.game_of(node)
    board = chess.Board(game.fen) if game.fen else chess.Board()
    for step in book.line(node)[1:]:
        board.push_san(book.moves[step])
    return board


@st.composite
def repertoires(draw: st.DrawFn) -> str:
    """Random legal games with variations, as python-chess writes them."""
    game = chess.pgn.Game()
    nodes: list[chess.pgn.GameNode] = [game]
    for _ in range(draw(st.integers(0, 60))):
        near = draw(st.booleans())
        node = nodes[-1] if near else draw(st.sampled_from(nodes))
        moves = sorted(node.board().legal_moves, key=chess.Move.uci)
        moves = [move for move in moves if not node.has_variation(move)]
        if moves:
            nodes.append(node.add_variation(draw(st.sampled_from(moves))))
    return str(game)


@settings(max_examples=60)
@given(repertoires(), st.sampled_from(["white", "black"]))
def test_any_repertoire(text: str, side: str) -> None:
    book, found = swaps(text, side)
    check(book, found)
    seconds = [swap.second for swap in found.swaps]
    assert seconds == sorted(seconds)
    turn = chess.WHITE if side == "white" else chess.BLACK
    for swap in found.swaps:
        assert book.parent[swap.second] == swap.reply and book.parent[swap.reply] == swap.first
        assert board_at(book, book.parent[swap.first]).turn == turn
        assert swap_words(book, swap).endswith(".")
    # Every pair of the author's moves is there, once for each way through positions.
    assert book.positions is not None
    ways = set()
    for node in range(len(book)):
        line = book.line(node)[-4:]
        if len(line) == 4 and (book.ply[node] % 2 == 1) == (turn == chess.WHITE):
            ways.add(tuple(book.positions[n] for n in line))
    assert len(found.swaps) == len(ways)
