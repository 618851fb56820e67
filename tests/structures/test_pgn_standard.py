"""The reader against the PGN standard's own worked examples and rules.

Source: Steven J. Edwards (coordinator), "Standard: Portable Game Notation
Specification and Implementation Guide", 12 March 1994. The sample game stands
in the section on the sample file, the FEN examples in section 16.1.4. The
texts below are given from memory.
"""

from __future__ import annotations

import io

import chess
import pytest

from pawnlore.structures.pgn_headers import escape, unescape
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.pgn_tokens import glyph_number
from pawnlore.structures.repertoire import Repertoire

SAMPLE = """\
[Event "F/S Return Match"]
[Site "Belgrade, Serbia JUG"]
[Date "1992.11.04"]
[Round "29"]
[White "Fischer, Robert J."]
[Black "Spassky, Boris V."]
[Result "1/2-1/2"]

1. e4 e5 2. Nf3 Nc6 3. Bb5 a6 4. Ba4 Nf6 5. O-O Be7 6. Re1 b5 7. Bb3 d6 8. c3
O-O 9. h3 Nb8 10. d4 Nbd7 11. c4 c6 12. cxb5 axb5 13. Nc3 Bb7 14. Bg5 b4 15.
Nb1 h6 16. Bh4 c5 17. dxe5 Nxe4 18. Bxe7 Qxe7 19. exd6 Qf6 20. Nbd2 Nxd6 21.
Nc4 Nxc4 22. Bxc4 Nb6 23. Ne5 Rae8 24. Bxf7+ Rxf7 25. Nxf7 Rxe1+ 26. Qxe1 Kxf7
27. Qe3 Qg5 28. Qxg5 hxg5 29. b3 Ke6 30. a3 Kd6 31. axb4 cxb4 32. Ra5 Nd5 33.
f3 Bc8 34. Kf2 Bf5 35. Ra7 g6 36. Ra6+ Kc5 37. Ke1 Nf4 38. g3 Nxh3 39. Kd2 Kb5
40. Rd6 Kc5 41. Ra6 Nf2 42. g4 Bd3 43. Re6 1/2-1/2
"""


def read(text: str, **options: bool) -> Repertoire:
    return read_repertoire([io.StringIO(text)], **options)


def test_the_sample_game() -> None:
    book = read(SAMPLE)
    assert book.problems == []
    (game,) = book.games
    assert [name for name, _ in game.headers] == [
        "Event", "Site", "Date", "Round", "White", "Black", "Result",
    ]  # fmt: skip
    assert game.chapter == "F/S Return Match"
    assert game.result == "1/2-1/2"
    assert game.count == 1 + 85  # 43 moves of White's, 42 of Black's
    assert book.moves[1:6] == ["e4", "e5", "Nf3", "Nc6", "Bb5"]
    assert book.moves[47] == "Bxf7+"
    assert book.moves[-1] == "Re6"
    # The pawns at the end, played out on python-chess's board.
    board = chess.Board()
    for move in book.moves[1:]:
        board.push_san(move)
    assert book.masks[-1].tolist() == [
        int(board.pieces(chess.PAWN, chess.WHITE)),
        int(board.pieces(chess.PAWN, chess.BLACK)),
    ]


def test_the_fen_examples() -> None:
    # Section 16.1.4: the start, then 1. e4, 1... c5 and 2. Nf3. The en passant
    # square is noted whether or not a pawn can capture there.
    book = read("1. e4 c5 2. Nf3 *", with_fen=True)
    assert book.fens == [
        "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1",
        "rnbqkbnr/pppppppp/8/8/4P3/8/PPPP1PPP/RNBQKBNR b KQkq e3 0 1",
        "rnbqkbnr/pp1ppppp/8/2p5/4P3/8/PPPP1PPP/RNBQKBNR w KQkq c6 0 2",
        "rnbqkbnr/pp1ppppp/8/2p5/4P3/5N2/PPPP1PPP/RNBQKB1R b KQkq - 1 2",
    ]


@pytest.mark.parametrize(
    ("suffix", "number"), [("!", 1), ("?", 2), ("!!", 3), ("??", 4), ("!?", 5), ("?!", 6)]
)
def test_suffixes_are_glyphs(suffix: str, number: int) -> None:
    # Section 8.2.3.8: the six suffixes and their numeric annotation glyphs.
    assert glyph_number(suffix) == number
    assert read(f"1. e4{suffix} *").glyphs == {1: [number]}


def test_brace_comments_do_not_nest() -> None:
    # Section 5: "Brace comments do not nest."
    book = read("1. e4 {one { two} e5 *")
    assert book.comments[1][0].text == "one { two"
    assert book.moves == ["", "e4", "e5"]


def test_a_semicolon_comment_runs_to_the_end_of_its_line() -> None:
    # Section 5: the rest-of-line comment.
    book = read("1. e4 ; a { b ( c\ne5 *")
    assert book.comments[1][0].text == " a { b ( c"
    assert book.comments[1][0].semicolon
    assert book.moves == ["", "e4", "e5"]


def test_a_per_cent_sign_in_the_first_column_escapes_its_line() -> None:
    # Section 6: the escape mechanism; elsewhere the sign means nothing special.
    book = read("% e4\n1. d4 {50 %}\n% 1... d6\nd5 *")
    assert book.moves == ["", "d4", "d5"]
    assert book.comments[1][0].text == "50 %"


def test_quotes_and_backslashes_in_headers_are_escaped() -> None:
    # Section 7: the string token.
    assert unescape(r"a \"b\" c\\d") == 'a "b" c\\d'
    assert escape('a "b" c\\d') == r"a \"b\" c\\d"
    book = read('[Event "a \\"b\\" c\\\\d"]\n\n*\n')
    assert book.games[0].header("Event") == 'a "b" c\\d'


def test_import_format_headers_are_free() -> None:
    # Section 8.1: in import format several tag pairs may share a line, and
    # white space may stand between the tokens.
    book = read('[Event "a"][Site "b"]  [ Date  "c" ]\n1. e4 *')
    assert book.games[0].headers == (("Event", "a"), ("Site", "b"), ("Date", "c"))
    assert book.problems == []


@pytest.mark.parametrize(
    "text", ["1 e4 e5 2 d4", "1.e4 e5 2.d4", "1. e4 1... e5 2. d4", "e4 e5 d4"]
)
def test_move_numbers_say_nothing(text: str) -> None:
    # Section 8.2.2.1: in import format, move number indications are optional
    # and may have any number of periods.
    book = read(text + " *")
    assert book.moves == ["", "e4", "e5", "d4"]
    assert book.problems == []


@pytest.mark.parametrize("marker", ["1-0", "0-1", "1/2-1/2", "*"])
def test_termination_markers(marker: str) -> None:
    # Section 8.2.6: the four game termination markers.
    assert read(f"1. e4 {marker}").games[0].result == marker


def test_variations_nest() -> None:
    # Section 8.2.5: recursive annotation variations.
    book = read("1. e4 e5 (1... c5 2. Nf3 (2. c3 d5) 2... d6) 2. Nf3 *")
    assert book.moves == ["", "e4", "e5", "c5", "Nf3", "c3", "d5", "d6", "Nf3"]
    assert book.parent.tolist() == [-1, 0, 1, 1, 3, 3, 5, 4, 2]


def test_a_game_from_a_position() -> None:
    # Section 9.7: SetUp and FEN.
    text = '[SetUp "1"]\n[FEN "4k3/8/8/8/8/8/4P3/4K3 w - - 0 39"]\n\n39. e4 Kd7 *\n'
    book = read(text)
    assert book.ply.tolist() == [76, 77, 78]
    assert book.games[0].fen == "4k3/8/8/8/8/8/4P3/4K3 w - - 0 39"
    assert book.problems == []
