"""The command ``pawnlore similar``, end to end on the demo repertoire."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import chess
import pytest

from pawnlore.service import cli
from pawnlore.service.exports.similar_table import COLUMNS
from pawnlore.structures.skeleton import placement, skeleton_from_board

REPERTOIRE = sorted(
    str(path)
    for path in (Path(__file__).resolve().parents[2] / "labelled_demo" / "repertoire").glob("*.pgn")
)
CARLSBAD = "r1bqrnk1/pp2bppp/2p2n2/3p2B1/3P4/2NBPN2/PPQ2PPP/1R3RK1 b - - 1 11"
BLACK_CARLSBAD = chess.Board(CARLSBAD).mirror().fen()


def table(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[dict[str, str]]:
    assert cli.main(["similar", *arguments, "--format", "csv"]) == 0
    return list(csv.DictReader(io.StringIO(capsys.readouterr().out)))


def test_the_first_screen_begins_with_the_same_pawns(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["similar", CARLSBAD, *REPERTOIRE]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    screen = out.splitlines()[:14]
    assert screen[0].startswith("Carlsbad structure, White's")
    assert "have these pawns exactly" in screen[2]
    assert screen[4].startswith("1. the same pawns")
    assert any("Exchange Variation" in line for line in screen)


def test_the_moves_lead_to_the_pawns(capsys: pytest.CaptureFixture[str]) -> None:
    rows = table(capsys, CARLSBAD, *REPERTOIRE, "--count", "12")
    assert tuple(rows[0]) == COLUMNS
    distances = [float(row["distance"]) for row in rows]
    assert distances == sorted(distances) and distances[0] == 0
    assert {row["rank"] for row in rows} == {str(rank) for rank in range(1, 13)}
    for row in rows:
        board = chess.Board()
        for word in row["moves"].split():
            board.push_san(word.rpartition(".")[2])
        assert placement(skeleton_from_board(board)) == row["pawns"]
        assert str(board.ply()) == row["ply"]
    for rank in {row["rank"] for row in rows}:
        entries = [row for row in rows if row["rank"] == rank]
        assert sum(int(row["lines_here"]) for row in entries) == int(entries[0]["lines"])


def test_jsonl_says_the_same_as_csv(capsys: pytest.CaptureFixture[str]) -> None:
    rows = table(capsys, CARLSBAD, *REPERTOIRE)
    assert cli.main(["similar", CARLSBAD, *REPERTOIRE, "--format", "jsonl"]) == 0
    objects = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [str(values["node"]) for values in objects] == [row["node"] for row in rows]
    assert ["; ".join(values["differences"]) for values in objects] == [
        row["differences"] for row in rows
    ]


def test_colours_reversed_only_when_asked(capsys: pytest.CaptureFixture[str]) -> None:
    straight = table(capsys, BLACK_CARLSBAD, *REPERTOIRE)
    assert float(straight[0]["distance"]) > 0
    assert {row["mirrored"] for row in straight} == {"no"}
    turned = table(capsys, BLACK_CARLSBAD, *REPERTOIRE, "--mirrored")
    assert (turned[0]["distance"], turned[0]["mirrored"]) == ("0.0", "yes")
    assert cli.main(["similar", BLACK_CARLSBAD, *REPERTOIRE, "--mirrored"]) == 0
    assert "1. the same pawns, colours reversed" in capsys.readouterr().out


@pytest.mark.parametrize("count", ["0", "-3", "many", "99999999999"])
def test_a_wrong_count_is_refused(count: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        cli.main(["similar", CARLSBAD, *REPERTOIRE, "--count", count])
    assert stopped.value.code == 2
    assert "a number from 1 to 10000" in capsys.readouterr().err


def test_what_cannot_start_says_why(empty_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["similar", "no position", *REPERTOIRE]) == 2
    assert "is no position" in capsys.readouterr().err
    assert cli.main(["similar", CARLSBAD, "missing.pgn"]) == 2
    assert "no file could be opened" in capsys.readouterr().err


def test_a_file_without_games_gives_an_answer_for_people(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "empty.pgn"
    path.write_text("")
    assert cli.main(["similar", CARLSBAD, str(path)]) == 1
    assert "No line has these pawns exactly" in capsys.readouterr().out
