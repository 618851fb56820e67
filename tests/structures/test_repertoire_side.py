"""Whose repertoire it is."""

from __future__ import annotations

import pytest
from hypothesis import given
from repertoires import demo, random_texts, read

from pawnlore.structures.repertoire_side import SIDES, given_side, infer_side

WHITE = (
    '[Event "W"]\n\n1. d4 d5 (1... Nf6 2. c4) (1... f5 2. c4) 2. c4 e6 (2... c6 3. Nf3) '
    "3. Nc3 *\n\n"
)
BLACK = '[Event "B"]\n\n1. e4 (1. d4 d5) (1. c4 e5) 1... e5 2. Nf3 (2. f4 d5) 2... Nc6 *\n\n'


def test_the_side_that_answers_with_one_move() -> None:
    white = infer_side(read(WHITE))
    assert (white.side, white.games) == ("white", ("white",))
    assert white.reason == "Black has alternatives in 2 places, White in none"
    black = infer_side(read(BLACK))
    assert (black.side, black.games) == ("black", ("black",))
    assert black.reason == "White has alternatives in 2 places, Black in none"


def test_two_repertoires_in_one() -> None:
    both = infer_side(read(WHITE + BLACK))
    assert (both.side, both.games) == ("mixed", ("white", "black"))
    assert both.reason == "the chapters differ: 1 for White, 1 for Black"
    assert [both.of_game(0), both.of_game(1)] == ["white", "black"]


def test_where_nothing_branches_the_last_moves_tell() -> None:
    side = infer_side(read("1. d4 d5 2. c4 *\n\n", "1. e4 e5 2. Nf3 *\n\n"))
    assert side.side == "white"
    assert side.reason == "2 of 2 lines end with White's move"
    assert infer_side(read("1. d4 d5 *")).side == "black"


def test_a_line_a_game_is_one_tree() -> None:
    # Every line ends with Black's move, but it is Black who has the choices.
    lines = ("1. e4 e5 2. Nf3 Nc6", "1. e4 c5 2. Nf3 d6", "1. e4 e6 2. d4 d5", "1. e4 c6 2. d4 d5")
    side = infer_side(read("\n\n".join(f"{line} *" for line in lines)))
    assert (side.side, side.games) == ("white", ("white",) * 4)
    assert side.reason == "over all games Black has 3 moves besides the first ones, White none"
    # One alternative inside a game does not outweigh what the games tell together.
    text = "\n\n".join(f"{line} *" for line in (*lines[:3], f"{lines[3]} 3. e5 (3. exd5)"))
    assert infer_side(read(text)).side == "white"
    against = ("1. e4 e5 2. Nf3 Nc6", "1. d4 Nf6 2. c4", "1. c4 e5 2. Nc3", "1. Nf3 d5 2. g3")
    assert infer_side(read("\n\n".join(f"{line} *" for line in against))).side == "black"


def test_a_game_that_starts_with_black_to_move() -> None:
    # The set-up position is Black's move: both 12...Kd7 and 12...Kf7 are Black's.
    fen = "4k3/8/8/8/8/8/4P3/4K3 b - - 0 12"
    side = infer_side(read(f'[FEN "{fen}"]\n\n12... Kd7 (12... Kf7 13. Kf2) 13. e4 *'))
    assert side.side == "white"


def test_one_slip_does_not_change_sides() -> None:
    many = "".join(f"(1... {move} 2. c4) " for move in ("Nf6", "f5", "e6", "c6", "g6", "d6"))
    text = f"1. d4 d5 {many}2. c4 e6 (2... c6 3. Nf3) 3. Nc3 (3. Nf3) 3... Nf6 (3... c5 4. e3) *"
    side = infer_side(read(text))
    assert side.side == "white"
    assert side.reason == "Black has alternatives in 3 places, White in 1"


def test_nothing_to_go_by() -> None:
    empty = infer_side(read('[Event "E"]\n\n*'))
    assert (empty.side, empty.reason) == ("mixed", "there are no moves")
    torn = infer_side(read("1. d4 (1. e4 e5) d5 (1... f5) 2. c4 *"))
    assert torn.side == "mixed"


def test_a_side_that_is_given() -> None:
    book = read(WHITE + BLACK)
    assert given_side(book, "black").games == ("black", "black")
    assert given_side(book, "mixed").games == ("white", "black")
    with pytest.raises(ValueError, match="sides are white, black, mixed"):
        given_side(book, "grey")


def test_the_demo_is_for_white() -> None:
    assert infer_side(demo()).side == "white"


@given(random_texts)
def test_any_repertoire_gets_a_side_for_every_game(text: str) -> None:
    book = read(text)
    side = infer_side(book)
    assert side.side in SIDES
    assert side.reason
    assert len(side.games) == len(book.games)
    assert set(side.games) <= set(SIDES)
    if side.side != "mixed":
        assert set(side.games) == {side.side}
