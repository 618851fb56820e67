"""The command ``pawnlore breaks``, end to end on the demo repertoire."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import chess
import pytest

from pawnlore.service import cli
from pawnlore.service.exports.break_table import COLUMNS

REPERTOIRE = sorted(
    str(path)
    for path in (Path(__file__).resolve().parents[2] / "labelled_demo" / "repertoire").glob("*.pgn")
)
CARLSBAD = "r1bqrnk1/pp2bppp/2p2n2/3p2B1/3P4/2NBPN2/PPQ2PPP/1R3RK1 b - - 1 11"
PAWNS = "8/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/8"


def table(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[dict[str, str]]:
    assert cli.main(["breaks", *arguments, "--format", "csv"]) == 0
    return list(csv.DictReader(io.StringIO(capsys.readouterr().out)))


def test_the_first_screen_tells_a_coach_the_minority_attack(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert cli.main(["breaks", CARLSBAD, *REPERTOIRE]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    screen = out.splitlines()[:24]
    assert screen[0].startswith("Carlsbad structure, White's")
    assert "Black to move" in screen[0]
    (b5,) = [line for line in screen if "b2-b4-b5" in line and "of" in line]
    assert "c6" in b5 and "in two moves" in b5
    assert "bxc6 ...bxc6: the same structure" in out
    assert "c6 backward" in out


def test_csv_and_jsonl_say_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    rows = table(capsys, CARLSBAD, *REPERTOIRE)
    assert tuple(rows[0]) == COLUMNS
    assert cli.main(["breaks", CARLSBAD, *REPERTOIRE, "--format", "jsonl"]) == 0
    objects = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert len(objects) == len(rows)
    for row, values in zip(rows, objects, strict=True):
        assert tuple(values) == COLUMNS
        assert row["break"] == values["break"]
        assert row["pawns"] == values["pawns"]
        assert int(row["played"]) == values["played"] <= values["lines"] == int(row["lines"])
        assert row["legal"] == ("yes" if values["legal"] else "no")
        assert 0 <= values["probability"] <= 1


def test_what_is_legal_now_is_legal_for_a_chess_library(
    capsys: pytest.CaptureFixture[str],
) -> None:
    board = chess.Board(CARLSBAD)
    legal = {
        chess.square_name(move.to_square)
        for move in board.legal_moves
        if board.piece_type_at(move.from_square) == chess.PAWN
    }
    now = {row["break"] for row in table(capsys, CARLSBAD) if row["state"] == "now"}
    assert now == {"...c6-c5"}
    assert {name[-2:] for name in now} <= legal


def test_bare_pawns_have_neither_state_nor_counts(capsys: pytest.CaptureFixture[str]) -> None:
    rows = table(capsys, PAWNS)
    assert {row["break"] for row in rows} == {"e3-e4", "b2-b4-b5", "...c6-c5", "...f7-f5-f4"}
    for column in ("state", "reason", "lines", "played", "legal", "reached"):
        assert {row[column] for row in rows} == {""}


def test_two_runs_write_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    texts = []
    for _ in range(2):
        assert cli.main(["breaks", CARLSBAD, *REPERTOIRE]) == 0
        texts.append(capsys.readouterr().out)
    assert texts[0] == texts[1]


def test_no_pawns_no_breaks(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["breaks", "4k3/8/8/8/8/8/8/4K3 w - - 0 1"]) == 0
    assert "Neither side has a pawn break" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["no position"], "is no position"),
        (["book.pgn", PAWNS], "the position comes first"),
        (CARLSBAD.split(), "in quotes"),
        (["8" * 5000], "longer than"),
        ([PAWNS, "missing.pgn"], "no file could be opened"),
        ([PAWNS, "-", "-"], "only once"),
    ],
)
def test_what_cannot_start_says_why(
    arguments: list[str], told: str, empty_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["breaks", *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert told in err


def test_a_bad_game_is_named_and_the_rest_counted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "book.pgn"
    path.write_text('1. d4 d5 2. cxd5 c4 *\n\n[Event "good"]\n\n1. d4 d5 2. c4 dxc4 *\n')
    out = tmp_path / "out.csv"
    arguments = ["8/ppp1pppp/8/3p4/2PP4/8/PP2PPPP/8", str(path), "--format", "csv", "-o", str(out)]
    assert cli.main(["breaks", *arguments]) == 1
    assert "book.pgn" in capsys.readouterr().err
    rows = list(csv.DictReader(io.StringIO(out.read_text(encoding="utf-8"))))
    assert {row["played"] for row in rows if row["break"] == "...dxc4"} == {"1"}
