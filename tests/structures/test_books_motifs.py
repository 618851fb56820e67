"""Motifs as the books describe them.

Each check names its book. The books' words are told from memory, not quoted,
and the boards are drawn here from what the books describe.
"""

from __future__ import annotations

import chess
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.structures.bits import count_bits
from pawnlore.structures.chains import chain_bases, chain_heads, chains
from pawnlore.structures.drawing import batch_from_drawings, both_in_words
from pawnlore.structures.file_states import files_in_words, half_open_files
from pawnlore.structures.holes import camp_holes
from pawnlore.structures.majorities import majorities
from pawnlore.structures.matcher import shipped_matcher
from pawnlore.structures.motifs import (
    backward,
    doubled,
    duos,
    hanging_pawns,
    isolated,
    isolated_couples,
    levers,
    passed,
    rams,
)
from pawnlore.structures.skeleton import Masks, Skeleton, mirror_batch, pack, skeleton_from_board
from pawnlore.structures.spans import attacks
from pawnlore.structures.verdict import HOLDERS

skeletons = st.from_type(Skeleton)

FRENCH_ADVANCE = """
    p p . . . p p p
    . . . . p . . .
    . . p p P . . .
    . . . P . . . .
    . . P . . . . .
    P P . . . P P P
"""
ISOLANI = """
    p p . . . p p p
    . . . . p . . .
    . . . . . . . .
    . . . P . . . .
    . . . . . . . .
    P P . . . P P P
"""
HANGING = """
    p . . . . p p p
    . p . . p . . .
    . . . . . . . .
    . . P P . . . .
    . . . . . . . .
    P . . . . P P P
"""
COUPLE = """
    p . . . . p p p
    . p . . p . . .
    . . . . . . . .
    . . . P . . . .
    . . P . . . . .
    P . . . . P P P
"""


def _after(moves: str) -> Masks:
    board = chess.Board()
    for move in moves.split():
        board.push_san(move)
    return pack([skeleton_from_board(board)])


def _named(masks: Masks) -> tuple[str, str]:
    match = shipped_matcher().match(masks)
    return shipped_matcher().catalogue.ids[match.family[0]], HOLDERS[match.holder[0]]


# C. E. Shannon, "Programming a Computer for Playing Chess", Philosophical
# Magazine 41 (1950). Among the principles of play that he lists is that
# backward, isolated and doubled pawns are weak, and his sample evaluation takes
# half a point for each: -0.5 (D - D' + S - S' + I - I'), with D, S and I the
# doubled, backward and isolated pawns of White and the primed letters Black's.
# He does not define the three; the boards below are common practice, no source.


def _shannon_pawn_term(masks: Masks) -> np.ndarray:
    weak = np.zeros(masks.shape)
    for motif in (doubled, backward, isolated):
        weak += count_bits(motif(masks))
    return np.asarray(-0.5 * (weak[:, 0] - weak[:, 1]))


@pytest.mark.parametrize(
    ("drawing", "white", "black"),
    [
        # No weakness on either side.
        ("pppppppp\n........\n........\n........\n........\nPPPPPPPP", (0, 0, 0), (0, 0, 0)),
        # Doubled c-pawns with a neighbour on the d-file.
        ("ppp..ppp\n...p....\n....p...\n..P.P...\n..PP....\nP....PPP", (2, 0, 1), (0, 0, 0)),
        # A backward d-pawn: its only neighbour has gone past it, e4 watches d5.
        (".p...ppp\np..p....\n....p...\n....P...\n........\nPPP..PPP", (0, 0, 0), (0, 1, 0)),
        # An isolated d-pawn.
        (ISOLANI, (0, 0, 1), (0, 0, 0)),
    ],
)  # fmt: skip
def test_shannon_doubled_backward_and_isolated_pawns(
    drawing: str, white: tuple[int, int, int], black: tuple[int, int, int]
) -> None:
    masks = batch_from_drawings(drawing)
    found = [count_bits(motif(masks))[0].tolist() for motif in (doubled, backward, isolated)]
    assert found == [list(pair) for pair in zip(white, black, strict=True)]
    assert _shannon_pawn_term(masks).tolist() == [-0.5 * (sum(white) - sum(black))]


@given(st.lists(skeletons, min_size=1, max_size=5).map(pack))
def test_shannon_term_changes_sign_with_the_sides(masks: Masks) -> None:
    """His evaluation is a difference of the two sides, so a mirror turns its sign."""
    assert np.array_equal(_shannon_pawn_term(mirror_batch(masks)), -_shannon_pawn_term(masks))


# A. Nimzowitsch, "My System" (1925). The chapter on the pawn chain takes the
# French after e4-e5: White's d4 and e5 stand locked against e6 and d5. The base
# is the pawn that holds the chain up from behind, d4 for White and e6 for
# Black; the attack belongs against the base (...c5 against d4).


def test_nimzowitsch_the_french_chain_has_its_bases_on_d4_and_e6() -> None:
    french = _after("e4 e6 d4 d5 e5 c5 c3")
    assert np.array_equal(french, batch_from_drawings(FRENCH_ADVANCE))
    assert both_in_words(chains(french, locked=True)) == "White d4 e5, Black d5 e6"
    assert both_in_words(chain_bases(french, locked=True)) == "White d4, Black e6"
    assert both_in_words(chain_heads(french, locked=True)) == "White e5, Black d5"


def test_nimzowitsch_c5_attacks_the_base_of_the_chain() -> None:
    french = _after("e4 e6 d4 d5 e5 c5")
    base = chain_bases(french, locked=True)[:, 0]
    assert np.array_equal(attacks(french)[:, 1] & base, base)
    assert both_in_words(levers(french)) == "White d4, Black c5"


def test_the_kings_indian_chain_has_its_bases_on_e4_and_d6() -> None:
    """The same idea on other squares; common practice, no source."""
    indian = _after("d4 Nf6 c4 g6 Nc3 Bg7 e4 d6 Nf3 O-O Be2 e5 O-O Nc6 d5")
    assert both_in_words(chain_bases(indian, locked=True)) == "White e4, Black d6"
    assert both_in_words(chain_heads(indian, locked=True)) == "White d5, Black e5"


# "My System" gives the isolated queen's pawn a chapter and treats the hanging
# pawns with it: the isolani on d4 stands on a half-open file with no neighbour,
# rules e5 and c5 and leaves d5 in front of it to the enemy; the hanging pawns
# come about when c3 and d4 step up to c4 and d4 and stand abreast.


def test_nimzowitsch_the_isolani() -> None:
    masks = batch_from_drawings(ISOLANI)
    assert both_in_words(isolated(masks)) == "White d4, Black none"
    assert files_in_words(half_open_files(masks)[0, 1]) == "d"
    guarded = int(attacks(masks)[0, 0])
    assert guarded & chess.BB_C5
    assert guarded & chess.BB_E5
    assert int(camp_holes(masks)[0, 0]) & chess.BB_D4, "no pawn can guard the isolani"
    assert _named(masks) == ("isolated-queen-pawn", "white")
    assert _named(mirror_batch(masks)) == ("isolated-queen-pawn", "black")


def test_nimzowitsch_the_hanging_pawns_grow_out_of_the_couple() -> None:
    couple, hanging = batch_from_drawings(COUPLE), batch_from_drawings(HANGING)
    assert both_in_words(isolated_couples(couple)) == "White c3 d4, Black none"
    assert both_in_words(hanging_pawns(couple)) == "White none, Black none"
    assert both_in_words(hanging_pawns(hanging)) == "White c4 d4, Black none"
    assert both_in_words(isolated_couples(hanging)) == "White none, Black none"
    assert _named(couple) == ("isolated-pawn-couple", "white")
    assert _named(hanging) == ("hanging-pawns", "white")


def test_nimzowitsch_hanging_pawns_stand_on_files_half_open_for_the_enemy() -> None:
    masks = batch_from_drawings(HANGING)
    assert files_in_words(half_open_files(masks)[0, 1]) == "c d"
    assert not np.any(chains(masks)[:, 0] & hanging_pawns(masks)[:, 0]), "neither guards the other"


def test_nimzowitsch_a_passed_pawn_has_no_enemy_ahead_on_three_files() -> None:
    """The chapter on the passed pawn: free is the pawn with nothing hostile ahead or beside."""
    masks = batch_from_drawings(
        """
        p . . . . . p p
        . . . . . . . .
        . P . . p . . .
        . . . . . P . .
        . . . . . . . .
        . . . . . . P P
        """
    )
    assert both_in_words(passed(masks)) == "White none, Black none"
    assert both_in_words(passed(masks & ~np.uint64(chess.BB_A7))) == "White b5, Black none"


# H. Kmoch, "Pawn Power in Chess" (1959), names the elements of pawn play. A
# lever: a white and a black pawn that can capture each other. A ram: a white and
# a black pawn that stand on one file and block each other. A duo: two pawns of
# one side next to each other on a rank, which guard the squares before them.


@pytest.mark.parametrize(
    ("moves", "lever", "ram", "duo"),
    [
        # 1.e4 d5 is a lever.
        ("e4 d5", "White e4, Black d5", "White none, Black none", ""),
        # 1.e4 e5 is a ram.
        ("e4 e5", "White none, Black none", "White e4, Black e5", ""),
        # The French Advance: two rams side by side, and ...c5 adds a lever.
        ("e4 e6 d4 d5 e5 c5", "White d4, Black c5", "White d4 e5, Black d5 e6", "c5 d5"),
        # The Queen's Gambit: c4 makes a duo with d4 and a lever with d5.
        ("d4 d5 c4", "White c4, Black d5", "White d4, Black d5", "c4 d4"),
    ],
)
def test_kmoch_lever_ram_and_duo(moves: str, lever: str, ram: str, duo: str) -> None:
    masks = _after(moves)
    assert both_in_words(levers(masks)) == lever
    assert both_in_words(rams(masks)) == ram
    if duo:
        off_home = masks & duos(masks) & ~np.uint64(chess.BB_RANK_2 | chess.BB_RANK_7)
        assert duo in both_in_words(off_home)


@given(skeletons)
def test_kmoch_a_lever_is_a_mutual_capture(skeleton: Skeleton) -> None:
    """Every pawn of a lever can capture, and be captured by, a pawn (python-chess's moves)."""
    found = levers(pack([skeleton]))[0].tolist()
    board = chess.Board(None)
    for side in (0, 1):
        for square in chess.scan_forward(skeleton[side]):
            board.set_piece_at(square, chess.Piece(chess.PAWN, side == 0))
    for side, colour in ((0, chess.WHITE), (1, chess.BLACK)):
        board.turn = colour
        captures = [m for m in board.generate_pseudo_legal_moves() if board.is_capture(m)]
        assert {m.from_square for m in captures} == set(chess.scan_forward(found[side]))
        assert {m.to_square for m in captures} == set(chess.scan_forward(found[1 - side]))


@given(skeletons)
def test_kmoch_a_ram_is_a_mutual_block(skeleton: Skeleton) -> None:
    white, black = rams(pack([skeleton]))[0].tolist()
    assert white << 8 == black
    expected = {
        square
        for square in chess.scan_forward(skeleton.white)
        if skeleton.black >> (square + 8) & 1
    }
    assert set(chess.scan_forward(white)) == expected


@given(skeletons)
def test_kmoch_a_duo_guards_the_squares_before_it(skeleton: Skeleton) -> None:
    masks = pack([skeleton])
    for side, step in ((0, 8), (1, -8)):
        guarded = int(attacks(masks)[0, side])
        for square in chess.scan_forward(int(duos(masks)[0, side])):
            assert guarded >> (square + step) & 1, "the pawn's neighbour guards its stop square"


def test_kmoch_a_duo_is_broken_when_one_of_it_advances() -> None:
    masks = batch_from_drawings(HANGING)
    advanced = masks ^ np.array([[chess.BB_D4 | chess.BB_D5, 0]], dtype=np.uint64)
    before, after = int(duos(masks)[0, 0]), int(duos(advanced)[0, 0])
    assert before & chess.BB_C4
    assert not after & (chess.BB_C4 | chess.BB_D5)
    assert both_in_words(chains(advanced)).startswith("White c4 d5"), "a chain takes its place"


# Common practice, no source: the Carlsbad structure gives Black the queenside
# majority, against which White's minority attack goes.


def test_carlsbad_majority_and_half_open_files() -> None:
    masks = batch_from_drawings(
        """
        p p . . . p p p
        . . p . . . . .
        . . . p . . . .
        . . . P . . . .
        . . . . P . . .
        P P . . . P P P
        """
    )
    white, black = majorities(masks)[0].tolist()
    assert (white, black) == ([False, True, False], [True, False, False])
    assert [files_in_words(files) for files in half_open_files(masks)[0]] == ["c", "e"]
    assert _named(masks) == ("carlsbad", "white")
