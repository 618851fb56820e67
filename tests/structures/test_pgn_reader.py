"""The reader on what authors really have, and on what nobody should send."""

from __future__ import annotations

import io
import logging
import random
import tracemalloc
from pathlib import Path

import chess
import chess.pgn
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.structures.pgn_limits import Limits
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.repertoire import Comment, Repertoire

GOOD = '[Event "Good"]\n\n1. d4 d5 *\n\n'


def read(text: str | bytes, limits: Limits | None = None) -> Repertoire:
    stream: io.StringIO | io.BytesIO
    stream = io.StringIO(text) if isinstance(text, str) else io.BytesIO(text)
    return read_repertoire([stream], limits=limits)


def messages(book: Repertoire) -> str:
    return "\n".join(map(str, book.problems))


# What is read ------------------------------------------------------------------


def test_games_are_numbered_from_1_in_each_file(tmp_path: Path) -> None:
    (tmp_path / "a.pgn").write_text(GOOD * 2)
    (tmp_path / "b.pgn").write_text("1. e4 *")
    book = read_repertoire([tmp_path / "a.pgn", str(tmp_path / "b.pgn")])
    assert [game.number for game in book.games] == [1, 2, 1]
    assert [game.first for game in book.games] == [0, 3, 6]
    assert [game.chapter for game in book.games] == ["Good", "Good", "b.pgn"]
    assert book.files == 2


@pytest.mark.parametrize("event", ["", "?", " "])
def test_an_empty_event_is_no_chapter(event: str, tmp_path: Path) -> None:
    path = tmp_path / "lines.pgn"
    path.write_text(f'[Event "{event}"]\n\n1. e4 *')
    assert read_repertoire([path]).games[0].chapter == "lines.pgn"


def test_comments_keep_their_place_and_kind() -> None:
    book = read(
        "{one}\n1. e4 { two } (1. d4 d5) {three} ({four} 1. c4 c5) {five} ;six }\n1... e5 {seven} *"
    )
    assert book.comments == {
        0: [Comment("one")],
        1: [
            Comment(" two "),
            Comment("three", closed=1),
            Comment("five", closed=2),
            Comment("six }", semicolon=True, closed=2),
        ],
        4: [Comment("four", before=True)],
        6: [Comment("seven")],
    }


def test_a_comment_keeps_its_line_breaks() -> None:
    book = read(b"1. e4 {one\r\n\r\n  two} e5 *")
    assert book.comments[1] == [Comment("one\n\n  two")]


def test_a_comment_alone_in_brackets_goes_with_the_move_before() -> None:
    book = read("1. e4 ({why not} ) e5 *")
    assert book.comments == {1: [Comment("why not")]}
    assert book.problems == []


def test_glyphs_keep_order_and_duplicates() -> None:
    book = read("1. e4! $14 $14 $1 e5?! ($7 1... c5) 2. d4 +/- *")
    assert book.glyphs == {1: [1, 14, 14, 1], 2: [6], 3: [7], 4: [16]}


def test_null_moves() -> None:
    book = read("1. e4 -- 2. d4 Z0 3. c4 *")
    assert book.moves == ["", "e4", "--", "d4", "--", "c4"]
    assert book.ply.tolist() == [0, 1, 2, 3, 4, 5]


def test_moves_are_as_they_were_written() -> None:
    book = read("1. e4 e5 2. Qh5 Nc6 3. Bc4 Nf6 4. Qxf7# *")
    assert book.moves[-1] == "Qxf7#"


@pytest.mark.parametrize(
    ("text", "moves"),
    [
        ("1. e2e4 e7-e5 2. Ng1f3 Nb8-c6", ["e4", "e5", "Ng1f3", "Nc6"]),
        ("1. e4 d5 2. e:d5 Q:d5", ["e4", "d5", "exd5", "Qxd5"]),
        ("1. e4 e5 2. Nf3 Nc6 3. Bc4 Bc5 4. 0-0", ["e4", "e5", "Nf3", "Nc6", "Bc4", "Bc5", "O-O"]),
        ("1. Pe4 e5", ["e4", "e5"]),
        ("1. e4 f5 2. e5 d5 3. exd6 e.p. exd6", ["e4", "f5", "e5", "d5", "exd6", "exd6"]),
    ],
)
def test_other_spellings_become_san(text: str, moves: list[str]) -> None:
    book = read(text + " *")
    assert book.moves[1:] == moves
    assert book.problems == []


def test_a_promotion_without_its_sign_is_completed() -> None:
    book = read('[FEN "8/4P1k1/8/8/8/8/8/4K3 w - - 0 1"]\n\n1. e8Q Kh7 *')
    assert book.moves[1] == "e8=Q"


def test_nested_variations_on_one_move_keep_their_nesting() -> None:
    inside = read("1. e4 (1. d4 (1. c4)) e5 *")
    beside = read("1. e4 (1. d4) (1. c4) e5 *")
    assert inside.parent == beside.parent
    assert inside.varies == {3: 2}
    assert beside.varies == {}


def test_missing_results_and_blank_lines() -> None:
    book = read('[Event "A"]\n1. e4 e5\n[Event "B"]\n\n1. d4 d5\n\n1. c4 c5\n\n[Event "C"]\n1. f4')
    assert [game.chapter for game in book.games][:2] == ["A", "B"]
    assert [game.count for game in book.games] == [3, 3, 3, 2]
    assert [game.result for game in book.games] == ["", "", "", ""]
    assert book.problems == []


def test_a_blank_line_inside_the_moves_loses_nothing() -> None:
    book = read("1. e4 e5\n\n2. Nf3 (2. f4\n\nexf4) Nc6 1-0")
    assert len(book.games) == 1
    assert book.moves[1:] == ["e4", "e5", "Nf3", "f4", "exf4", "Nc6"]


def test_games_on_one_line() -> None:
    book = read("1. e4 1-0 1. d4 0-1")
    assert [(game.count, game.result) for game in book.games] == [(2, "1-0"), (2, "0-1")]


def test_comments_between_games_are_kept() -> None:
    book = read(
        '; head\n[Event "A"]\n\n1. e4 * {tail}\n\n; next\n[Event "B"]\n\n1. d4 *\n\n; end\n'
    )
    assert book.games[0].preamble == (Comment(" head", semicolon=True),)
    assert book.games[1].preamble == (Comment(" next", semicolon=True),)
    assert book.comments[1] == [Comment("tail")]
    assert book.comments[3] == [Comment(" end", semicolon=True)]


def test_chess960() -> None:
    text = (
        '[Variant "Chess960"]\n[FEN "rkbbnnqr/pppppppp/8/8/8/8/PPPPPPPP/RKBBNNQR w KQkq - 0 1"]\n\n'
        "1. e4 e5 2. Nd3 d6 *"
    )
    book = read(text)
    assert book.problems == []
    assert len(book) == 5
    missing = read('[Variant "Chess960"]\n\n1. e4 *')
    assert "needs a FEN header" in messages(missing)


# Encodings -----------------------------------------------------------------------

ACCENTS = '[Event "Grünfeld–Überblick"]\n\n1. d4 {naïve} Nf6 *\n'


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le-bom", "utf-16-be-bom"]
)
def test_unicode(encoding: str) -> None:
    if encoding.endswith("-bom"):
        data = ("\ufeff" + ACCENTS).encode(encoding[:-4])
    else:
        data = ACCENTS.encode(encoding)
    book = read(data)
    assert book.games[0].chapter == "Grünfeld–Überblick"
    assert book.comments[1][0].text == "naïve"
    assert book.problems == []


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_line_ends(newline: str) -> None:
    text = GOOD.replace("\n", newline) + "1. e4" + newline + "Nf9 *"
    book = read(text.encode())
    assert book.games[0].count == 3
    assert [problem.line for problem in book.problems] == [6]


def test_latin_1_is_read_with_a_warning() -> None:
    book = read(GOOD.encode() + ACCENTS.replace("–", "-").encode("latin-1"))
    assert book.games[1].chapter == "Grünfeld-Überblick"
    assert book.comments[4][0].text == "naïve"
    (problem,) = book.problems
    assert problem.warning
    assert problem.line == 5
    assert "Windows-1252" in problem.message


# What is wrong ---------------------------------------------------------------------


def test_a_broken_game_between_two_good_ones() -> None:
    broken = '[Event "Broken"]\n\n1. e4 e5 2. Ke3 (2. d4) Nc6\n3. Nf3 *\n\n'
    book = read(GOOD + broken + GOOD)
    assert [game.count for game in book.games] == [3, 3, 3]
    (problem,) = book.problems
    assert (problem.game, problem.line, problem.move) == (2, 7, "2. Ke3")
    assert "illegal" in problem.message
    assert not problem.warning


def test_a_broken_variation_leaves_the_rest_alone() -> None:
    book = read("1. e4 (1. Nf6 e5 (1... c5)) e5 (1... Nd2) 2. Nf3 *")
    assert book.moves == ["", "e4", "e5", "Nf3"]
    assert [problem.move for problem in book.problems] == ["1. Nf6", "1... Nd2"]


@pytest.mark.parametrize(
    ("text", "move", "why"),
    [
        ("1. e4 Sf6", "1... Sf6", "English notation"),
        ("1. e4 e5 2. Nf9 d6", "2. Nf9", "English notation"),
        ("1. Nf3 a6 2. d3 b6 3. Nd2", "3. Nd2", "several pieces"),
    ],
)
def test_bad_moves_are_explained(text: str, move: str, why: str) -> None:
    (problem,) = read(text + " *").problems
    assert problem.move == move
    assert why in problem.message


@pytest.mark.parametrize(
    ("fen", "why"),
    [
        ("8/8/8/8/8/8/8/8 w - - 0 1", "the board is empty"),
        ("4k3/8/8/8/8/8/8/8 w - - 0 1", "White has no king"),
        ("P3k3/8/8/8/8/8/8/4K3 w - - 0 1", "first or the last rank"),
        ("4k3/8/8/8/4R3/8/8/4K3 w - - 0 1", "not to move stands in check"),
        ("nonsense", "malformed"),
        ("4k3/8/8/8/8/8/8/4K3 w - - 0 99999999999999999999", "move number"),
        ("8" * 300, "too long"),
    ],
)
def test_impossible_starting_positions(fen: str, why: str) -> None:
    book = read(GOOD + f'[Event "Bad"]\n[FEN "{fen}"]\n\n1. e4 {{[x}} (1. d4) *\n\n' + GOOD)
    assert [game.number for game in book.games] == [1, 3]
    (problem,) = book.problems
    assert problem.game == 2
    assert why in problem.message


def test_an_unknown_variant_is_skipped_with_a_word() -> None:
    book = read(GOOD + '[Event "Bad"]\n[Variant "Atomic"]\n\n1. Nf3 f6 2. Nd4 *\n' + GOOD)
    assert [game.number for game in book.games] == [1, 3]
    (problem,) = book.problems
    assert "'Atomic'" in problem.message


def test_castling_rights_that_cannot_be_only_earn_a_warning() -> None:
    book = read('[FEN "4k3/8/8/8/8/8/4P3/4K3 w KQkq - 0 1"]\n\n1. e4 *')
    assert len(book) == 2
    assert [problem.warning for problem in book.problems] == [True]


def test_a_comment_that_is_never_closed_costs_no_other_game() -> None:
    book = read('[Event "A"]\n\n1. e4 {open (1. d4\n\n' + GOOD)
    assert [game.count for game in book.games] == [2, 3]
    assert book.comments[1][0].text == "open (1. d4"
    assert "line 3 is never closed" in messages(book)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("1. e4 (1. d4 *", "not closed"),
        ("1. e4 ) e5 *", "')' closes nothing"),
        ("1. e4 } e5 *", "'}' closes nothing"),
        ("(1. d4) 1. e4 *", "before any move"),
        ("1. e4 ((1. d4)) *", "before any move"),
        ("1. e4 !!! *", "glyph '!!!'"),
        ("1. e4 hello *", "'hello'"),
        ("1. e4 (1. d4 1-0) e5 *", "inside a variation"),
        ("1. e4 * 1-0", "second result"),
        ('[Event nonsense]\n[Site "x"]\n\n1. e4 *', "cannot be read"),
    ],
)
def test_what_is_left_out_is_named_and_the_rest_kept(text: str, why: str) -> None:
    book = read(text)
    assert "e4" in book.moves
    assert why in messages(book)
    if "e5" in text:
        assert "e5" in book.moves


@pytest.mark.parametrize("data", [b"", b"\n\n", b"% nothing\n", b"hello world\n"])
def test_a_file_without_a_game(data: bytes) -> None:
    book = read(data)
    assert len(book) == 0
    assert book.games == []
    assert "the file holds no game" in messages(book)


def test_binary_and_compressed_files_are_refused() -> None:
    assert "binary" in messages(read(bytes(range(256)) * 10))
    assert "compressed" in messages(read(b"\x1f\x8b\x08rest"))
    late = read(GOOD.encode() * 1000 + b"\0\1\2\n" + GOOD.encode())
    assert len(late.games) == 1000
    assert "not read from here on" in messages(late)


def test_missing_files_and_folders(tmp_path: Path) -> None:
    (tmp_path / "good.pgn").write_text(GOOD)
    book = read_repertoire([tmp_path / "no.pgn", tmp_path, tmp_path / "good.pgn"])
    assert len(book.games) == 1
    assert book.files == 1
    assert "no such file" in book.problems[0].message
    assert "folder" in book.problems[1].message


def test_nothing_is_logged(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        read("1. e5 *")
    assert caplog.records == []


# Limits ------------------------------------------------------------------------------


def test_ten_thousand_nested_variations() -> None:
    text = "1. Nf3" + " (1. Nc3" * 10_000 + ")" * 10_000 + " 1... d5 *\n\n" + GOOD
    book = read(text)
    assert book.games[0].count == 1 + 1 + Limits().depth + 1
    assert book.moves[book.games[0].count - 1] == "d5"
    assert book.games[1].count == 3
    (problem,) = book.problems
    assert "more than 200 deep" in problem.message


def test_a_huge_line_is_cut_and_memory_bounded() -> None:
    size = 200_000_000

    class Huge(io.RawIOBase):
        """A good game, a game in one huge line, a good game; made as it is read."""

        def __init__(self) -> None:
            self.parts = iter(
                [GOOD.encode() + b"1. e4 e5 {"]
                + [b"word " * 20_000] * (size // 100_000)
                + [b"} 2. Nf3 *\n\n" + GOOD.encode()]
            )
            self.left = b""

        def readable(self) -> bool:
            return True

        def read(self, amount: int = -1) -> bytes:
            if not self.left and amount:
                self.left = next(self.parts, b"")
            data, self.left = self.left[:amount], self.left[amount:]
            return data

    tracemalloc.start()
    try:
        book = read_repertoire([Huge()])
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 60_000_000
    assert [game.count for game in book.games] == [3, 3, 3]
    assert "longer than 4,194,304 characters" in messages(book)
    assert {problem.line for problem in book.problems} == {5}


def test_a_long_line_keeps_its_good_part() -> None:
    text = "1. e4 e5 2. Nf3 Nc6 3. Bb5 a6 4. Ba4 Nf6 *\n2. d4 *\n\n" + GOOD
    book = read(text, Limits(line=30))
    assert book.moves[1:6] == ["e4", "e5", "Nf3", "Nc6", "Bb5"]
    assert [game.count for game in book.games] == [7, 3]
    assert "line 1: the line is longer" in messages(book)
    headed = read(GOOD + '\n[Event "Long"]\n\n' + text, Limits(line=30))
    assert [game.count for game in headed.games] == [3, 7, 3]
    assert [(problem.game, problem.line) for problem in headed.problems] == [(2, 8)]


def test_a_long_comment_keeps_its_beginning() -> None:
    book = read("1. e4 {" + "a\n" * 100 + "} e5 {" + "b" * 100 + "} *", Limits(comment=50))
    assert book.comments[1][0].text == "a\n" * 25
    assert book.comments[2][0].text == "b" * 50
    assert book.moves == ["", "e4", "e5"]
    assert len(book.problems) == 2


def test_node_limits() -> None:
    book = read("1. e4 e5 2. d4 *\n\n" + GOOD, Limits(game_nodes=3))
    assert [game.count for game in book.games] == [3, 3]
    assert [problem.move for problem in book.problems] == ["2. d4"]
    whole = read_repertoire([io.StringIO(GOOD * 3), io.StringIO(GOOD)], limits=Limits(nodes=5))
    assert len(whole) == 5
    assert "nothing more is read" in messages(whole)
    assert "the file is not read" in messages(whole)


def test_games_without_moves_count_towards_the_nodes_of_a_run() -> None:
    book = read('[Event "x"]\n\n*\n\n' * 20, Limits(nodes=5))
    assert len(book) == len(book.games) == 5
    assert [problem.game for problem in book.problems] == [6]
    assert "nothing more is read" in messages(book)


def test_no_control_character_of_a_file_stands_in_a_message() -> None:
    book = read("1. e4 \x1b[2Je9 e5 *")
    assert "e9" in messages(book)
    assert "\x1b" not in messages(book)


def test_header_and_problem_limits() -> None:
    headers = "".join(f'[H{i} "x"]\n' for i in range(10))
    book = read(headers + "\n1. e4 *", Limits(headers=4))
    assert len(book.games[0].headers) == 4
    assert len(book.problems) == 6
    many = read("1. e4 " + ") " * 50 + "*", Limits(problems=10))
    assert len(many.problems) == 10
    assert many.unnamed_problems == 40


def test_one_line_of_very_many_games_takes_no_time() -> None:
    games = "1. e4 * " * 2000
    book = read(games + "\n\n" + GOOD)
    assert len(book.games) == Limits().pieces + 2
    assert book.games[-1].chapter == "Good"
    assert "too many games" in messages(book)
    headers = read("{}" * 2000 + "\n" + GOOD, Limits(pieces=10))
    assert len(headers.games[0].preamble) == 11
    assert headers.games[0].chapter == "Good"


def test_a_very_long_game_does_not_keep_every_board() -> None:
    shuffle = " Nf3 Nf6 Ng1 Ng8" * 2500
    tracemalloc.start()
    try:
        book = read(shuffle + " (Nc6) *")
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert len(book) == 1 + 10_000 + 1
    assert peak < 6_000_000


# Against python-chess --------------------------------------------------------------------


def random_game(dice: random.Random) -> chess.pgn.Game:
    game = chess.pgn.Game()
    nodes: list[chess.pgn.GameNode] = [game]
    for _ in range(dice.randrange(1, 60)):
        node = dice.choice(nodes[-4:])
        moves = [m for m in node.board().legal_moves if not node.has_variation(m)]
        if moves:
            child = node.add_variation(dice.choice(moves))
            if dice.random() < 0.2:
                child.comment = dice.choice(("a plan", "note (the square e4) [%csl Ge4]"))
            if dice.random() < 0.1:
                child.nags.add(dice.randrange(1, 20))
            nodes.append(child)
    return game


@pytest.mark.parametrize("seed", range(20))
def test_the_tree_is_the_one_that_python_chess_reads(seed: int) -> None:
    game = random_game(random.Random(seed))
    text = str(game)
    expected: list[tuple[str, str, str]] = []
    again = chess.pgn.read_game(io.StringIO(text))
    assert again is not None
    todo: list[chess.pgn.GameNode] = [again]
    while todo:
        node = todo.pop()
        line = " ".join(move.uci() for move in node.board().move_stack)
        expected.append((line, node.board().board_fen(), node.comment))
        todo.extend(node.variations)
    book = read_repertoire([io.StringIO(text)], with_fen=True)
    assert book.fens is not None
    found = []
    for node_number in range(len(book)):
        board = chess.Board()
        for step in book.line(node_number)[1:]:
            board.push_san(book.moves[step])
        comment = " ".join(c.text.strip() for c in book.comments.get(node_number, []))
        line = " ".join(move.uci() for move in board.move_stack)
        found.append((line, board.board_fen(), comment))
        assert board.board_fen() == book.fens[node_number].split()[0]
    assert sorted(found) == sorted(expected)
    assert book.problems == []


# Anything at all ----------------------------------------------------------------------------

_PIECES = [
    "1.", "2...", " ", "\n", "\n\n", "\r", "e4", "e5", "Nf3", "d4", "O-O", "0-0", "--", "Nf9",
    "(", ")", "{", "}", ";", "%", "$", "$3", "!?", "???", "*", "1-0", "1/2", "[", "]", '"', "\\",
    '[Event "x"]', '[FEN "', "[Variant", "\0", "\ufeff", "é", "=", "N", "word", "exd5", "e8=Q",
]  # fmt: skip


@given(st.lists(st.sampled_from(_PIECES), max_size=60).map("".join))
def test_no_text_raises(text: str) -> None:
    book = read(text.encode())
    count = len(book)
    assert sum(game.count for game in book.games) == count
    assert len(book.ply) == len(book.moves) == count
    assert len(book.pawns) == 2 * count
    for node, above in enumerate(book.parent):
        assert above < node
    assert all(0 <= node < count for node in (*book.comments, *book.glyphs, *book.varies))


@given(st.binary(max_size=200))
def test_no_bytes_raise(data: bytes) -> None:
    read(data)
