"""The tree of breaks: where pawns go, on a board and in a repertoire."""

from __future__ import annotations

import io
from pathlib import Path

import chess
import pytest
from hypothesis import given
from repertoires import by_cores

from pawnlore.structures.break_on_board import ILLEGAL, IN_THE_WAY, LATER, NEXT, NOW
from pawnlore.structures.break_practice import NO_SQUARE, pawn_moves
from pawnlore.structures.breaks import BreakTree, Prospect, break_tree
from pawnlore.structures.distinct_verdicts import distinct_verdicts
from pawnlore.structures.pawn_levers import CAPTURE, PIECE, PUSH
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.query_position import QueryPosition, query_position
from pawnlore.structures.recaptures import STANDS
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.skeleton import Skeleton, SkeletonError

DEMO = sorted((Path(__file__).resolve().parents[2] / "labelled_demo" / "repertoire").glob("*.pgn"))
CARLSBAD = "r1bqrnk1/pp2bppp/2p2n2/3p2B1/3P4/2NBPN2/PPQ2PPP/1R3RK1 b - - 1 11"


def tree_of(text: str) -> BreakTree:
    return break_tree(query_position(text), by_cores)


def named(tree: BreakTree, text: str) -> Prospect:
    return next(p for p in tree.prospects if p.pawn_break.text == text)


def test_the_side_to_move_comes_first_and_the_centre_before_the_wings() -> None:
    told = [p.pawn_break.text for p in tree_of(CARLSBAD).prospects]
    assert told == ["...c6-c5", "...f7-f5-f4", "e3-e4", "b2-b4-b5"]


def test_the_board_says_what_can_be_played() -> None:
    tree = tree_of(CARLSBAD)
    states = {p.pawn_break.text: p.board.state for p in tree.prospects if p.board}
    assert states == {
        "...c6-c5": NOW,
        "...f7-f5-f4": IN_THE_WAY,
        "e3-e4": NEXT,
        "b2-b4-b5": LATER,
    }
    knight = named(tree, "...f7-f5-f4").board
    assert knight is not None and knight.reason == "Black's own knight on f6"


def test_a_pinned_pawn_makes_no_break() -> None:
    tree = tree_of("4k3/8/8/3p4/7b/8/5P2/4K3 w - - 0 1")
    assert not any(p.board and p.board.playable for p in tree.prospects if p.pawn_break.color)
    pinned = tree_of("4k3/8/6p1/8/7b/8/5P2/4K3 w - - 0 1")
    f5 = [p for p in pinned.prospects if p.pawn_break.landing == chess.F5]
    assert [p.board.state for p in f5 if p.board] == [ILLEGAL]
    assert [p.board.reason for p in f5 if p.board] == ["the pawn is pinned"]


def test_a_bare_skeleton_has_no_board() -> None:
    tree = tree_of("8/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/8")
    assert tree.board is None
    assert all(p.board is None for p in tree.prospects)
    assert all(b.legal is None for p in tree.prospects for b in p.branches)
    assert [p.pawn_break.color for p in tree.prospects] == [True, True, False, False]


def test_the_isolani_dissolves_itself() -> None:
    """d4-d5 is the freeing break of the isolani; common practice, no source."""
    tree = tree_of("8/pp3ppp/4p3/8/3P4/8/PP3PPP/8")
    push = named(tree, "d4-d5")
    changes = {b.outcome.text: b.changes for b in push.branches}
    assert changes["...exd5, a piece takes back"] == "White: no more isolated on the d-file"


def test_a_retaking_choice_is_shown() -> None:
    """After Bxc3 the b- or the d-pawn takes back, and the structures differ."""
    board = "rnbqk2r/pppp1ppp/4pn2/8/2PP4/2b1P3/PP3PPP/R1BQKBNR w KQkq - 0 5"
    tree = tree_of(board)
    takes = [p for p in tree.prospects if p.pawn_break.kind == PIECE]
    assert [p.pawn_break.text for p in takes] == ["bxc3"]
    stands = takes[0].branches[0]
    assert stands.outcome.ending == STANDS
    assert stands.verdict.structure == "doubled-c-pawns"
    assert "c3 c4 doubled" in stands.changes


def test_capture_in_passing_only_where_it_is_allowed() -> None:
    with_right = tree_of("4k3/8/8/2pP4/8/8/8/4K3 w - c6 0 2")
    without = tree_of("4k3/8/8/2pP4/8/8/8/4K3 w - - 0 2")
    captures = [p for p in with_right.prospects if p.pawn_break.kind == CAPTURE]
    assert [p.pawn_break.text for p in captures] == ["dxc6"]
    assert not [p for p in without.prospects if p.pawn_break.kind == CAPTURE]
    assert captures[0].branches
    assert all(b.outcome.skeleton == Skeleton(0, 0) for b in captures[0].branches)


@given(...)
def test_the_tree_is_bounded_and_always_the_same(skeleton: Skeleton) -> None:
    tree = break_tree(QueryPosition(skeleton, None), by_cores)
    assert tree == break_tree(QueryPosition(skeleton, None), by_cores)
    assert len(tree.prospects) <= 2 * 8 * 5
    for prospect in tree.prospects:
        told = prospect.pawn_break
        named_anew = any(b.verdict.settled for b in prospect.branches)
        assert told.kind != PUSH or named_anew or told.leaves_tension or _passer(tree, told.path[0])


def _passer(tree: BreakTree, start: int) -> bool:
    white = bool(tree.skeleton.white >> start & 1)
    foe = tree.skeleton.black if white else tree.skeleton.white
    file, rank = chess.square_file(start), chess.square_rank(start)
    ahead = [
        square
        for square in chess.scan_forward(foe)
        if abs(chess.square_file(square) - file) <= 1
        and (chess.square_rank(square) > rank if white else chess.square_rank(square) < rank)
    ]
    return not ahead


@pytest.fixture(scope="module")
def demo() -> Repertoire:
    return read_repertoire(DEMO)


def test_the_author_s_lines_are_counted_as_walking_them_counts(demo: Repertoire) -> None:
    query = query_position(CARLSBAD)
    verdicts = distinct_verdicts(demo, by_cores)
    tree = break_tree(query, by_cores, demo, verdicts)
    masks = demo.masks.tolist()
    names = verdicts.every_node()
    here = [line for line in demo.lines() if list(query.skeleton) in [masks[n] for n in line]]
    held = [
        line
        for line in demo.lines()
        if any(
            names.structure(n) == tree.verdict.structure and names[n].holder == "white"
            for n in line
        )
    ]
    assert tree.lines == len(here) > 0
    assert tree.structure_lines == len(held) > len(here)

    for prospect in tree.prospects:
        told = prospect.pawn_break
        landing = chess.square_name(told.landing)
        count, reached = 0, dict.fromkeys((b.outcome.skeleton for b in prospect.branches), 0)
        for line in here:
            start = next(i for i, n in enumerate(line) if masks[n] == list(query.skeleton))
            # SAN of a push is the square alone.
            after = [
                i
                for i, n in enumerate(line)
                if i > start
                and demo.moves[n].rstrip("+#") == landing
                and (demo.ply[demo.parent[n]] % 2 == 0) == told.color
            ]
            count += bool(after)
            seen = {Skeleton(*masks[n]) for n in line[after[0] :]} if after else set()
            for skeleton in reached:
                reached[skeleton] += skeleton in seen
        assert prospect.played == count
        assert [(b.outcome.skeleton, b.lines) for b in prospect.branches] == [
            (b.outcome.skeleton, reached[b.outcome.skeleton]) for b in prospect.branches
        ]
    b5 = named(tree, "b2-b4-b5")
    assert b5.played and b5.example is not None and demo.moves[b5.example] == "b5"


def test_pawn_moves_are_those_of_the_moves_in_san(demo: Repertoire) -> None:
    moves = pawn_moves(demo)
    for node, san in enumerate(demo.moves):
        pawn = bool(san) and san[0] in "abcdefgh"
        assert (moves.end[node] != NO_SQUARE) == (pawn and "=" not in san)
        if moves.end[node] != NO_SQUARE:
            target = san.rstrip("+#")[-2:]
            assert chess.square_name(int(moves.end[node])) == target
            assert chess.FILE_NAMES[moves.start[node] & 7] == san[0]
            assert moves.white[node] == (demo.ply[demo.parent[node]] % 2 == 0)


def test_an_empty_repertoire_has_no_pawn_moves() -> None:
    assert pawn_moves(Repertoire()).end.shape == (0,)


def test_counts_of_a_small_repertoire() -> None:
    book = read_repertoire(
        [io.StringIO("1. d4 d5 2. c4 e6 (2... c6 3. cxd5 cxd5) 3. cxd5 (3. Nc3 c5) exd5 *")]
    )
    query = query_position("8/ppp1pppp/8/3p4/2PP4/8/PP2PPPP/8")
    tree = break_tree(query, by_cores, book, distinct_verdicts(book, by_cores))
    assert tree.lines == 3
    takes = named(tree, "cxd5")
    assert takes.played == 2
    # Each was prepared by another pawn, and that is told apart.
    assert {b.outcome.text: b.lines for b in takes.branches} == {
        "a piece takes back": 0,
        "...cxd5 (...c6 played first)": 1,
        "...exd5 (...e6 played first)": 1,
    }
    assert named(tree, "...dxc4").played == 0


def test_a_bad_position_is_refused() -> None:
    with pytest.raises(SkeletonError, match="2 ranks"):
        query_position("8/8")
    with pytest.raises(SkeletonError, match="2 kings"):
        query_position("kk6/8/8/8/8/8/8/7K w - - 0 1")
