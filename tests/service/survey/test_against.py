"""A survey beside a repertoire, against a plain walk with python-chess over the same games."""

from __future__ import annotations

import io
import random
import re
import xml.etree.ElementTree as ElementTree
from collections import Counter
from pathlib import Path

import chess
import chess.pgn
import pytest

from pawnlore.models.classifier import shipped_classifier
from pawnlore.service.cli import main
from pawnlore.service.survey.against import Against, against
from pawnlore.service.survey.answer_plots import Bar, bar_plot
from pawnlore.service.survey.place import Place
from pawnlore.service.survey.run_survey import Options, survey
from pawnlore.service.workbook import make_workbook
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.position_key import position_key
from pawnlore.structures.repertoire_side import given_side

BOOK = """
[Event "Exchange"]

1. d4 d5 2. c4 e6 (2... c6 3. Nf3) 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 c6 6. e3 Be7 *

[Event "Benoni"]

1. d4 Nf6 2. c4 c5 (2... e6 3. Nc3 d5 4. cxd5 exd5 5. Bg5) 3. d5 e6 4. Nc3 exd5 5. cxd5 d6 *
"""


def played(words: str, dice: random.Random, result: str = "*") -> str:
    """A game that begins with these moves and goes on at random."""
    board = chess.Board()
    for word in re.sub(r"\d+\.+", " ", words).split():
        board.push_san(word)
    for _ in range(12):
        moves = list(board.legal_moves)
        if not moves:
            break
        board.push(dice.choice(moves))
    game = chess.pgn.Game.from_board(board)
    game.headers["Result"] = result
    game.headers["Round"] = str(dice.random())
    return f"{game}\n\n"


OPENINGS = (
    "1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 c6 6. e3 Be7",
    "1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Nbd7",
    "1. d4 Nf6 2. c4 e6 3. Nc3 d5 4. cxd5 exd5 5. Bg5 c6 6. e3 Be7",
    "1. c4 e6 2. d4 d5",
    "1. d4 d5 2. c4 dxc4",
    "1. d4 f5",
    "1. d4 Nf6 2. c4 g6",
    "1. d4 Nf6 2. c4 c5 3. d5 e6 4. Nc3 exd5 5. cxd5 d6",
    "1. d4 Nf6 2. Nf3",
    "1. d4",
    "1. d4 e6 2. c4 d5 3. Nc3 Nf6",
)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("against")
    dice = random.Random(3)
    text = "".join(
        played(dice.choice(OPENINGS), dice, dice.choice(("1-0", "0-1", "1/2-1/2", "*")))
        for _ in range(300)
    )
    text += '[Event "Elsewhere"]\n[FEN "4k3/8/8/8/8/8/4P3/4K3 w - - 0 1"]\n\n1. e4 *\n'
    (folder / "games.pgn").write_text(text)
    (folder / "book.pgn").write_text(BOOK)
    survey([str(folder / "games.pgn")], str(folder / "out"), Options(shard_bytes=20_000))
    return folder


@pytest.fixture(scope="module")
def told(files: Path) -> Against:
    book = read_repertoire([files / "book.pgn"], with_keys=True)
    work = make_workbook(book, shipped_classifier().classify, given_side(book, "white"))
    return against(Place(str(files / "out")), work)


def walk(files: Path) -> tuple[Counter[tuple[str, str]], Counter[str], int, Counter[bytes]]:
    """Where games leave by Black's move (position, move), by whose, and what they reach."""
    book: dict[bytes, set[bytes]] = {}
    stream = io.StringIO(BOOK)
    while game := chess.pgn.read_game(stream):
        waiting: list[chess.pgn.GameNode] = [game]
        while waiting:
            node = waiting.pop()
            key = position_key(node.board())
            book.setdefault(key, set())
            for child in node.variations:
                book[key].add(position_key(child.board()))
                waiting.append(child)
    left: Counter[tuple[str, str]] = Counter()
    how: Counter[str] = Counter()
    reached: Counter[bytes] = Counter()
    games = 0
    stream = io.StringIO((files / "games.pgn").read_text())
    while game := chess.pgn.read_game(stream):
        board = game.board()
        if board.fen() != chess.STARTING_FEN:
            continue
        games += 1
        reached[position_key(board)] += 1
        state = "ended"
        for move in game.mainline_moves():
            key = position_key(board)
            if not book[key]:
                break
            before, san, white = board.fen(), board.san(move), board.turn
            board.push(move)
            if position_key(board) not in book:
                state = "own" if white else "gone"
                if not white:
                    left[before, san] += 1
                break
            reached[position_key(board)] += 1
        how[state] += 1
    return left, how, games, reached


def test_games_leave_where_python_chess_says(told: Against, files: Path) -> None:
    left, how, games, reached = walk(files)
    assert told.games == games == 300
    assert told.followed == games - how["own"] and how["own"] > 10
    book = read_repertoire([files / "book.pgn"], with_fen=True)
    assert book.fens is not None
    mine: Counter[tuple[str, str]] = Counter()
    for row in told.tables["unanswered_moves"]:
        first = book.games[row["game"] - 1].first
        fen = book.fens[first + row["node"]]
        mine[fen, row["move"]] += row["games"]
        assert row["reached"] == reached[position_key(chess.Board(fen))]
        assert row["in_a_hundred"] == pytest.approx(100 * row["games"] / row["reached"])
    # A position that two chapters reach has one FEN but for its move counters.
    assert sorted(mine.values()) == sorted(left.values())
    assert {(fen.split()[0], move) for fen, move in mine} == {
        (fen.split()[0], move) for fen, move in left
    }
    assert sum(mine.values()) == how["gone"] > 50


def test_a_transposition_is_no_other_line(told: Against) -> None:
    """1.d4 e6 2.c4 d5 comes to the first chapter's position, though 1...e6 is no line's move."""
    rows = {(row["line"], row["move"]): row for row in told.tables["unanswered_moves"]}
    assert ("1.d4", "e6") in rows
    assert ("1.d4 Nf6 2.c4 e6 3.Nc3 d5 4.cxd5 exd5 5.Bg5", "c6") not in rows


def test_what_is_met_adds_up(told: Against) -> None:
    met = sum(row["games"] for row in told.tables["unanswered_structures"])
    kinds = {(row["structure"], row["holder"]) for row in told.tables["groups"]}
    other = {(r["structure"], r["holder"]) for r in told.tables["unanswered_structures"]}
    assert not kinds & other
    seen: dict[tuple[str, str], int] = {}
    for row in told.tables["groups"]:
        seen[row["structure"], row["holder"]] = row["games"]
        if told.followed:
            assert row["in_a_hundred"] == pytest.approx(100 * row["games"] / told.followed)
    assert 0 < met + sum(seen.values()) <= told.followed
    for row in told.tables["chapters"]:
        assert row["chapter"] in ("Exchange", "Benoni")
    chapters = {row["chapter"]: row["of"] for row in told.tables["chapters"]}
    assert all(count > 20 for count in chapters.values())
    assert any(not row["taught"] and row["games"] for row in told.tables["chapters"])


def test_lines_that_nobody_plays(told: Against) -> None:
    lines = [row["line"] for row in told.tables["unplayed_lines"]]
    assert "1.d4 d5 2.c4 c6 3.Nf3" in lines
    assert not any(line.endswith("6.e3 Be7") for line in lines)
    (slav,) = (r for r in told.tables["unplayed_lines"] if r["line"].endswith("3.Nf3"))
    # Games come as far as 2.c4, and none plays 2...c6.
    assert slav["played"] == 3 and slav["games"] > 20


def test_the_command_tells_and_writes(
    files: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "answers"
    for format in ("csv", "jsonl", "parquet"):
        status = main(
            [
                *("answers", str(files / "out"), "--against", str(files / "book.pgn")),
                *("--side", "white", "-o", str(out), "--format", format),
            ]
        )
        assert status == 0
        assert (out / f"structures.{format}").stat().st_size > 100
        assert (out / f"repertoire_unanswered_moves.{format}").exists()
    said = capsys.readouterr().out
    assert "301 games" in said and "moves that no line answers" in said
    assert "f5 after 1.d4" in said
    for name in ("frequencies", "scores", "repertoire_groups"):
        ElementTree.parse(out / f"{name}.svg")
    assert main(["answers", str(tmp_path)]) == 2
    assert "holds no survey" in capsys.readouterr().err


def test_a_plot_tells_in_words_what_it_shows() -> None:
    bars = [
        Bar("<Carlsbad> & more", 0.123, 0.1, 0.15, "99 games"),
        Bar("never met", float("nan"), 0.0, 1.0),
    ]
    root = ElementTree.fromstring(bar_plot("A & B", bars, axis="share", middle=0.5))
    text = " ".join(root.itertext())
    assert "<Carlsbad> & more: 12.3 % (10.0 to 15.0), 99 games" in text
    assert "never met: nothing is known" in text
    names = "{http://www.w3.org/2000/svg}"
    # One bar with a value, drawn to scale: 0.123 of an axis that ends at 1.
    (bar,) = [r for r in root.iter(f"{names}rect") if r.get("class") == "pl-edge"]
    assert float(bar.get("width", "0")) == pytest.approx(330 * 0.123, abs=0.1)


def test_where_no_game_tells_there_is_a_dash(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Games without a result give no score, and a survey without games no shares."""
    games, book, empty = (tmp_path / f"{name}.pgn" for name in ("games", "book", "empty"))
    moves = "d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 O-O 7. Bd3 Nbd7 8. Nf3 Re8"
    games.write_text(f'[Event "G"]\n[Result "*"]\n\n1. {moves} *\n')
    book.write_text('[Event "B"]\n\n1. e4 c5 2. Nf3 d6 3. d4 cxd4 4. Nxd4 Nf6 5. Nc3 a6 *\n')
    empty.write_text("")
    for path in (games, empty):
        out = str(tmp_path / f"{path.stem}-out")
        assert main(["survey", str(path), "-o", out, "--jobs", "1"]) == 0
        assert main(["answers", out, "--against", str(book), "--side", "black"]) == 0
        said = capsys.readouterr().out
        assert "nan" not in said and " – " in said
        if path is games:
            assert re.search(r"100\.0 +– +– +Carlsbad", said)
            assert "    1       –   d4 at the start\n" in said
